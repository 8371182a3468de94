// Events on the plots: a mark at the first sample that shows the event, the band before it in which it may have begun, and a button on
// the mark that leads to the event in the list. Severity is told by mark and dash as well as by colour.

import { el } from "./dom.js";
import { kind, moment, SEVERITY } from "./format.js";
import { get } from "./net.js";
import { pen, stroke } from "./ink.js";
import { view } from "./view.js";
import { openView } from "./views.js";

const ROOM_PX = 30; // between two numbers
const REST_MS = 400;
const MOST = 1000; // of a stretch; a plot has no room for more
const RANK = { alarm: 0, warning: 1, info: 2 };
const calm = matchMedia("(prefers-reduced-motion: reduce)");

let listed = []; // as the page's list has them
let older = new Map(); // fetched for the stretch in view
let events = []; // both, by time

export function setEvents(list) {
  const first = !listed.length;
  listed = list;
  merge();
  if (first) look(); // the address may ask for a stretch of before
}

// The page's list holds the newest; those of a stretch that it does not reach back to are fetched when the view rests there.
let resting = 0;
let asked = null;
view.onChange(look);

function look() {
  clearTimeout(resting);
  asked?.abort();
  const [from, to] = view.range();
  if (!listed.length || from >= reach()) return;
  resting = setTimeout(() => fetchOlder(from, to), REST_MS);
}

// Active ones are listed however old they are, and say nothing about what else was then.
const reach = () => Math.min(...listed.filter((event) => event.state !== "active").map(timeOf));

async function fetchOlder(from, to) {
  const stamp = (t) => new Date(t * 1000).toISOString();
  const query = new URLSearchParams({ since: stamp(Math.max(0, from)), until: stamp(to), limit: MOST });
  asked = new AbortController();
  try {
    older = new Map((await get(`/api/events?${query}`, asked.signal)).events.map((event) => [event.id, event]));
  } catch {
    return; // the view moved on, or the banner already says that the service is gone
  }
  merge();
}

function merge() {
  const all = new Map([...older, ...listed.map((event) => [event.id, event])]);
  events = [...all.values()].sort((a, b) => timeOf(a) - timeOf(b));
  for (const listener of listeners) listener();
}

// Called when the events changed; gives back what ends it.
const listeners = new Set();
export function onEvents(listener) {
  listeners.add(listener);
  return () => listeners.delete(listener);
}

export const timeOf = (event) => Date.parse(event.onset.latest) / 1000;

// owners: the devices whose events are drawn, and those of their groups and of the service.
function concerns(event, owners) {
  if (event.device !== null) return owners.some((spec) => spec.name === event.device);
  return event.group === null || owners.some((spec) => spec.group === event.group);
}

export function drawEvents(u, owners) {
  const { ctx, bbox } = u;
  const ratio = window.devicePixelRatio || 1;
  const { min, max } = u.scales.x;
  const labels = [];
  for (const event of events) {
    const t = timeOf(event);
    if (t < min || t > max || !concerns(event, owners)) continue;
    const x = Math.round(u.valToPos(t, "x", true));
    const from = Math.max(bbox.left, u.valToPos(Date.parse(event.onset.earliest) / 1000, "x", true));
    ctx.save();
    const colour = pen(`--${event.severity}`);
    ctx.fillStyle = `${colour}2e`;
    ctx.fillRect(from, bbox.top, x - from, bbox.height);
    ctx.strokeStyle = colour;
    ctx.lineWidth = ratio;
    ctx.setLineDash(event.severity === "alarm" ? [] : event.severity === "warning" ? [6 * ratio, 3 * ratio] : [2 * ratio, 3 * ratio]);
    stroke(ctx, x, bbox.top, x, bbox.top + bbox.height);
    ctx.restore();
    labels.push({ event, left: (x - bbox.left) / ratio });
  }
  if (u.flags) placeFlags(u, labels);
}

// Buttons with the numbers of the events, where there is room; the graver one wins. They are made anew only when they change.
function placeFlags(u, labels) {
  const width = u.bbox.width / (window.devicePixelRatio || 1);
  const placed = [];
  for (const label of labels.sort((a, b) => RANK[a.event.severity] - RANK[b.event.severity] || b.event.id - a.event.id))
    if (placed.length < 60 && placed.every((other) => Math.abs(other.left - label.left) > ROOM_PX)) placed.push(label);
  const key = placed.map(({ event }) => `${event.id}.${event.state}`).join();
  if (u.flags.dataset.key !== key) {
    u.flags.dataset.key = key;
    u.flags.replaceChildren(...placed.map(({ event }) => flag(event)));
  }
  for (const [i, { left }] of placed.entries()) {
    const node = u.flags.children[i];
    const side = left > width - 44;
    node.style.left = side ? "" : `${left}px`;
    node.style.right = side ? `${width - left}px` : "";
  }
}

function flag(event) {
  const { mark, word } = SEVERITY[event.severity];
  const label = `${word} ${event.id}, ${kind(event.kind)}, ${moment(timeOf(event) * 1000)}: show in the list`;
  return el(
    "button",
    { type: "button", class: "flag", tabindex: -1, title: label, "aria-label": label, "data-severity": event.severity,
      onclick: () => openEvent(event) },
    `${mark}${event.id}`,
  );
}

// From the plot to the list: that of the newest, asked to show more where it folds the older away, else the whole list in its own view.
export function openEvent(event) {
  const find = () => [...document.querySelectorAll(`li.event[data-id="${Number(event.id)}"]`)].find((item) => item.offsetParent);
  const more = document.getElementById(event.state === "active" ? "active-more" : "more");
  if (!find() && more && !more.hidden) more.click();
  if (find()) arriveAt(find());
  else {
    document.dispatchEvent(new CustomEvent("seek", { detail: event.id })); // history.js, once it has the list
    openView("events");
  }
}

export function arriveAt(item) {
  item.tabIndex = -1;
  item.focus({ preventScroll: true });
  item.scrollIntoView({ block: "center", behavior: calm.matches ? "auto" : "smooth" });
}

// From the list to the plot: the event in the middle of a stretch of at most five minutes, its device in sight.
export function showOnPlot(event) {
  const t = timeOf(event);
  const half = Math.min(view.seconds, 300) / 2;
  view.show(t - half, t + half);
  const owner = document.querySelector(`[data-plots-of="${CSS.escape(event.device ?? `group ${event.group}`)}"]`);
  owner?.focus({ preventScroll: true });
  owner?.scrollIntoView({ block: "center", behavior: calm.matches ? "auto" : "smooth" });
}

// The event after (step 1) or before (step -1) an instant, for the devices of a plot.
export function neighbour(owners, t, step) {
  const own = events.filter((event) => concerns(event, owners));
  const beyond = own.filter((event) => (timeOf(event) - t) * step > 0.001);
  return (step > 0 ? beyond[0] : beyond.at(-1)) ?? null;
}
