// One panel: lines of one unit on one chart, with a key to each line that also says its value under the cursor.
//
// A line is {spec, channel, samples, label, colour, dash}. Lines of several devices have instants of their own: they are laid side by side.

import { makeChart } from "./chart.js";
import { el, setText } from "./dom.js";
import { attachHands } from "./gestures.js";
import { decimals, expanded, moment, number, QUALITY } from "./format.js";

const SVG = "http://www.w3.org/2000/svg";
const QUALITIES = ["good", "uncertain", "bad"];
const REACH_PX = 4; // from the cursor to a sample by itself
const EACH = 4; // columns of a line: minimum, maximum, mean, quality

export class Panel {
  constructor({ title, unit, name, lines, root, owners, heights }) {
    Object.assign(this, { title, unit, name, lines, plots: root, owners, heights });
    this.axis = true;
    this.chart = null;
    this.time = el("span", { class: "readout" });
    this.keys = lines.map((line) => this.key(line));
    this.place = el("div", { class: "plot" });
    this.root = el(
      "figure",
      { class: "strip", "data-unit": unit, hidden: true },
      el(
        "figcaption",
        { "data-lines": lines.length > 1 ? "many" : "one" },
        el("span", { class: "name" }, `${title}, ${unit}`),
        el("span", { class: "keys" }, ...this.keys.map((key) => key.root)),
        this.time,
      ),
      this.place,
    );
  }

  key(line) {
    const value = el("span", { class: "value" });
    const many = this.lines.length > 1;
    if (!many) return { value, root: el("span", { class: "key" }, value) };
    const hide = (event) => {
      line.hidden = !line.hidden;
      event.currentTarget.setAttribute("aria-pressed", String(!line.hidden));
      this.chart?.setSeries(this.lines.indexOf(line) * 3 + 3, { show: !line.hidden });
      this.showBands();
    };
    const root = el(
      "button",
      { type: "button", class: "key", "aria-pressed": "true", title: "Show or hide this line", onclick: hide },
      sample(line), line.label, " ", value,
    );
    root.style.color = `var(${line.colourName})`;
    return { value, root };
  }

  showBands() {
    if (!this.chart) return;
    for (const [i, line] of this.lines.entries())
      for (const edge of [1, 2]) this.chart.setSeries(i * 3 + edge, { show: !line.hidden });
  }

  get empty() {
    return this.lines.every((line) => line.samples.trace.empty);
  }

  // Columns for the chart, and beside them the qualities.
  fill() {
    const tables = new Map(); // samples -> its columns
    for (const { samples, channel } of this.lines) {
      const { trace } = samples;
      if (!tables.has(samples)) tables.set(samples, [trace.t]);
      const none = () => new Array(trace.t.length).fill(null);
      const column = (kind) => trace[kind][channel.name] ?? none();
      tables.get(samples).push(column("min"), column("max"), column("mean"), column("quality"));
    }
    const [first] = tables.values();
    const together = tables.size === 1 ? first : window.uPlot.join([...tables.values()]);
    // Lines in the order of the tables, which is that of the panel: a panel lists a device's lines side by side.
    this.data = [together[0]];
    this.qualities = [];
    for (let i = 0; i < this.lines.length; i += 1) {
      const at = 1 + i * EACH;
      this.data.push(together[at], together[at + 1], together[at + 2]);
      this.qualities.push(together[at + 3]);
    }
  }

  draw(from, to, changed) {
    this.root.hidden = this.empty;
    if (this.empty) return;
    if (changed || !this.data) this.fill();
    this.chart ??= this.make();
    this.chart.batch(() => {
      if (changed) this.chart.setData(this.data, false);
      this.chart.setScale("x", { min: from, max: to });
    });
    this.read();
  }

  make() {
    const lines = this.lines.map(({ channel, label, colour, dash }) => ({
      label, colour: colour(), dash, limits: channel.limits, resolution: channel.resolution,
    }));
    const chart = makeChart({
      lines,
      data: this.data,
      size: this.size(),
      place: this.place,
      axis: this.axis,
      owners: this.owners,
      quality: (i) => this.qualities[i],
      onCursor: () => this.read(),
    });
    chart.ctx.canvas.setAttribute("role", "img");
    chart.ctx.canvas.setAttribute("aria-label", `${this.title} of ${this.name} over time`);
    chart.flags = el("div", { class: "flags" });
    chart.over.append(chart.flags);
    for (const [i, line] of this.lines.entries())
      if (line.hidden) for (const at of [1, 2, 3]) chart.setSeries(i * 3 + at, { show: false });
    attachHands(chart, this.plots);
    return chart;
  }

  // What the cursor points at: time, and for each line value, uncertainty, range in the bucket, quality.
  read() {
    const left = this.chart?.cursor.left ?? -1;
    const shown = left >= 0;
    const t = shown ? this.chart.posToVal(left, "x") : 0;
    const reachS = shown ? REACH_PX * (this.chart.posToVal(1, "x") - this.chart.posToVal(0, "x")) : 0;
    const found = this.lines.map(({ samples }) => samples.trace.nearest(t, reachS));
    const first = found.findIndex((i) => i >= 0);
    const { trace } = this.lines[Math.max(0, first)].samples;
    setText(this.time, shown ? moment((first < 0 ? t : trace.t[found[first]]) * 1000, trace.bucketS < 1) : "");
    for (const [i, line] of this.lines.entries()) setText(this.keys[i].value, shown ? this.valueAt(line, found[i]) : "");
  }

  valueAt({ samples, channel }, i) {
    const { trace } = samples;
    const [low, mean, high] = [trace.min, trace.mean, trace.max].map((column) => column[channel.name]?.[i] ?? null);
    if (mean === null) return trace.quality[channel.name]?.[i] ? `${QUALITY.bad.mark} no reading` : "–";
    const digits = decimals(channel.resolution);
    const range = high - low > 10 ** -digits / 2 ? ` (${number(low, digits)} … ${number(high, digits)})` : "";
    const { mark, word } = QUALITY[QUALITIES[trace.quality[channel.name][i]]];
    const doubt = word === "good" ? "" : ` ${mark} ${word}`;
    return `${number(mean, digits)} ± ${number(expanded(channel, mean), digits)} ${this.unit}${range}${doubt}`;
  }

  // For screen readers, after a move of the cursor by keys.
  words() {
    const values = this.lines.map((line, i) => (line.hidden ? "" : `${line.label} ${this.keys[i].value.textContent}`));
    return this.time.textContent ? `${this.time.textContent}: ${values.filter(Boolean).join(", ")}` : "";
  }

  // Moves the cursor to the next column that holds something.
  step(direction) {
    if (!this.chart) return;
    const [first, last] = this.chart.series[0].idxs;
    let i = this.chart.cursor.idx;
    if (i === null || i === undefined || this.chart.cursor.left < 0) i = direction > 0 ? first - 1 : last + 1;
    i = Math.min(last, Math.max(first, i + direction));
    this.chart.setCursor({ left: this.chart.valToPos(this.data[0][i], "x"), top: 4 }, true, true);
  }

  size() {
    const width = Math.max(200, Math.floor(this.plots.clientWidth));
    return { width, height: this.heights(width) + (this.axis ? 26 : 0) };
  }

  // A new size takes the cursor away, so it is set only where it differs.
  resize() {
    const size = this.size();
    if (this.chart && (this.chart.width !== size.width || this.chart.height !== size.height)) this.chart.setSize(size);
  }

  // Colours or zone changed: the chart is made anew at the next draw.
  restyle() {
    this.chart?.destroy();
    this.chart = null;
  }
}

// A piece of the line, in its dash.
function sample({ dash }) {
  const svg = document.createElementNS(SVG, "svg");
  const line = document.createElementNS(SVG, "line");
  for (const [name, value] of Object.entries({ width: 30, height: 8, "aria-hidden": "true" })) svg.setAttribute(name, value);
  const drawn = { x1: 0, x2: 30, y1: 4, y2: 4, stroke: "currentColor", "stroke-width": 2, "stroke-dasharray": dash.join(" ") || "none" };
  for (const [name, value] of Object.entries(drawn)) line.setAttribute(name, value);
  svg.append(line);
  return svg;
}
