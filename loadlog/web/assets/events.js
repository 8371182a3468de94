// The lists of events: active ones first by severity, then recent ones; acknowledging; announcing new alarms to screen readers.

import { byId, el, setText, settings } from "./dom.js";
import { duration, interval, isUtc, kind, moment, prose, serverNowMs, SEVERITY } from "./format.js";
import { get, post } from "./net.js";
import { inView } from "./views.js";
import { setEvents, showOnPlot } from "./flags.js";

const RANK = { alarm: 0, warning: 1, info: 2 };
const KEPT = 400;
const SHOWN = 8;
const SHOWN_MORE = 100;
const SHOWN_ACTIVE = 4; // a storm leaves the devices in reach
const SETTLE_MS = 700;
const MOST_ACTIVE = 1000;

// The newest, and every active one however old: what came later does not crowd out what is still wrong.
export async function fetchEvents(limit) {
  const newest = await get(`/api/events?limit=${limit}`);
  const open = newest.truncated ? (await get(`/api/events?active=true&limit=${MOST_ACTIVE}`)).events : [];
  const all = new Map([...open, ...newest.events].map((event) => [event.id, event]));
  return { events: [...all.values()].sort((a, b) => a.id - b.id), truncated: newest.truncated };
}

export class Events {
  constructor() {
    this.byId = new Map();
    this.known = false; // nothing is announced for what was already there
    this.shown = SHOWN;
    this.watched = true;
    byId("more").onclick = () => {
      this.shown = this.shown === SHOWN ? SHOWN_MORE : SHOWN;
      this.draw();
    };
    this.allActive = false;
    byId("active-more").onclick = () => {
      this.allActive = !this.allActive;
      this.draw();
    };
    byId("ack-cancel").onclick = () => byId("ack").close();
  }

  // The whole list as the service has it.
  replace(list) {
    const announce = this.known;
    const old = this.byId;
    this.byId = new Map(list.map((event) => [event.id, event]));
    this.known = true;
    if (announce) for (const event of list) if (!old.has(event.id)) this.announce(event);
    this.draw();
  }

  take(list) {
    for (const event of list) {
      if (!this.byId.has(event.id)) this.announce(event);
      this.byId.set(event.id, event);
    }
    const all = [...this.byId.values()].sort((a, b) => b.id - a.id);
    for (const event of all.slice(KEPT)) if (event.state !== "active") this.byId.delete(event.id);
    this.draw();
  }

  // Whether anybody would tell: a list that is empty while nobody watches says nothing about the bench.
  setWatched(watched) {
    if (watched === this.watched) return;
    this.watched = watched;
    if (this.known) this.draw();
  }

  announce(event) {
    const where = event.severity === "alarm" ? "announce-alarm" : event.severity === "warning" ? "announce" : null;
    if (where)
      setText(byId(where), `${SEVERITY[event.severity].word}: ${kind(event.kind)}, ${event.device ?? "service"}. ${event.message}`);
  }

  active() {
    const list = [...this.byId.values()].filter((event) => event.state === "active");
    return list.sort((a, b) => a.acknowledged - b.acknowledged || RANK[a.severity] - RANK[b.severity] || b.id - a.id);
  }

  draw() {
    const all = [...this.byId.values()].sort((a, b) => b.id - a.id);
    setEvents(all);
    const active = this.active();
    const none = this.watched ? "Nothing active." : "Not known: nobody is watching the bench.";
    fill(byId("active"), this.allActive ? active : active.slice(0, SHOWN_ACTIVE), none, true);
    byId("active-more").hidden = active.length <= SHOWN_ACTIVE;
    setText(byId("active-more"), this.allActive ? `Show the first ${SHOWN_ACTIVE} only` : `Show all ${active.length} active events`);
    setText(byId("active-brief").firstChild, brief(active) || none);
    const past = all.filter((event) => event.state !== "active");
    fill(byId("recent"), past.slice(0, this.shown), "No events recorded yet.", false);
    byId("more").hidden = past.length <= SHOWN;
    setText(byId("more"), this.shown === SHOWN ? `Show more (${Math.min(past.length, SHOWN_MORE) - SHOWN})` : "Show fewer");
    const alarms = active.filter((event) => event.severity === "alarm" && !event.acknowledged).length;
    this.alarms = alarms;
    byId("active").closest("section").dataset.worst = active.length
      ? active.reduce((worst, e) => (RANK[e.severity] < RANK[worst] ? e.severity : worst), "info")
      : "none";
  }

  tick() {
    for (const node of document.querySelectorAll("[data-since]"))
      setText(node, duration((serverNowMs() - Number(node.dataset.since)) / 1000));
  }
}

// Beside the views that have no room for the list.
function brief(active) {
  const parts = Object.entries(SEVERITY).map(([severity, { mark, word }]) => {
    const open = active.filter((event) => event.severity === severity);
    const waiting = open.filter((event) => !event.acknowledged).length;
    const count = `${mark}\u00a0${open.length}\u00a0${word.toLowerCase()}${open.length > 1 ? "s" : ""}`;
    const asked = waiting && waiting < open.length ? `${waiting} not acknowledged` : waiting ? "not acknowledged" : "acknowledged";
    return open.length ? `${count}, ${asked}` : "";
  });
  return parts.filter(Boolean).join("; ");
}

// Items are kept by key, and where they are, so that the focus and an open detail survive an update. What was not listed fades in.
function fill(list, events, emptyText, open) {
  const present = new Map([...list.children].map((node) => [node.dataset.key, node]));
  const listed = new Set([...list.children].map((node) => node.dataset.id));
  const nodes = events.map((event) => {
    const key = keyOf(event);
    if (present.has(key)) return present.get(key);
    const node = item(event, key, open);
    if (!listed.has(String(event.id))) node.classList.add("fresh");
    return node;
  });
  if (!nodes.length) {
    const empty = present.get("empty") ?? el("li", { class: "empty", "data-key": "empty" });
    setText(empty, emptyText);
    nodes.push(empty);
  }
  const focused = document.activeElement?.closest?.("li")?.dataset.id;
  if (nodes.length !== list.children.length || nodes.some((node, i) => node !== list.children[i])) {
    for (const node of [...list.children]) if (!nodes.includes(node)) node.remove();
    nodes.forEach((node, i) => node !== list.children[i] && list.insertBefore(node, list.children[i] ?? null));
    if (focused && !list.contains(document.activeElement)) list.querySelector(`li[data-id="${Number(focused)}"] button`)?.focus();
  }
}

// The same while the item says the same.
const keyOf = (event) =>
  `${isUtc()}.${event.id}.${event.state}.${event.acknowledged}.${event.message}.${event.confidence}`;

export function item(event, key, open) {
  const severity = SEVERITY[event.severity];
  const head = el(
    "p",
    { class: "head" },
    el("span", { class: "mark", "aria-hidden": "true" }, severity.mark),
    el("span", { class: "severity" }, severity.word),
    el("b", {}, kind(event.kind)),
    el("span", { class: "device-name" }, event.device ?? (event.group ? `group ${event.group}` : "service")),
    el("span", { class: "number" }, `#${event.id}`),
    plotButton(event),
  );
  const times = el("p", { class: "times" }, el("span", {}, `Began ${interval(event.onset)}`), state(event), sureness(event));
  return el(
    "li",
    {
      class: "event",
      "data-key": key,
      "data-id": event.id,
      "data-severity": event.severity,
      "data-acknowledged": String(event.acknowledged),
    },
    head,
    el("p", { class: "message" }, prose(event.message)),
    times,
    acknowledgement(event, open),
  );
}

export function plotButton(event) {
  const what = `Show ${kind(event.kind)} number ${event.id} on the plot`;
  return el("button", { type: "button", class: "to-plot", "aria-label": what, title: what, onclick: () => inView("bench", () => showOnPlot(event)) }, "On the plot");
}

function state(event) {
  if (event.state === "active")
    return el(
      "span",
      {},
      "active for ",
      el("span", { "data-since": Date.parse(event.onset.latest) }, duration((serverNowMs() - Date.parse(event.onset.latest)) / 1000)),
    );
  if (!event.cleared || event.cleared === event.onset.latest) return null;
  return el("span", {}, `cleared ${moment(Date.parse(event.cleared))}`);
}

function sureness(event) {
  if (event.confidence >= 0.995) return null;
  const others = Object.entries(event.alternatives).map(([name, p]) => `${kind(name)} ${p.toFixed(2)}`);
  return el("span", {}, `probability ${event.confidence.toFixed(2)}${others.length ? `, else ${others.join(", ")}` : ""}`);
}

function acknowledgement(event, open) {
  if (event.acknowledged) {
    const by = event.acknowledged_by ? ` by ${event.acknowledged_by}` : "";
    const at = event.evidence.acknowledged_at ? ` at ${moment(Date.parse(event.evidence.acknowledged_at))}` : "";
    return el(
      "p",
      { class: "acknowledged" },
      el("span", { "aria-hidden": "true" }, "✓ "),
      `Acknowledged${by}${at}${event.note ? `: ${event.note}` : ""}`,
    );
  }
  if (!open && event.severity === "info") return null;
  return el(
    "button",
    {
      type: "button",
      class: "ack",
      onclick: () => ask(event),
      "aria-label": `Acknowledge ${kind(event.kind)} ${event.device ?? ""} number ${event.id}`,
    },
    "Acknowledge",
  );
}

// The button that was pressed is gone with the acknowledgement: the focus goes on in the same event.
function refocus(event) {
  if (document.activeElement !== document.body) return;
  [...document.querySelectorAll(`li[data-id="${event.id}"] button`)].find((button) => button.offsetParent)?.focus();
}

function ask(event) {
  const dialog = byId("ack");
  setText(byId("ack-what"), `${kind(event.kind)}, ${event.device ?? "service"}: ${event.message}`);
  setText(byId("ack-fault"), "");
  byId("ack-by").value = settings.get("name", "");
  byId("ack-note").value = "";
  dialog.querySelector("form").onsubmit = async (submit) => {
    submit.preventDefault();
    const by = byId("ack-by").value.trim();
    settings.set("name", by);
    dialog.onclose = () => setTimeout(() => refocus(event), SETTLE_MS);
    try {
      await post(`/api/events/${event.id}/ack`, { by, note: byId("ack-note").value.trim() });
      dialog.close();
    } catch (error) {
      setText(byId("ack-fault"), error.message);
    }
  };
  dialog.showModal();
}
