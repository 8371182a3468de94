// Every event, newest first, to be filtered and acknowledged: what the bench's short list of recent events has no room for.

import { byId, el, setText } from "./dom.js";
import { fetchEvents, item } from "./events.js";
import { arriveAt } from "./flags.js";
import { update } from "./update.js";
import { onView, shownView } from "./views.js";

const FETCHED = 2000;
const STEP = 50;
const REST_MS = 400;
let list = [];
let truncated = false;
let shown = STEP;
let waiting = 0;
let names = () => [];
let sought = null; // number of an event to go to, once the list is there

export function startHistory(deviceNames) {
  names = deviceNames;
  byId("events-filter").onchange = () => {
    shown = STEP;
    draw();
  };
  byId("events-filter").onsubmit = (event) => event.preventDefault();
  byId("events-more").onclick = () => {
    shown += STEP;
    draw();
  };
  onView(({ name }) => {
    if (name === "events") load();
  });
  document.addEventListener("zone", draw);
  document.addEventListener("seek", ({ detail }) => {
    sought = detail;
  });
}

// Something began, ended or was acknowledged.
export function eventsChanged() {
  if (shownView().name !== "events") return;
  clearTimeout(waiting);
  waiting = setTimeout(load, REST_MS);
}

async function load() {
  try {
    const answer = await fetchEvents(FETCHED);
    list = answer.events.reverse();
    truncated = answer.truncated;
  } catch (error) {
    setText(byId("events-count"), error.message);
    return;
  }
  drawDevices();
  draw();
  seek();
}

function seek() {
  const place = list.findIndex((event) => event.id === sought);
  sought = null;
  if (place < 0) return;
  byId("events-filter").reset();
  shown = Math.max(shown, place + 1);
  draw();
  arriveAt(byId("events-all").children[place]);
}

function drawDevices() {
  const known = [...new Set([...names(), ...list.map((event) => event.device).filter(Boolean)])];
  const select = byId("events-device");
  const chosen = select.value;
  update(
    select,
    ["", ...known].map((name) => el("option", { value: name, "data-key": `device ${name}` }, name || "all")),
  );
  select.value = known.includes(chosen) ? chosen : "";
}

// What only informs, and is over, needs nobody.
const asksForAck = (event) => event.severity !== "info" || event.state === "active";

function draw() {
  const [severity, device, state] = ["severity", "device", "state"].map((what) => byId(`events-${what}`).value);
  const chosen = list.filter(
    (event) =>
      (!severity || event.severity === severity) &&
      (!device || event.device === device) &&
      (!state || (state === "active" ? event.state === "active" : !event.acknowledged && asksForAck(event))),
  );
  const nodes = chosen.slice(0, shown).map((event) => item(event, `event ${event.id}`, asksForAck(event)));
  update(byId("events-all"), nodes.length ? nodes : [el("li", { class: "empty" }, list.length ? "None of these." : "No events recorded yet.")]);
  setText(byId("events-count"), `${chosen.length} of ${list.length}${truncated ? " newest" : ""} events`);
  byId("events-more").hidden = chosen.length <= shown;
}
