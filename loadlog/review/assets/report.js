// Draws the curves of a report: zoom by dragging, wheel or buttons, pan with the arrow keys or buttons, cursor with values and units.
"use strict";
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const COLOURS = { V: "--volt", A: "--amp", W: "--watt", "°C": "--heat" };
  const DASHES = [[], [7, 4], [2, 3], [10, 3, 2, 3]];
  const css = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  const later = (name, alpha = "") => () => css(name) + alpha; // asked at each stroke: paper has other colours than a dark screen
  const PAPER_PX = 660; // of plots on paper: A4 and Letter with the browser's own margins are a little wider
  const charts = [];
  const pad = (n, width = 2) => String(n).padStart(width, "0");
  const when = (s) => {
    const d = new Date(s * 1000);
    return `${d.getUTCFullYear()}-${pad(d.getUTCMonth() + 1)}-${pad(d.getUTCDate())} ${pad(d.getUTCHours())}:${pad(d.getUTCMinutes())}:${pad(d.getUTCSeconds())}.${pad(d.getUTCMilliseconds(), 3)} UTC`;
  };
  const text = (v) => (v === null || v === undefined ? "–" : Number(v.toPrecision(7)).toString());

  // Labels of the time axis: a date where the day changes and at the left edge, 24 hours, as many digits as the step needs.
  function ticks(_u, splits, _axis, _space, step) {
    return splits.map((s, i) => {
      const d = new Date(s * 1000);
      const date = `${d.getUTCFullYear()}-${pad(d.getUTCMonth() + 1)}-${pad(d.getUTCDate())}`;
      let time = `${pad(d.getUTCHours())}:${pad(d.getUTCMinutes())}`;
      if (step < 60) time += `:${pad(d.getUTCSeconds())}`;
      if (step < 1) time += `.${pad(d.getUTCMilliseconds(), 3)}`;
      if (step >= 86400) return date;
      return i === 0 || s % 86400 === 0 ? `${time}\n${date}` : time;
    });
  }

  // Curves of one unit on one time axis: [t, (min, max, mean) per curve].
  function columns(curves) {
    const all = new Set();
    for (const c of curves) for (const t of c.t) all.add(t);
    const t = [...all].sort((a, b) => a - b);
    const place = new Map(t.map((x, i) => [x, i]));
    const out = [t];
    for (const c of curves)
      for (const key of ["min", "max", "mean"]) {
        const column = new Array(t.length).fill(undefined); // undefined: no point here, the line goes on; null: a gap
        c.t.forEach((x, i) => (column[place.get(x)] = c[key][i]));
        out.push(column);
      }
    return out;
  }

  function marks(u, events) {
    const { ctx, bbox } = u;
    for (const e of events) {
      if (e.latest < u.scales.x.min || e.earliest > u.scales.x.max) continue;
      const from = Math.max(bbox.left, u.valToPos(e.earliest, "x", true));
      const to = Math.min(bbox.left + bbox.width, u.valToPos(e.latest, "x", true));
      ctx.save();
      ctx.fillStyle = ctx.strokeStyle = css(`--${e.severity}`);
      ctx.globalAlpha = 0.25;
      ctx.fillRect(from, bbox.top, Math.max(1, to - from), bbox.height);
      ctx.globalAlpha = 1;
      ctx.setLineDash(e.severity === "alarm" ? [] : [5, 4]);
      ctx.beginPath();
      ctx.moveTo(to, bbox.top);
      ctx.lineTo(to, bbox.top + bbox.height);
      ctx.stroke();
      ctx.font = `${10 * devicePixelRatio}px sans-serif`;
      ctx.fillText(String(e.id), to + 3 * devicePixelRatio, bbox.top - 2 * devicePixelRatio);
      ctx.restore();
    }
  }

  function options(width, unit, curves, readout, sync, bounds, events) {
    const name = COLOURS[unit] ?? "--info";
    const grid = { stroke: later("--grid"), width: 1 };
    const series = [{}];
    const bands = [];
    curves.forEach((c, i) => {
      const edge = { stroke: "transparent", width: 0, points: { show: false } };
      bands.push({ series: [series.length + 1, series.length], fill: later(name, "33") });
      series.push(edge, { ...edge }, { label: c.label, stroke: later(name), width: 1.5, dash: DASHES[i % DASHES.length], points: { show: false } });
    });
    return {
      width, height: 150, series, bands, legend: { show: false },
      cursor: { sync: { key: sync }, drag: { x: true, y: false, setScale: true }, y: false },
      scales: { x: { time: true, range: (_u, low, high) => [Math.max(low ?? bounds[0], bounds[0]), Math.min(high ?? bounds[1], bounds[1])] } },
      padding: [14, 12, 0, 0],
      axes: [{ stroke: later("--quiet"), grid, values: ticks, space: 76 }, { stroke: later("--quiet"), grid, size: 64 }],
      tzDate: (s) => uPlot.tzDate(new Date(s * 1e3), "Etc/UTC"),
      hooks: {
        draw: [(u) => marks(u, events)],
        setCursor: [(u) => {
          const i = u.cursor.idx;
          if (i === null || i === undefined || u.cursor.left < 0) return void (readout.textContent = "");
          const parts = curves.map((c, n) => {
            const [low, high, mean] = [1, 2, 3].map((k) => u.data[3 * n + k][i]);
            const range = typeof low === "number" && low !== high ? ` (${text(low)} … ${text(high)})` : "";
            return `${curves.length > 1 ? c.label + " " : ""}${text(mean)}${range} ${unit}`;
          });
          readout.textContent = `${when(u.data[0][i])}: ${parts.join("; ")}`;
        }],
        setScale: [(u, key) => {
          if (key !== "x" || u.moving) return;
          for (const other of u.group) if (other !== u) {
            other.moving = true;
            other.setScale("x", { min: u.scales.x.min, max: u.scales.x.max });
            other.moving = false;
          }
        }],
      },
    };
  }

  function tool(label, name, act) {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = label;
    button.setAttribute("aria-label", name);
    button.addEventListener("click", act);
    return button;
  }

  function draw(root, curves, key) {
    const units = [...new Set(curves.map((c) => c.unit))];
    const times = curves.flatMap((c) => [c.t[0], c.t[c.t.length - 1]]).filter((t) => t !== undefined);
    if (!times.length) return void (root.textContent = "No samples here.");
    const bounds = [Math.min(...times), Math.max(...times)];
    if (bounds[0] === bounds[1]) bounds[1] += 1;
    const devices = new Set(curves.map((c) => c.device));
    const events = data.events.filter((e) => e.device === null || devices.has(e.device));
    const group = [];
    const move = (shift, factor) => {
      const { min, max } = group[0].scales.x;
      const middle = (min + max) / 2 + shift * (max - min);
      const half = Math.min(((max - min) / 2) * factor, (bounds[1] - bounds[0]) / 2);
      const low = Math.min(Math.max(middle - half, bounds[0]), bounds[1] - 2 * half);
      for (const u of group) { u.moving = true; u.setScale("x", { min: low, max: low + 2 * half }); u.moving = false; }
    };
    const tools = document.createElement("div");
    tools.className = "tools";
    tools.append(
      tool("+", "zoom in", () => move(0, 0.5)), tool("−", "zoom out", () => move(0, 2)),
      tool("‹", "earlier", () => move(-0.3, 1)), tool("›", "later", () => move(0.3, 1)),
      tool("whole span", "whole span", () => move(0, Infinity)),
    );
    root.append(tools);
    for (const unit of units) {
      const mine = curves.filter((c) => c.unit === unit);
      const figure = document.createElement("figure");
      const caption = document.createElement("figcaption");
      const readout = document.createElement("span");
      readout.className = "readout";
      caption.append(`${mine.map((c) => c.label).join(", ")}, ${unit}`, readout);
      const at = document.createElement("div");
      at.setAttribute("role", "img");
      at.setAttribute("aria-label", `${mine.map((c) => c.label).join(", ")} in ${unit} over time`);
      figure.append(caption, at);
      root.append(figure);
      const u = new uPlot(options(Math.max(220, at.clientWidth), unit, mine, readout, key, bounds, events), columns(mine), at);
      u.group = group;
      group.push(u);
      u.over.addEventListener("wheel", (e) => { e.preventDefault(); move(0, e.deltaY > 0 ? 1.3 : 0.77); }, { passive: false });
      u.over.addEventListener("dblclick", () => move(0, Infinity));
      keep(u, at, () => ({ width: Math.max(220, at.clientWidth), height: 150 }));
    }
    root.tabIndex = 0;
    root.addEventListener("keydown", (e) => {
      const act = { ArrowLeft: [-0.2, 1], ArrowRight: [0.2, 1], "+": [0, 0.5], "-": [0, 2], 0: [0, Infinity] }[e.key];
      if (act) { e.preventDefault(); move(...act); }
    });
  }

  function scatter(root, pairs, label) {
    const sorted = [...pairs].sort((a, b) => a[0] - b[0]);
    const grid = { stroke: later("--grid"), width: 1 };
    const at = document.createElement("div");
    at.setAttribute("role", "img");
    at.setAttribute("aria-label", `voltage against current of ${label}`);
    root.append(at);
    const size = () => ({ width: Math.max(220, Math.min(560, at.clientWidth)), height: 260 });
    const u = new uPlot({
      ...size(), legend: { show: false },
      scales: { x: { time: false } },
      series: [{}, { stroke: "transparent", points: { show: true, size: 4, stroke: later("--volt"), fill: later("--volt") } }],
      axes: [{ label: "A", stroke: later("--quiet"), grid }, { label: "V", stroke: later("--quiet"), grid, size: 64 }],
    }, [sorted.map((p) => p[0]), sorted.map((p) => p[1])], at);
    keep(u, at, size);
  }

  // Follows the window; on paper it has the paper's width.
  function keep(u, at, size) {
    charts.push({ u, size });
    new ResizeObserver(() => u.setSize(size())).observe(at);
  }

  // Each plot is drawn when it comes into view, so that a long report opens at once.
  const todo = new Map();
  const seen = new IntersectionObserver((entries) => {
    for (const entry of entries) if (entry.isIntersecting) {
      seen.unobserve(entry.target);
      drawNow(entry.target);
    }
  }, { rootMargin: "300px" });
  const whenSeen = (root, act) => { todo.set(root, act); seen.observe(root); };
  function drawNow(root) {
    const act = todo.get(root);
    todo.delete(root);
    act?.();
  }
  for (const root of document.querySelectorAll("[data-curves]"))
    whenSeen(root, () => draw(root, data.curves[root.dataset.curves], root.dataset.curves));
  for (const root of document.querySelectorAll("[data-scatter]"))
    whenSeen(root, () => scatter(root, data.scatter[root.dataset.scatter], root.dataset.scatter));

  function resize(of) {
    for (const { u, size } of charts) {
      u.setSize(of(size()));
      u.redraw(false);
    }
  }

  // Paper shows every plot, also those that nobody has scrolled to, in dark ink.
  addEventListener("beforeprint", () => {
    document.documentElement.classList.add("paper");
    for (const root of [...todo.keys()]) drawNow(root);
    resize((wanted) => ({ ...wanted, width: Math.min(PAPER_PX, wanted.width) }));
  });
  addEventListener("afterprint", () => {
    document.documentElement.classList.remove("paper");
    resize((wanted) => wanted);
  });
})();
