// The strips of one device: voltage, current, temperature one above the other on one time axis, with limits and events drawn in.

import { get } from "./net.js";
import { el, setText } from "./dom.js";
import { clock, clockMinutes, day, decimals, label, moment, number, serverNowMs, SEVERITY } from "./format.js";
import { Trace } from "./trace.js";

const PANELS = [
  { unit: "V", title: "Voltage", colour: "--volt" },
  { unit: "A", title: "Current", colour: "--amp" },
  { unit: "°C", title: "Temperature", colour: "--heat" },
];
const DASHES = [[], [7, 4], [2, 3], [10, 3, 2, 3], [4, 8], [14, 4]];
const AXIS_WIDTH = 58;
const POINTS = 1200;
const sync = () => window.uPlot.sync("bench");

export const span = { seconds: 300, runStart: null }; // seconds 0: whole run
let events = []; // what is drawn into the strips
export function setEvents(list) {
  events = [...list].sort((a, b) => Date.parse(a.onset.latest) - Date.parse(b.onset.latest));
}

export class Strips {
  constructor(spec) {
    this.spec = spec;
    this.root = el("div", { class: "strips" });
    this.empty = el("p", { class: "empty" }, "Fetching samples.");
    this.root.append(this.empty);
    this.panels = PANELS.map((panel) => ({
      ...panel,
      channels: spec.channels.filter((c) => c.kind === "number" && c.unit === panel.unit && c.name !== "setpoint"),
    })).filter((panel) => panel.channels.length);
    const names = this.panels.flatMap((panel) => panel.channels.map((c) => c.name));
    this.trace = new Trace(names, spec.period_s);
    this.later = []; // samples that came while the answer was on its way
    this.fetching = false;
    this.visible = true;
    this.dirty = true;
    for (const [i, panel] of this.panels.entries()) this.root.append(this.panel(panel, i === this.panels.length - 1));
    if (window.IntersectionObserver) new IntersectionObserver((seen) => this.shown(seen.at(-1).isIntersecting)).observe(this.root);
    new ResizeObserver(() => this.resize()).observe(this.root);
  }

  panel(panel, last) {
    panel.readout = el("span", { class: "readout" });
    panel.plotAt = el("div", { class: "plot", role: "img", "aria-label": `${panel.title} of ${this.spec.name} over time` });
    panel.last = last;
    const keys =
      panel.channels.length > 1 ? panel.channels.map((c, i) => el("span", { class: "key", "data-dash": i % DASHES.length }, label(c))) : [];
    panel.root = el(
      "figure",
      { class: "strip", "data-unit": panel.unit, hidden: true },
      el("figcaption", {}, el("span", { class: "name" }, `${panel.title}, ${panel.unit}`), ...keys, panel.readout),
      panel.plotAt,
    );
    return panel.root;
  }

  shown(visible) {
    this.visible = visible;
    this.dirty = true;
  }

  range() {
    const to = serverNowMs() / 1000;
    const from = span.seconds ? to - span.seconds : Math.min(span.runStart ?? to - 3600, to - 10);
    return [from, to];
  }

  // Fetches the span afresh; samples that arrive meanwhile are kept.
  async load() {
    if (!this.panels.length) return;
    this.fetching = true;
    this.later = [];
    const [from, to] = this.range();
    const query = new URLSearchParams({
      device: this.spec.name,
      from: new Date(from * 1000).toISOString(),
      to: new Date(to * 1000 + 5000).toISOString(),
      points: POINTS,
    });
    const asked = (this.asked = {});
    try {
      const answer = await get(`/api/samples?${query}`);
      if (asked !== this.asked) return; // a newer question is on its way
      this.trace.fill(answer, this.later);
      setText(this.empty, "No samples in this span.");
      this.empty.hidden = !this.trace.empty; // also out of view, where nothing is drawn
    } catch (error) {
      setText(this.empty, error.message);
    } finally {
      if (asked === this.asked) this.fetching = false;
      this.dirty = true;
    }
  }

  take(sample) {
    const t = Date.parse(sample.t) / 1000;
    const values = {};
    if (!sample.failure) for (const name of this.trace.names) values[name] = sample.values[name] ?? null;
    if (this.fetching) this.later.push([t, values]);
    else this.trace.add(t, values);
    this.dirty = true;
  }

  draw() {
    if (!this.visible || document.hidden) return;
    const [from, to] = this.range();
    this.trace.dropBefore(from);
    this.empty.hidden = !this.trace.empty;
    for (const panel of this.panels) {
      panel.root.hidden = this.trace.empty;
      if (this.trace.empty) continue;
      panel.chart ??= this.chart(panel);
      panel.chart.batch(() => {
        if (this.dirty) panel.chart.setData(this.columns(panel), false);
        panel.chart.setScale("x", { min: from, max: to });
      });
    }
    this.dirty = false;
  }

  columns(panel) {
    const columns = [this.trace.t];
    for (const { name } of panel.channels) columns.push(this.trace.min[name], this.trace.max[name], this.trace.mean[name]);
    return columns;
  }

  resize() {
    for (const panel of this.panels) if (panel.chart) panel.chart.setSize(this.size(panel));
  }

  size(panel) {
    const width = Math.max(200, Math.floor(this.root.clientWidth));
    return { width, height: (width < 500 ? 84 : 96) + (panel.last ? 26 : 0) };
  }

  // Colours or zone changed: the charts are made anew at the next draw.
  restyle() {
    for (const panel of this.panels) {
      panel.chart?.destroy();
      panel.chart = null;
    }
    this.dirty = true;
  }

  chart(panel) {
    const style = getComputedStyle(document.documentElement);
    const colour = style.getPropertyValue(panel.colour).trim();
    const ink = style.getPropertyValue("--quiet").trim();
    const grid = { stroke: style.getPropertyValue("--grid").trim(), width: 1 };
    const font = "11px system-ui, sans-serif";
    const digits = Math.max(...panel.channels.map((c) => decimals(c.resolution)));
    const series = [{}];
    const bands = [];
    for (const [i, channel] of panel.channels.entries()) {
      const edge = { stroke: "transparent", width: 0, points: { show: false } };
      bands.push({ series: [series.length + 1, series.length], fill: `${colour}33` });
      series.push(
        edge,
        { ...edge },
        { label: label(channel), stroke: colour, width: 1.6, dash: DASHES[i % DASHES.length], points: { show: false } },
      );
    }
    const options = {
      ...this.size(panel),
      series,
      bands,
      legend: { show: false },
      cursor: { sync: { key: sync().key }, drag: { x: false, y: false, setScale: false }, points: { size: 5 }, y: false },
      scales: { x: { time: true }, y: { range: (_u, low, high) => padded(low, high, 10 ** -digits) } },
      axes: [
        {
          show: panel.last,
          stroke: ink,
          grid,
          ticks: { ...grid, size: 4 },
          font,
          size: 26,
          gap: 4,
          space: labelSpace,
          values: (_u, splits, _axis, _space, step) => splits.map((s) => tickText(s, step, splits[0])),
        },
        { stroke: ink, grid, ticks: { show: false }, font, size: AXIS_WIDTH, gap: 6, space: 22 },
      ],
      padding: [6, 8, panel.last ? 0 : 2, 0],
      hooks: {
        drawAxes: [(u) => drawLimits(u, panel, style)],
        draw: [(u) => drawEvents(u, this.spec, style)],
        setCursor: [(u) => this.readout(panel, u, digits)],
      },
    };
    if (!panel.last)
      options.axes[0] = {
        show: true,
        stroke: "transparent",
        grid,
        ticks: { show: false },
        size: 0,
        space: labelSpace,
        values: (_u, splits) => splits.map(() => ""),
      };
    return new window.uPlot(options, this.columns(panel), panel.plotAt);
  }

  readout(panel, u, digits) {
    const i = u.cursor.idx;
    if (i === null || i === undefined || u.cursor.left < 0) {
      setText(panel.readout, "");
      return;
    }
    const values = panel.channels.map((c) => {
      const [low, mean, high] = [this.trace.min, this.trace.mean, this.trace.max].map((column) => column[c.name][i]);
      const range = low !== null && high - low > 10 ** -digits / 2 ? ` (${number(low, digits)} … ${number(high, digits)})` : "";
      return `${number(mean, digits)}${range}`;
    });
    setText(panel.readout, `${moment(u.data[0][i] * 1000)}: ${values.join(" / ")} ${panel.unit}`);
  }
}

// Room around the curve, and never less than some counts: noise of one digit is not a landscape.
function padded(low, high, count) {
  if (low === null || low === undefined) return [0, 1];
  const room = Math.max((high - low) * 0.12, count * 8);
  return [low - room, high + room];
}

// Hours and minutes need less room than seconds.
function labelSpace(_u, _axis, from, to, width) {
  return ((to - from) / width) * 44 < 30 ? 58 : 44;
}

function tickText(seconds, step, first) {
  const ms = seconds * 1000;
  if (step >= 86400 || (seconds !== first && step >= 3600 && clockMinutes(ms) === "00:00")) return day(ms);
  return step < 60 ? clock(ms) : clockMinutes(ms);
}

function drawLimits(u, panel, style) {
  const { ctx, bbox } = u;
  const ratio = window.devicePixelRatio || 1;
  for (const channel of panel.channels) {
    for (const [key, value] of Object.entries(channel.limits ?? {})) {
      if (!/^(low|high)/.test(key) || typeof value !== "number") continue;
      if (value < u.scales.y.min || value > u.scales.y.max) continue;
      const y = Math.round(u.valToPos(value, "y", true));
      ctx.save();
      ctx.strokeStyle = style.getPropertyValue(key.includes("_") ? "--alarm" : "--warning").trim();
      ctx.lineWidth = ratio;
      ctx.setLineDash([2 * ratio, 4 * ratio]);
      line(ctx, bbox.left, y, bbox.left + bbox.width, y);
      ctx.restore();
    }
  }
}

// A mark at the first sample that shows the event; the band before it is the time in which it may have begun.
function drawEvents(u, spec, style) {
  const { ctx, bbox } = u;
  const ratio = window.devicePixelRatio || 1;
  let labelled = -Infinity;
  for (const event of events) {
    if (event.device !== spec.name && !(event.device === null && (event.group === null || event.group === spec.group))) continue;
    const t = Date.parse(event.onset.latest) / 1000;
    if (t < u.scales.x.min || t > u.scales.x.max) continue;
    const x = Math.round(u.valToPos(t, "x", true));
    const from = Math.max(bbox.left, u.valToPos(Date.parse(event.onset.earliest) / 1000, "x", true));
    ctx.save();
    const colour = style.getPropertyValue(`--${event.severity}`).trim();
    ctx.fillStyle = `${colour}2e`;
    ctx.fillRect(from, bbox.top, x - from, bbox.height);
    ctx.strokeStyle = ctx.fillStyle = colour;
    ctx.lineWidth = ratio;
    ctx.setLineDash(event.severity === "alarm" ? [] : event.severity === "warning" ? [6 * ratio, 3 * ratio] : [2 * ratio, 3 * ratio]);
    line(ctx, x, bbox.top, x, bbox.top + bbox.height);
    if (x - labelled > 26 * ratio) {
      ctx.font = `${10 * ratio}px system-ui, sans-serif`;
      const text = `${SEVERITY[event.severity].mark}${event.id}`;
      const right = x + ctx.measureText(text).width + 6 * ratio > bbox.left + bbox.width;
      ctx.textAlign = right ? "right" : "left";
      ctx.textBaseline = "top";
      ctx.fillText(text, x + (right ? -3 : 3) * ratio, bbox.top + ratio);
      labelled = x;
    }
    ctx.restore();
  }
}

function line(ctx, x1, y1, x2, y2) {
  ctx.beginPath();
  ctx.moveTo(x1 + 0.5, y1 + 0.5);
  ctx.lineTo(x2 + 0.5, y2 + 0.5);
  ctx.stroke();
}
