// The service about itself: recorder, runs, buses, store.

import { byId, el, setText } from "./dom.js";
import { count, duration, moment, serverNowMs, stretch } from "./format.js";
import { post } from "./net.js";
import { readingsOf } from "./progress.js";

const MIB = 1024 * 1024;
export const UNREAD =
  "◆ The configuration file was edited, and the recorder has not read it yet: devices, limits and plans are those from before. Have it read with: loadlog serve --reload (when no run is on).";

export function runsLine(runs) {
  return runs.map((run) => {
    const started = Date.parse(run.started);
    const done = (serverNowMs() - started) / 1000;
    const name = el("b", {}, run.id);
    const devices = el("span", { class: "quiet" }, run.devices.join(", "));
    if (!run.planned_s)
      return el(
        "p",
        { class: "run" },
        el("span", { class: "mark", "aria-hidden": "true" }, "▶"),
        el("span", {}, "run ", name),
        el("span", {}, `on for ${duration(done)}, open end`),
        el("span", {}, readingsOf(run)),
        devices,
      );
    const share = Math.min(1, Math.max(0, done / run.planned_s));
    const ends = moment(started + run.planned_s * 1000);
    return el(
      "p",
      { class: "run" },
      el("span", { class: "mark", "aria-hidden": "true" }, "▶"),
      el("span", {}, "run ", name),
      el("span", {}, `${duration(done)} of ${stretch(run.planned_s)}, ends ${ends}`),
      el("progress", { max: 1, value: share.toFixed(4), "aria-label": `progress of run ${run.id}` }),
      el("span", {}, readingsOf(run)),
      devices,
    );
  });
}

export function healthTables(service) {
  const parts = [];
  if (!service.recorder.reachable) parts.push(el("p", { class: "fault" }, `✕ Recorder: ${service.recorder.detail}`));
  if (service.configuration?.unread) parts.push(el("p", { class: "warning" }, UNREAD));
  const rows = service.buses.map(busRow);
  for (const bus of service.buses) for (const text of bus.warnings) parts.push(el("p", { class: "warning" }, `◆ Bus ${bus.name}: ${text}`));
  if (rows.length) {
    const head = ["Bus", "State", "Used", "Late, p99", "Polls", "Time-outs", "Other faults", "Missed"];
    parts.push(
      el(
        "div",
        { class: "scroll", tabindex: "0", role: "region", "aria-label": "Buses" },
        el("table", {}, el("thead", {}, el("tr", {}, ...head.map((text) => el("th", { scope: "col" }, text)))), el("tbody", {}, ...rows)),
      ),
    );
    parts.push(el("p", { class: "quiet legend" }, "Used: share of the time in which the bus is busy. Late, p99: 99 of 100 polls began at most so long after their deadline. Missed: deadlines passed over because the bus was not free, or the device did not answer for long."));
  }
  const facts = storeFacts(service);
  const rowOf = ([name, text]) => el("div", {}, el("dt", {}, name), el("dd", {}, ...[text].flat()));
  if (facts.length) parts.push(el("dl", { class: "facts" }, ...facts.map(rowOf)));
  return parts;
}

function busState(bus) {
  if (bus.open === false) return `✕ closed${bus.detail ? `: ${bus.detail}` : ""}`;
  return bus.silent.length ? `◌ open, silent: ${bus.silent.join(", ")}` : "● open";
}

function busRow(bus) {
  const cells = [
    busState(bus),
    share(bus.use),
    bus.lateness_p99_s === null || bus.lateness_p99_s === undefined ? "–" : `${(bus.lateness_p99_s * 1000).toFixed(1)} ms`,
    count(bus.polls),
    count(bus.timeouts),
    count(bus.faults),
    count(bus.missed),
  ];
  return el("tr", {}, el("th", { scope: "row" }, bus.name), ...cells.map((text) => el("td", {}, text)));
}

const share = (value) => (value === null || value === undefined ? "–" : `${(value * 100).toFixed(0)} %`);
const many = (value, word) => `${count(value)} ${word}${value === 1 ? "" : "s"}`;
const samples = (value) => many(value, "sample");

function storeFacts(service) {
  const store = service.store ?? {};
  const facts = [];
  if (store.free_bytes !== null && store.free_bytes !== undefined) facts.push(["Disk free", bytes(store.free_bytes)]);
  const days = daysUntilFull(store);
  if (days) facts.push(["Disk full in", days]);
  if (store.size_bytes) facts.push(["Recordings", bytes(store.size_bytes)]);
  if (store.growth_bytes_per_day) facts.push(["Growth", `${bytes(store.growth_bytes_per_day)} a day`]);
  if (store.waiting !== null && store.waiting !== undefined) facts.push(["Waiting to be written", samples(store.waiting)]);
  if (store.lost) facts.push(["Lost", `✕ ${samples(store.lost)}`]);
  if (store.trouble) facts.push(["Store", `✕ ${store.trouble}`]);
  for (const name of store.damaged ?? []) facts.push(["Recording not readable", `✕ ${name}`]);
  for (const target of service.forwarding ?? []) facts.push([`Forwarding to ${target.name}`, [forwardText(target), retryButton(target)]]);
  for (const address of service.notices ?? []) facts.push([`Notices to ${address.name}`, noticeText(address)]);
  if (service.samples !== null && service.samples !== undefined) facts.push(["Samples since start", count(service.samples)]);
  if (service.readers) facts.push(["Pages open", count(service.readers)]);
  return facts;
}

const FORWARD_STATES = {
  starting: "◌ starting",
  up_to_date: "● up to date",
  catching_up: "◆ catching up",
  waiting: "◆ waiting",
  refused: "✕ refused",
  stopped: "✕ stopped",
};

function forwardText(target) {
  const parts = [FORWARD_STATES[target.state] ?? target.state];
  if (target.backlog_samples) parts.push(`${samples(target.backlog_samples)} ${target.backlog_samples === 1 ? "waits" : "wait"}`);
  if (target.remaining_s !== null) parts.push(`done in ${duration(target.remaining_s)}`);
  if (target.set_aside) parts.push(`✕ ${many(target.set_aside, "line")} refused and set aside`);
  if (target.detail) parts.push(target.detail);
  return parts.join(", ");
}

const SOON_DAYS = 7;

// At the rate of the last week's recordings.
function daysUntilFull({ days_until_full: days }) {
  if (days === null || days === undefined) return "";
  if (days > 3650) return "more than ten years";
  if (days < 1) return `▲ ${Math.max(1, Math.round(days * 24))} h`;
  return `${days < SOON_DAYS ? "▲ " : ""}${many(Math.round(days), "day")}`;
}

const NOTICE_STATES = { starting: "◌ starting", ready: "● ready", sending: "● sending", failing: "✕ not accepted", stopped: "✕ stopped" };

function noticeText(address) {
  const parts = [NOTICE_STATES[address.state] ?? address.state];
  if (address.notices) parts.push(`${count(address.notices)} not accepted yet`);
  if (address.waiting) parts.push(`${many(address.waiting, "event")} ${address.waiting === 1 ? "waits" : "wait"}${address.quiet ? " for the end of the quiet hours" : ""}`);
  if (address.given_up) parts.push(`✕ ${count(address.given_up)} given up`);
  if (address.last_accepted) parts.push(`last accepted ${moment(Date.parse(address.last_accepted))}`);
  if (address.detail) parts.push(address.detail);
  return parts.join(", ");
}

function retryButton(target) {
  if (!target.set_aside) return null;
  const button = el("button", { type: "button", class: "acts", "aria-label": `Send to ${target.name} again what it refused` }, "Send again");
  button.onclick = async () => {
    try {
      await post(`/api/forward/${encodeURIComponent(target.name)}/retry`);
      setText(byId("announce"), `What ${target.name} refused is sent again.`);
    } catch (error) {
      setText(byId("announce"), error.message);
    }
  };
  return button;
}

function bytes(value) {
  if (value >= 1024 * MIB) return `${(value / MIB / 1024).toFixed(1)} GiB`;
  return `${(value / MIB).toFixed(1)} MiB`;
}
