// What is drawn into a chart besides its lines: limits, marks of quality, strokes in the page's colours.

const MARK_PX = 8; // between two marks of quality

// What the page's style says of a colour, as the canvas needs it. Kept, because asking makes the browser work out all styles first,
// until the style changes.
const pens = new Map();
export const forgetPens = () => pens.clear();

export function pen(name) {
  if (!pens.has(name)) pens.set(name, getComputedStyle(document.documentElement).getPropertyValue(name).trim());
  return pens.get(name);
}

export function drawLimits(u, lines) {
  const { ctx, bbox } = u;
  const ratio = window.devicePixelRatio || 1;
  const drawn = new Set();
  const named = []; // heights of the words
  for (const line of lines) {
    for (const [key, value] of Object.entries(line.limits ?? {})) {
      if (!/^(low|high)/.test(key) || typeof value !== "number" || drawn.has(`${key}${value}`)) continue;
      if (value < u.scales.y.min || value > u.scales.y.max) continue;
      drawn.add(`${key}${value}`);
      const y = Math.round(u.valToPos(value, "y", true));
      ctx.save();
      ctx.strokeStyle = ctx.fillStyle = pen(key.includes("_") ? "--alarm" : "--warning");
      ctx.lineWidth = ratio;
      ctx.setLineDash([2 * ratio, 4 * ratio]);
      stroke(ctx, bbox.left, y, bbox.left + bbox.width, y);
      if (named.every((other) => Math.abs(other - y) > 11 * ratio)) named.push(y);
      else {
        ctx.restore();
        continue;
      }
      ctx.font = `${10 * ratio}px system-ui, sans-serif`;
      ctx.textAlign = "right";
      ctx.textBaseline = y - bbox.top < 14 * ratio ? "top" : "bottom";
      ctx.fillText(key.replace("_", "-"), bbox.left + bbox.width - 3 * ratio, y);
      ctx.restore();
    }
  }
}

// A circle around what is uncertain, a cross through what is bad; a cross at the foot where there was no reading. Told by shape, not colour.
export function drawQuality(u, lines, quality) {
  const { ctx, bbox } = u;
  const ratio = window.devicePixelRatio || 1;
  const [first, last] = u.series[0].idxs ?? [0, u.data[0].length - 1];
  const marks = { 1: pen("--warning"), 2: pen("--alarm") };
  ctx.save();
  ctx.lineWidth = 1.4 * ratio;
  for (const [index, line] of lines.entries()) {
    if (!u.series[index * 3 + 3].show) continue;
    const column = quality(index);
    const mean = u.data[index * 3 + 3];
    let before = -Infinity;
    for (let i = first; i <= last; i += 1) {
      if (!column[i]) continue;
      const x = u.valToPos(u.data[0][i], "x", true);
      if (x - before < MARK_PX * ratio) continue;
      before = x;
      const known = mean[i] !== null && mean[i] !== undefined;
      const y = known ? u.valToPos(mean[i], "y", true) : bbox.top + bbox.height - 4 * ratio;
      ctx.strokeStyle = marks[column[i]];
      if (known && column[i] === 1) circle(ctx, x, y, 3.2 * ratio);
      else cross(ctx, x, y, 3 * ratio);
    }
  }
  ctx.restore();
}

function circle(ctx, x, y, radius) {
  ctx.beginPath();
  ctx.arc(x, y, radius, 0, 2 * Math.PI);
  ctx.stroke();
}

function cross(ctx, x, y, arm) {
  ctx.beginPath();
  ctx.moveTo(x - arm, y - arm);
  ctx.lineTo(x + arm, y + arm);
  ctx.moveTo(x - arm, y + arm);
  ctx.lineTo(x + arm, y - arm);
  ctx.stroke();
}

export function stroke(ctx, x1, y1, x2, y2) {
  ctx.beginPath();
  ctx.moveTo(x1 + 0.5, y1 + 0.5);
  ctx.lineTo(x2 + 0.5, y2 + 0.5);
  ctx.stroke();
}
