// One chart: lines with their band of least and greatest, limits, marks of quality and events, on the axis that all charts share.
//
// A line is {name, label, colour, dash, limits, resolution}; its columns are minimum, maximum, mean, in that order (`columns`).

import { drawEvents } from "./flags.js";
import { clock, clockMinutes, day, decimals } from "./format.js";
import { drawLimits, drawQuality, pen } from "./ink.js";
import { view } from "./view.js";

export const DASHES = [[], [7, 4], [2, 3], [10, 3, 2, 3], [4, 8], [14, 4]];
const AXIS_WIDTH = 58;
const MARK_PX = 8; // between two marks of quality
export const sync = () => window.uPlot.sync("bench");

// quality(i): the quality of each column of line i, against the x axis of the chart. axis: whether the times stand below.
export function makeChart({ lines, data, size, place, axis, owners, quality, onCursor }) {
  const ink = pen("--quiet");
  const grid = { stroke: pen("--grid"), width: 1 };
  const font = "11px system-ui, sans-serif";
  const digits = Math.max(...lines.map((line) => decimals(line.resolution)));
  const series = [{}];
  const bands = [];
  const edge = { stroke: "transparent", width: 0, points: { show: false } };
  for (const line of lines) {
    bands.push({ series: [series.length + 1, series.length], fill: `${line.colour}${lines.length > 3 ? "22" : "33"}` });
    const points = { show: false, size: 4, filter: lonely, stroke: line.colour, fill: line.colour };
    series.push({ ...edge }, { ...edge }, { label: line.label, stroke: line.colour, width: 1.6, dash: line.dash, points });
  }
  const xAxis = {
    stroke: ink, grid, font, size: 26, gap: 4, space: labelSpace, ticks: { ...grid, size: 4 },
    values: (u, splits, _axis, _space, step) => splits.map((s) => (fits(u, s) ? tickText(s, step, splits[0]) : "")),
  };
  const bare = { ...xAxis, stroke: "transparent", size: 0, ticks: { show: false }, values: (_u, splits) => splits.map(() => "") };
  const chart = new window.uPlot(
    {
      ...size,
      series,
      bands,
      legend: { show: false },
      cursor: {
        sync: { key: sync().key, filters: { pub: (type) => type === "mousemove" || type === "mouseleave" } },
        drag: { x: true, y: false, setScale: false, dist: 6 },
        bind: { mousedown: (_u, _node, handler) => (event) => (event.shiftKey ? null : handler(event)), dblclick: () => null },
        points: { size: 5 },
        y: false,
      },
      scales: { x: { time: true }, y: { range: (_u, low, high) => padded(low, high, 10 ** -digits) } },
      axes: [
        axis ? xAxis : bare,
        { stroke: ink, grid, ticks: { show: false }, font, size: AXIS_WIDTH, gap: 6, space: 22 },
      ],
      padding: [6, 8, axis ? 0 : 2, 0],
      hooks: {
        drawAxes: [(u) => drawLimits(u, lines)],
        draw: [(u) => drawQuality(u, lines, quality), (u) => drawEvents(u, owners)],
        setCursor: [onCursor],
        setSelect: [(u) => choose(u)],
      },
    },
    data,
    place,
  );
  return chart;
}

// The stretch that was dragged over.
function choose(u) {
  if (u.select.width < 6) return;
  const [from, to] = [u.select.left, u.select.left + u.select.width].map((x) => u.posToVal(x, "x"));
  u.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
  view.show(from, to);
}

// A sample without neighbours has no line: it is drawn as a point.
function lonely(u, seriesIndex) {
  const values = u.data[seriesIndex];
  const [first, last] = u.series[0].idxs ?? [0, values.length - 1];
  const found = [];
  let before = null;
  for (let i = first; i <= last; i += 1) {
    if (values[i] === undefined) continue; // another device's instant
    if (values[i] === null) {
      before = null;
      continue;
    }
    let next = i + 1;
    while (next < values.length && values[next] === undefined) next += 1;
    if (before === null && (values[next] === null || next >= values.length)) found.push(i);
    before = i;
  }
  return found.length ? found : null;
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

// A time that the edge would cut in two is left out.
function fits(u, seconds) {
  const x = u.valToPos(seconds, "x");
  return x > 4 && x < u.bbox.width / (window.devicePixelRatio || 1) - 18;
}

function tickText(seconds, step, first) {
  const ms = seconds * 1000;
  if (step >= 86400 || (seconds !== first && step >= 3600 && clockMinutes(ms) === "00:00")) return day(ms);
  return step < 60 ? clock(ms) : clockMinutes(ms);
}
