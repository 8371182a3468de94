// The bar above the plots: which stretch of time they show, in words, and buttons for everything that keys and gestures do.

import { byId, el, setText, settings } from "./dom.js";
import { isUtc, moment, stretch } from "./format.js";
import { get } from "./net.js";
import { view } from "./view.js";

const SPANS = [
  [60, "1 min"],
  [300, "5 min"],
  [900, "15 min"],
  [3600, "1 h"],
  [28800, "8 h"],
  [86400, "1 day"],
  [604800, "1 week"],
  [2678400, "1 month"],
];
const RUNS = 60; // in the list; older ones are reached by a link
const HELP = [
  ["Drag", "zoom to a stretch"],
  ["Shift + drag, sideways scroll", "move"],
  ["Ctrl + wheel; wheel after a click on the plot", "zoom"],
  ["One finger, two fingers", "move, zoom"],
  ["Double click", "back to the stretch before"],
  ["← →, + −", "move, zoom"],
  ["Home, End", "beginning of the run, follow now"],
  ["Backspace", "back to the stretch before"],
  ["Shift + ← →", "read values"],
  ["N, P", "next, previous event; Enter opens it"],
];

export function buildTimebar() {
  const kept = Number(settings.get("span", "300"));
  if (!view.read()) view.choice = { kind: "last", seconds: SPANS.some(([seconds]) => seconds === kept) ? kept : 300 };
  for (const [seconds, text] of SPANS) {
    const input = el("input", { type: "radio", name: "span", value: seconds, onchange: () => view.length(seconds) });
    byId("span").append(el("label", {}, input, el("span", {}, text)));
  }
  byId("moves").append(
    button("earlier", "◀", "Earlier", () => view.pan(-0.5)),
    button("later", "▶", "Later", () => view.pan(0.5)),
    button("zoom-out", "−", "Zoom out", () => view.zoom(2)),
    button("zoom-in", "+", "Zoom in", () => view.zoom(0.5)),
    button("back", "Back", "Back to the stretch before", () => view.back()),
    button("follow", "Follow now", null, () => view.follow()),
    el("select", { id: "run-span", "aria-label": "Whole run", onchange: (event) => event.target.value && view.run(event.target.value) }),
  );
  const rows = HELP.flatMap(([keys, what]) => [el("dt", {}, keys), el("dd", {}, what)]);
  const marks = "○ uncertain · ✕ bad or no reading · band: least to greatest · ± twice the standard uncertainty";
  byId("plot-help").append(el("summary", {}, "Keys, gestures, marks"), el("dl", {}, ...rows), el("p", {}, marks));
  view.onChange(draw);
  window.addEventListener("hashchange", () => view.read() || view.write());
  draw();
}

function button(id, text, label, onclick) {
  return el("button", { type: "button", id, "aria-label": label, title: label, onclick }, text);
}

export function draw() {
  const length = Math.round(view.seconds);
  if (view.choice.kind === "last") settings.set("span", String(length));
  for (const input of byId("span").querySelectorAll("input"))
    input.checked = view.choice.kind !== "run" && Number(input.value) === length;
  byId("back").disabled = !view.canGoBack;
  byId("later").disabled = view.following;
  byId("follow").setAttribute("aria-pressed", String(view.following));
  const select = byId("run-span");
  if (select.options.length) select.value = view.choice.kind === "run" ? view.choice.id : "";
  setText(byId("shown"), words());
}

function words() {
  const [from, to] = view.range();
  const zone = isUtc() ? " UTC" : "";
  const { kind, id } = view.choice;
  if (kind === "run") {
    const run = view.runs.get(id);
    if (!run) return view.runsKnown ? `There is no run ${id} in the recordings; the last hour is shown.` : `Run ${id}`;
    if (!run.ended) return `The whole of run ${id}, followed as it goes on`;
  } else if (kind === "last") return `The last ${stretch(to - from)}, followed`;
  const what = kind === "run" ? `The whole of run ${id}: ` : "";
  return `${what}${moment(from * 1000)} to ${moment(to * 1000)}${zone} (${stretch(to - from)}); stands still`;
}

// The list of runs; called when the service says that it changed.
export async function loadRuns() {
  let list;
  try {
    list = (await get("/api/runs")).runs;
  } catch {
    return; // the banner already says that the service is gone
  }
  view.setRuns(list);
  const option = (run) => el("option", { value: run.id }, run.state === "running" ? `${run.id} (this run)` : run.id);
  const listed = list.slice(0, RUNS);
  const chosen = view.choice.kind === "run" && view.runs.get(view.choice.id);
  if (chosen && !listed.includes(chosen)) listed.push(chosen);
  byId("run-span").replaceChildren(el("option", { value: "" }, listed.length ? "Whole run …" : "No runs yet"), ...listed.map(option));
  draw();
}
