// The view of runs: those that are on with their progress, plans with their next start, and every run with its post-mortem.

import { byId, el, setText } from "./dom.js";
import { duration, moment, serverNowMs, stretch } from "./format.js";
import { UNREAD } from "./health.js";
import { get } from "./net.js";
import { readingsOf } from "./progress.js";
import { showReview } from "./review.js";
import { askStart, askStartPlan, askStop, planTimes } from "./runcontrol.js";
import { update } from "./update.js";
import { addressOf, onView, shownView } from "./views.js";

const SHOWN = 25;
const SETTLE_MS = 1300; // the service asks the recorder once a second
const AGAIN_MS = 30_000;
const STATES = { running: ["▶", "on"], ended: ["■", "ended"], interrupted: ["✕", "cut off, not stopped"] };
let on = [];
let reachable = true;
let devices = () => [];
let plans = [];
let past = [];
let shown = SHOWN;

export function startRuns(deviceNames) {
  devices = deviceNames;
  byId("run-start").onclick = () => askStart(devices(), on, soon);
  byId("runs-more").onclick = () => {
    shown += 100;
    drawPast();
  };
  onView(({ name, rest }) => {
    if (name !== "runs") return;
    byId("runs-list").hidden = Boolean(rest);
    byId("review").hidden = !rest;
    if (rest) showReview(rest);
    else load();
  });
  setInterval(() => {
    if (shownView().name === "runs" && !shownView().rest && !document.hidden) load();
  }, AGAIN_MS);
  document.addEventListener("zone", () => {
    drawOn();
    drawPlans();
    drawPast();
  });
}

// What the stream says of the runs that are on, every second.
export function takeRuns(service) {
  const changed = service.runs.map((run) => run.id).join() !== on.map((run) => run.id).join();
  on = service.runs;
  reachable = service.recorder.reachable;
  byId("plans-unread").hidden = !service.configuration?.unread;
  setText(byId("plans-unread"), UNREAD);
  byId("run-start").disabled = !reachable || !devices().length; // before, there is nothing to choose from
  drawOn();
  if (changed && shownView().name === "runs") soon();
}

function soon() {
  setTimeout(load, SETTLE_MS);
}

async function load() {
  try {
    const [planned, listed] = await Promise.all([get("/api/plans"), get("/api/runs")]);
    plans = planned.plans;
    past = listed.runs;
  } catch (error) {
    setText(byId("runs-fault"), error.message);
    return;
  }
  setText(byId("runs-fault"), "");
  drawPlans();
  drawPast();
}

// ---- runs that are on

const cards = new Map();

function drawOn() {
  for (const id of [...cards.keys()]) if (!on.some((run) => run.id === id)) cards.delete(id);
  for (const run of on) {
    if (!cards.has(run.id)) cards.set(run.id, new RunCard(run));
    cards.get(run.id).draw(run);
  }
  const nodes = [...cards.values()].map((card) => card.root);
  const list = byId("runs-on");
  if (!nodes.length) {
    const text = reachable ? "No run is on." : "The recorder does not answer: which runs are on is not known.";
    if (list.textContent !== text) list.replaceChildren(el("li", { class: "empty" }, text));
  } else if (nodes.length !== list.children.length || nodes.some((node, i) => node !== list.children[i])) list.replaceChildren(...nodes);
}

class RunCard {
  constructor(run) {
    this.times = el("p", { class: "times" });
    this.readings = el("p", { class: "times" });
    this.bar = run.planned_s ? el("progress", { max: 1, "aria-label": `time of run ${run.id}` }) : null;
    const stop = el("button", { type: "button", class: "acts", onclick: () => askStop(this.run, soon) }, "Stop…");
    stop.setAttribute("aria-label", `Stop run ${run.id}`);
    this.root = el(
      "li",
      { class: "card" },
      el("p", { class: "head" }, el("span", { class: "mark", "aria-hidden": "true" }, "▶"), el("b", {}, run.id), devicesOf(run)),
      this.times,
      this.bar,
      this.readings,
      el("p", { class: "buttons" }, stop, el("a", { class: "button", href: addressOf("runs", run.id) }, "Review so far")),
    );
  }

  draw(run) {
    this.run = run;
    setText(this.times, timesOf(run));
    setText(this.readings, readingsOf(run));
    if (this.bar) this.bar.value = elapsed(run) / run.planned_s;
  }
}

const devicesOf = (run) => el("span", { class: "quiet" }, run.devices.join(", "));
const elapsed = (run) => Math.max(0, (serverNowMs() - Date.parse(run.started)) / 1000);

function timesOf(run) {
  const started = Date.parse(run.started);
  const begun = `started ${moment(started)}`;
  if (!run.planned_s) return `On for ${duration(elapsed(run))}, until it is stopped; ${begun}`;
  return `${duration(elapsed(run))} of ${stretch(run.planned_s)}; ${begun}, ends ${moment(started + run.planned_s * 1000)}`;
}

// ---- plans

function drawPlans() {
  byId("plans-section").hidden = !plans.length;
  update(
    byId("plans"),
    plans.map((plan) => {
      const facts = [plan.duration_s ? stretch(plan.duration_s) : "until stopped", plan.devices.join(", "), limitsOf(plan)].filter(Boolean);
      const start = el("button", { type: "button", class: "acts", onclick: () => askStartPlan(plan, soon) }, "Start now…");
      start.setAttribute("aria-label", `Start plan ${plan.name} now`);
      return el(
        "li",
        { class: "card", "data-key": plan.name },
        el("p", { class: "head" }, el("b", {}, plan.name), el("span", { class: "quiet" }, facts.join(" · "))),
        el("p", { class: "times" }, el("span", {}, planTimes(plan)), plan.cron ? el("span", {}, `cron ${plan.cron}, ${plan.time_zone}`) : null),
        el("p", { class: "buttons" }, start),
      );
    }),
  );
}

function limitsOf(plan) {
  const n = plan.accept.length;
  return n ? `${n} acceptance ${n === 1 ? "limit" : "limits"}` : "";
}

// ---- every run

function drawPast() {
  const items = past.slice(0, shown).map((run) => {
    const [mark, word] = STATES[run.state] ?? ["", run.state];
    const started = Date.parse(run.started);
    const lasted = run.ended ? `, ${duration((Date.parse(run.ended) - started) / 1000)}` : "";
    return el(
      "li",
      { class: "card", "data-key": run.id },
      el("p", { class: "head" }, el("a", { href: addressOf("runs", run.id) }, run.id), devicesOf(run)),
      el(
        "p",
        { class: "times" },
        el("span", {}, `${moment(started)}${lasted}`),
        el("span", {}, el("span", { "aria-hidden": "true" }, `${mark} `), word, run.end_reason ? `: ${run.end_reason}` : ""),
        run.keep ? el("span", {}, "kept") : null,
      ),
    );
  });
  update(byId("runs-past"), items.length ? items : [el("li", { class: "empty" }, "No run was recorded yet.")]);
  byId("runs-more").hidden = past.length <= shown;
}
