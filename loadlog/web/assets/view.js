// Which stretch of time the plots show, one for the whole page: the last so many seconds, a fixed stretch, or the whole of a run.
//
// Times are seconds since the epoch on the service's clock. A stretch that ends at the present follows it. The choice stands in the address
// after `#` as plot=last-300, plot=run-ID or plot=FROM/TO (RFC 3339), so that a link shows the same to somebody else.

import { serverNowMs } from "./format.js";

const SHORTEST_S = 5;
const LONGEST_S = 366 * 86400;
const KEPT = 50; // stretches that one can go back to
const ONE_GESTURE_MS = 700; // changes closer together are one step back
const NEAR_THE_END = 0.9;
const WRITE_MS = 300; // browsers refuse to have the address written too often
const KEY = "plot=";
const VIEW_WITH_PLOTS = new Set(["bench", "main", "devices"]); // the address of another view is not touched

const clamped = (seconds) => Math.min(LONGEST_S, Math.max(SHORTEST_S, seconds));
const nowS = () => serverNowMs() / 1000;

export class View {
  constructor(seconds = 300) {
    this.choice = { kind: "last", seconds };
    this.runs = new Map(); // id -> run as the service lists it
    this.past = [];
    this.changedAt = -Infinity;
    this.writing = 0;
    this.runsKnown = false;
    this.listeners = new Set();
  }

  // [from, to] of now.
  range() {
    const { kind, seconds, from, to, id } = this.choice;
    const now = nowS();
    if (kind === "fixed") return [from, to];
    const run = kind === "run" ? this.runs.get(id) : undefined;
    if (!run) return [now - (seconds ?? 3600), now];
    const begin = Date.parse(run.started) / 1000;
    return [begin, Math.max(begin + SHORTEST_S, run.ended ? Date.parse(run.ended) / 1000 : now)];
  }

  get seconds() {
    const [from, to] = this.range();
    return to - from;
  }

  // Whether the stretch moves on with the time.
  get following() {
    const { kind, id } = this.choice;
    return kind === "last" || (kind === "run" && !this.runs.get(id)?.ended);
  }

  // ---- choices

  last(seconds) {
    this.choose({ kind: "last", seconds: clamped(seconds) });
  }

  run(id) {
    this.choose({ kind: "run", id });
  }

  // A stretch that reaches the present follows it.
  show(from, to) {
    const seconds = clamped(to - from);
    const middle = (from + to) / 2;
    const end = to - from === seconds ? to : middle + seconds / 2;
    if (end >= nowS() - seconds / 1000) this.last(seconds);
    else this.choose({ kind: "fixed", from: rounded(Math.max(0, end - seconds)), to: rounded(end) });
  }

  // Another length, with the same moment in the middle, or the present at the end where that is followed.
  length(seconds) {
    this.zoom(seconds / this.seconds);
  }

  // at: which share of the stretch stays where it is; not given, the present where that is followed, else the middle.
  zoom(factor, at = this.following ? 1 : 0.5) {
    const [from, to] = this.range();
    const seconds = clamped((to - from) * factor);
    if (this.following && at > NEAR_THE_END) {
      this.last(seconds);
      return;
    }
    const kept = from + (to - from) * at;
    this.show(kept - seconds * at, kept + seconds * (1 - at));
  }

  pan(share) {
    const [from, to] = this.range();
    this.show(from + (to - from) * share, to + (to - from) * share);
  }

  follow() {
    this.last(this.seconds);
  }

  // To the beginning of the run that is shown, else of the newest run that had begun by then.
  toStart() {
    const [from, to] = this.range();
    const begins = [...this.runs.values()].map((run) => Date.parse(run.started) / 1000).filter((begin) => begin < from - 0.5);
    const begin = begins.length ? Math.max(...begins) : from - (to - from) * 10;
    this.show(begin, begin + to - from);
  }

  get canGoBack() {
    return this.past.length > 0;
  }

  back() {
    const before = this.past.pop();
    if (before) this.apply(before);
  }

  choose(choice) {
    const now = performance.now();
    if (now - this.changedAt > ONE_GESTURE_MS && JSON.stringify(choice) !== JSON.stringify(this.choice)) {
      this.past.push(this.choice);
      if (this.past.length > KEPT) this.past.shift();
    }
    this.changedAt = now;
    this.apply(choice);
  }

  apply(choice) {
    this.choice = choice;
    clearTimeout(this.writing);
    this.writing = setTimeout(() => this.write(), WRITE_MS);
    this.tell();
  }

  // Gives back what ends it.
  onChange(listener) {
    this.listeners.add(listener);
    return () => this.listeners.delete(listener);
  }

  tell() {
    for (const listener of this.listeners) listener();
  }

  // The runs as the service lists them; what is shown may depend on them.
  setRuns(list) {
    this.runsKnown = true;
    this.runs = new Map(list.map((run) => [run.id, run]));
    if (this.choice.kind === "run") this.tell();
  }

  // ---- the address

  write() {
    const { kind, seconds, from, to, id } = this.choice;
    const stamp = (t) => new Date(t * 1000).toISOString();
    const text = kind === "last" ? `last-${Math.round(seconds)}` : kind === "run" ? `run-${id}` : `${stamp(from)}/${stamp(to)}`;
    const others = location.hash.slice(1).split("&").filter((part) => part && !part.startsWith(KEY));
    if (others.length && !VIEW_WITH_PLOTS.has(others[0])) return;
    history.replaceState(history.state, "", `#${[...others, KEY + text].join("&")}`);
  }

  // What the address asks for; false when it asks for nothing that can be understood.
  read() {
    const part = location.hash.slice(1).split("&").find((one) => one.startsWith(KEY));
    const choice = part && parsed(decoded(part.slice(KEY.length)));
    if (!choice) return false;
    this.choice = choice;
    this.tell();
    return true;
  }
}

function parsed(text) {
  const last = /^last-(\d{1,9})$/.exec(text);
  if (last) return { kind: "last", seconds: clamped(Number(last[1])) };
  if (/^run-[\w.-]{1,80}$/.test(text)) return { kind: "run", id: text.slice(4) };
  const [from, to] = text.split("/").map((one) => Date.parse(one) / 1000);
  if (!(from >= 0 && to > from && to < 4e9)) return null;
  return { kind: "fixed", from, to: from + clamped(to - from) };
}

function decoded(text) {
  try {
    return decodeURIComponent(text);
  } catch {
    return "";
  }
}

const rounded = (t) => Math.round(t * 1000) / 1000;

export const view = new View();
