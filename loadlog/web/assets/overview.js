// All devices at a glance: state, values with unit and quality, limits, age, run and sense state. A tile leads to its device below.

import { byId, el, setText } from "./dom.js";
import { decimals, label, number, oldness, QUALITY, unitOf } from "./format.js";

const VALUES = ["voltage_v", "current_a", "power_w", "temperature_c"];
const MOST = 4;
const tiles = new Map();

// The devices of the page, in order; a single one needs no overview.
export function showOverview(devices) {
  tiles.clear();
  for (const device of devices) tiles.set(device, new Tile(device));
  byId("overview").replaceChildren(...[...tiles.values()].map((tile) => tile.root));
  byId("overview-section").hidden = devices.length < 2;
  tickOverview();
}

export function tickOverview() {
  for (const tile of tiles.values()) tile.draw();
}

class Tile {
  constructor(device) {
    this.device = device;
    const { spec } = device;
    this.mark = el("span", { class: "mark", "aria-hidden": "true" });
    this.word = el("span", { class: "text" });
    const open = el("button", { type: "button", class: "name", title: `Show ${spec.name} with its plots` }, spec.name);
    open.onclick = () => {
      const heading = byId(`device-${spec.name}`);
      heading.tabIndex = -1;
      heading.scrollIntoView();
      heading.focus({ preventScroll: true });
    };
    const channels = chosen(spec.channels);
    const alike = (unit) => channels.filter((channel) => channel.unit === unit).length > 1;
    this.values = channels.map((channel) => new Value(channel, alike(channel.unit)));
    this.age = el("span", {});
    this.run = el("span", {});
    this.sense = el("span", { class: "sense" });
    this.fault = el("p", { class: "fault" });
    this.root = el(
      "li",
      { class: "tile" },
      el("p", { class: "head" }, open, " ", el("span", { class: "chip" }, this.mark, " ", this.word)),
      el("ul", { class: "values-line" }, ...this.values.map((value) => value.root)),
      el("p", { class: "facts" }, this.age, this.run, this.sense),
      this.fault,
    );
  }

  draw() {
    const { device } = this;
    const state = device.state();
    this.root.dataset.state = state.name;
    setText(this.mark, state.mark);
    setText(this.word, state.text);
    for (const value of this.values) value.draw(device.sample, state.old);
    setText(this.age, device.sample ? oldness(device.ageS()) : "");
    setText(this.run, device.run ? `run ${device.run}` : "no run");
    const sense = device.sample?.status.sense_remote;
    const known = typeof sense === "boolean";
    const wrong = known && device.spec.sense && (sense ? "remote" : "local") !== device.spec.sense;
    this.sense.dataset.wrong = String(Boolean(wrong));
    setText(this.sense, known ? `${wrong ? "▲ " : ""}sense ${device.statusText("sense_remote", sense)}` : "");
    setText(this.fault, state.name === "silent" && device.last?.failure ? device.last.detail || "no reading" : "");
  }
}

class Value {
  // named: several values have that unit, which alone does not tell them apart
  constructor(channel, named) {
    this.channel = channel;
    this.number = el("b", {}, "–");
    this.unit = el("span", { class: "unit" }, channel.unit);
    this.note = el("span", { class: "note" });
    this.root = el("li", {}, el("span", { class: named ? "quiet" : "unseen" }, `${label(channel)} `), this.number, " ", this.unit, " ", this.note);
  }

  draw(sample, old) {
    const { name, resolution } = this.channel;
    const value = sample?.values[name];
    setText(this.number, number(value, decimals(resolution)));
    setText(this.unit, unitOf(this.channel, sample));
    const notes = [qualityNote(sample, name, old), beyond(this.channel.limits, value)].filter(Boolean);
    setText(this.note, notes.join(", "));
    this.root.dataset.worry = String(notes.length > 0);
  }
}

// Good is the rule and says so to screen readers by silence; all else is a mark with a word.
function qualityNote(sample, name, old) {
  if (!sample) return ""; // the chip says that there is nothing
  const bad = (sample.bad ?? []).includes(name);
  const quality = bad ? QUALITY.bad : sample.uncertain[name] ? QUALITY.uncertain : old ? QUALITY.old : null;
  return quality ? `${quality.mark} ${quality.word}` : "";
}

function beyond(limits, value) {
  if (!limits || !Number.isFinite(value)) return "";
  for (const [key, sign, word] of [
    ["high_high", 1, "above high-high"],
    ["low_low", -1, "below low-low"],
    ["high", 1, "above high"],
    ["low", -1, "below low"],
  ])
    if (typeof limits[key] === "number" && sign * (value - limits[key]) > 0) return `▲ ${word}`;
  return "";
}

function chosen(channels) {
  const numbers = channels.filter((channel) => channel.kind === "number" && channel.name !== "setpoint");
  const first = VALUES.map((name) => numbers.find((channel) => channel.name === name)).filter(Boolean);
  return [...first, ...numbers.filter((channel) => !first.includes(channel) && channel.unit === "°C")].slice(0, MOST);
}
