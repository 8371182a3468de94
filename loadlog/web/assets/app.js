// The live page: wires the stream to the devices, the events and the service line.

import { showAccess } from "./access.js";
import { Device } from "./device.js";
import { byId, el, setText, settings } from "./dom.js";
import { Events, fetchEvents } from "./events.js";
import { clock, isUtc, learnServerTime, moment, serverNowMs, setUtc, zoneName } from "./format.js";
import { GroupPlot, groupsOf } from "./group.js";
import { healthTables, runsLine } from "./health.js";
import { eventsChanged, startHistory } from "./history.js";
import { forgetPens } from "./ink.js";
import { setRunning, startLogbook } from "./logbook.js";
import { get, login, Stream } from "./net.js";
import { showOverview, tickOverview } from "./overview.js";
import { startRuns, takeRuns } from "./runs.js";
import { buildTimebar, draw as drawTimebar, loadRuns } from "./timebar.js";
import { update } from "./update.js";
import { view } from "./view.js";
import { shownView, startViews } from "./views.js";
import { isWatched, setWatched } from "./watched.js";

const LONG_S = 900;
const devices = new Map();
let groups = [];
const events = new Events();
const link = { state: "connecting", since: 0, software: "", outdated: false };
let service = null;
let loadAgain = false;

// ---- what the service says

async function refresh() {
  try {
    const [bench, list] = await Promise.all([get("/api/devices"), fetchEvents(200)]);
    learnServerTime(bench.t);
    showBench(bench);
    events.replace(list.events);
    loadAgain = false;
  } catch {
    loadAgain = true; // the next word from the service tries again
  }
}

function showBench(bench) {
  setText(byId("bench"), bench.bench);
  setText(byId("about"), bench.software);
  const known = [...devices.values()];
  if (known.length && known.length === bench.devices.length && known.every((device, i) => device.isOf(bench.devices[i]))) renew(bench);
  else build(bench);
  loadRuns();
}

// The same devices as before: what has the focus keeps it, and nothing moves.
function renew(bench) {
  for (const spec of bench.devices) devices.get(spec.name).renew(spec);
  loadTraces();
}

function build(bench) {
  for (const plots of allPlots()) plots.end();
  devices.clear();
  for (const spec of bench.devices) devices.set(spec.name, new Device(spec));
  const nodes = [...devices.values()].map((device) => device.root);
  byId("devices").replaceChildren(...(nodes.length ? nodes : [el("p", { class: "empty" }, "No device is configured.")]));
  groups = groupsOf([...devices.values()].map((device) => device.strips.samples)).map((group) => new GroupPlot(...group));
  byId("groups").replaceChildren(...groups.map((group) => group.card));
  for (const device of devices.values()) device.draw();
  showOverview([...devices.values()]);
}

const allPlots = () => [...[...devices.values()].map((device) => device.strips), ...groups];

function loadTraces() {
  for (const device of devices.values()) device.strips.samples.want();
}

const stream = new Stream({
  open(hello) {
    learnServerTime(hello.t);
    const served = `${hello.software} ${hello.page}`; // the page's files may change under one version number
    link.outdated ||= Boolean(link.software) && link.software !== served;
    link.software = served;
    setLink("live");
    if (!hello.resumed || !devices.size) refresh();
  },
  lost() {
    if (link.state === "live" || link.state === "connecting") link.since = serverNowMs();
    setLink("lost");
    checkAccess();
  },
  samples(list) {
    for (const sample of list) devices.get(sample.device)?.take(sample);
    fresh = true;
  },
  events(list) {
    events.take(list);
    eventsChanged();
  },
  service(state) {
    const first = service === null;
    const runs = JSON.stringify((service?.runs ?? []).map((run) => run.id));
    service = state;
    learnServerTime(state.t);
    if (loadAgain || (devices.size && state.devices.join() !== [...devices.keys()].join())) refresh();
    else if (!first && runs !== JSON.stringify(state.runs.map((run) => run.id))) loadRuns();
    showService();
  },
});

// A stream that is refused does not say why; an ordinary request does, and asks for the token.
async function checkAccess() {
  try {
    await get("/api/runs");
  } catch {
    // the banner already says that the service is gone, or that it wants a token
  }
}

document.addEventListener("locked", () => {
  stream.rest();
  setLink("locked");
});
document.addEventListener("login", () => {
  if (link.state === "locked") stream.open();
});

// ---- what the page says

const LINKS = {
  live: ["●", "Live"],
  connecting: ["◌", "Connecting"],
  lost: ["✕", "No connection"],
  locked: ["◌", "Log in to see the bench"],
  unrecorded: ["✕", "No recorder"],
};

// What the page hears of; that nobody records is no less than a lost connection.
function setLink(state) {
  link.state = state;
  showBanners();
}

function showLink() {
  const state = link.state === "live" && !isWatched() ? "unrecorded" : link.state;
  const [mark, text] = LINKS[state];
  document.body.dataset.link = state;
  setText(byId("link").querySelector(".mark"), mark);
  setText(byId("link").querySelector(".text"), text);
}

function showBanners() {
  const recorded = service?.recorder.reachable !== false;
  setWatched(link.state !== "lost" && recorded);
  events.setWatched(isWatched());
  showLink();
  const banners = [];
  if (link.state === "locked") banners.push(["locked", "info", "The bench is shown to those who have its token."]);
  else if (link.state === "lost")
    banners.push(["lost", "alarm", `No connection to the service since ${moment(link.since)}. The values below are old. Trying again.`]);
  else if (!recorded)
    banners.push(["recorder", "alarm", `The recorder does not answer: nothing new is recorded or watched. ${service.recorder.detail}`]);
  if (link.outdated) banners.push(["old", "info", "The service was updated while this page was open."]);
  const key = JSON.stringify(banners);
  if (byId("banners").dataset.key === key) return;
  byId("banners").dataset.key = key;
  byId("banners").replaceChildren(
    ...banners.map(([name, severity, text]) =>
      el(
        "p",
        { class: `banner ${severity}`, role: "alert" },
        el("span", { class: "mark", "aria-hidden": "true" }, severity === "alarm" ? "▲" : "●"),
        el("span", { class: "said" }, text),
        name === "old" ? el("button", { type: "button", onclick: () => location.reload() }, "Reload") : null,
        name === "locked" ? el("button", { type: "button", onclick: () => login("Enter the token of this bench.") }, "Log in") : null,
      ),
    ),
  );
}

function showService() {
  showBanners();
  const runs = runsLine(service.runs);
  byId("running").hidden = !runs.length;
  update(byId("running"), runs);
  takeRuns(service);
  setRunning(service.runs);
  update(byId("health"), healthTables(service));
}

// ---- the reader's choices

function buildZone() {
  const button = byId("zone");
  const show = () => {
    button.setAttribute("aria-pressed", String(isUtc()));
    button.title = isUtc() ? "Times are in UTC" : "Times are in this device's zone";
  };
  button.onclick = () => {
    setUtc(!isUtc());
    show();
    events.draw();
    restyle();
    drawTimebar();
    document.dispatchEvent(new Event("zone"));
    refresh();
  };
  show();
}

function buildCautions() {
  const details = byId("cautions");
  details.open = settings.get("cautions", "open") === "open";
  details.ontoggle = () => settings.set("cautions", details.open ? "open" : "folded");
}

let printing = false;

function restyle() {
  forgetPens();
  for (const plots of allPlots()) plots.restyle();
  for (const plots of allPlots()) plots.draw(printing);
}

// ---- time

const calm = matchMedia("(prefers-reduced-motion: reduce)");
const SOONEST_MS = 150;
const LATEST_MS = 250;
const CALM_MS = 1000;
let drawnAt = 0; // the plots
let shownAt = 0; // the figures
let fresh = false; // samples came that are not on the screen

// What has come is on the screen with the next frame, but never so often that figures cannot be read; without anything new the time goes on.
function frame(now) {
  const come = fresh && now - shownAt >= SOONEST_MS;
  if (come) {
    shownAt = now;
    fresh = false;
    for (const device of devices.values()) device.draw();
  }
  const slow = calm.matches || view.seconds > LONG_S;
  const due = now - drawnAt >= (slow ? CALM_MS : come ? 0 : LATEST_MS);
  if (due) drawnAt = now;
  for (const plots of allPlots()) plots.tick(due);
  requestAnimationFrame(frame);
}

setInterval(() => {
  setText(byId("clock"), `${clock(serverNowMs())} ${zoneName(serverNowMs())}`);
  for (const device of devices.values()) {
    device.draw();
    device.tick();
  }
  tickOverview();
  events.tick();
  const place = shownView().name === "bench" ? "" : `${[shownView().name, shownView().rest].filter(Boolean).join(" ")} · `;
  const unknown = link.state === "locked" || !isWatched() ? "✕ " : "";
  document.title = `${unknown}${events.alarms ? `▲${events.alarms} ` : ""}${place}${byId("bench").textContent} · loadlog`;
}, 250);

// A long span is fetched afresh now and then, so that its buckets stay even.
setInterval(() => {
  if (link.state === "live" && !document.hidden && view.following) loadTraces();
}, 300_000);

document.addEventListener("visibilitychange", () => {
  if (document.hidden) reloadUnseen();
  if (!document.hidden && link.state === "live" && view.following) loadTraces();
});
// A page that is out of date is renewed while nobody looks, unless something is being written in it.
function reloadUnseen() {
  if (link.outdated && link.state === "live" && !document.querySelector("dialog[open]") && !byId("note-text").value) location.reload();
}

matchMedia("(prefers-color-scheme: dark)").addEventListener("change", restyle);

// Paper takes dark ink, whatever the screen has: the charts are drawn anew before, and after.
for (const when of ["beforeprint", "afterprint"])
  addEventListener(when, () => {
    printing = when === "beforeprint";
    document.documentElement.classList.toggle("printing", printing);
    restyle();
  });

buildTimebar();
buildZone();
buildCautions();
showAccess();
startRuns(() => [...devices.keys()]);
startLogbook();
startHistory(() => [...devices.keys()]);
startViews();
stream.open();
requestAnimationFrame(frame);
