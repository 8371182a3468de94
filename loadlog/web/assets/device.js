// One device: its readings with unit, quality, age, limits and state; the plots hang below (plot.js).

import { el, setText } from "./dom.js";
import { decimals, kind, label, number, oldness, QUALITY, serverNowMs, status, unitOf } from "./format.js";
import { Strips } from "./plot.js";
import { isWatched } from "./watched.js";

const LARGE = ["voltage_v", "current_a", "power_w", "temperature_c"];
const LARGE_UNITS = ["V", "A", "W", "°C"];
const MAX_LARGE = 6;
const LIMIT_WORD = { low_low: "low-low", low: "low", high: "high", high_high: "high-high" };

export class Device {
  constructor(spec) {
    this.spec = spec;
    this.sample = null; // the last one that carried values
    this.last = null; // the last one at all
    this.run = null;
    this.strips = new Strips(spec);
    this.readings = new Map();
    this.root = this.build();
    if (spec.latest) this.take(spec.latest);
    this.tick();
  }

  build() {
    const large = largeChannels(this.spec.channels);
    const rest = this.spec.channels.filter((channel) => !large.includes(channel));
    const id = `device-${this.spec.name}`;
    this.chip = el("p", { class: "chip" }, el("span", { class: "mark", "aria-hidden": "true" }), " ", el("span", { class: "text" }));
    this.age = el("p", { class: "age" });
    this.runLine = el("p", { class: "run" });
    this.fault = el("p", { class: "fault" });
    const facts = [this.spec.role, `bus ${this.spec.bus}`, this.spec.group && `group ${this.spec.group}`].filter(Boolean);
    return el(
      "article",
      { class: "device", "aria-labelledby": id },
      el("header", {}, el("h3", { id }, this.spec.name), el("p", { class: "facts" }, facts.join(" · ")), this.chip, this.age, this.runLine),
      el(
        "div",
        { class: "values" },
        el("dl", { class: "large" }, ...large.map((channel) => this.reading(channel))),
        el("dl", { class: "small" }, ...rest.map((channel) => this.detail(channel))),
        this.fault,
      ),
      this.strips.root,
    );
  }

  reading(channel) {
    const view = {
      channel,
      value: el("span", { class: "value" }, "–"),
      unit: el("span", { class: "unit" }, channel.unit),
      mark: el("span", { class: "mark", "aria-hidden": "true" }),
      word: el("span", { class: "word" }),
      limits: channel.limits ? new LimitBar(channel) : null,
    };
    view.quality = el("span", { class: "quality" }, view.mark, " ", view.word);
    view.root = el(
      "div",
      { class: "reading" },
      el("dt", {}, label(channel)),
      el("dd", {}, el("span", { class: "number" }, view.value, " ", view.unit), view.quality, view.limits?.root ?? null),
    );
    this.readings.set(channel.name, view);
    return view.root;
  }

  detail(channel) {
    const view = { channel, value: el("span", { class: "value" }, "–"), unit: el("span", { class: "unit" }, channel.unit), mark: null };
    view.word = el("span", { class: "word" });
    view.root = el("div", {}, el("dt", {}, detailLabel(channel)), el("dd", {}, view.value, " ", view.unit, " ", view.word));
    this.readings.set(channel.name, view);
    return view.root;
  }

  // Whether that is how the device is still described.
  isOf(spec) {
    return described(spec) === described(this.spec);
  }

  // What came while the page heard nothing.
  renew(spec) {
    if (spec.latest && !(spec.latest.seq <= this.last?.seq)) this.take(spec.latest);
  }

  take(sample) {
    this.last = sample;
    this.run = sample.run;
    if (!sample.failure) this.sample = sample;
    this.strips.samples.take(sample);
    this.stale = true;
  }

  // Writes what changed; called some times a second, however fast samples come.
  draw() {
    if (!this.stale) return;
    this.stale = false;
    const sample = this.sample;
    if (this.last) this.root.dataset.drawn = this.last.t; // up to which sample the page shows
    if (sample) for (const view of this.readings.values()) this.drawChannel(view, sample);
    setText(this.runLine, this.run ? `run ${this.run}` : "no run");
    setText(this.fault, this.last?.failure ? `No reading: ${this.last.detail || kind(this.last.failure)}` : "");
  }

  drawChannel(view, sample) {
    const name = view.channel.name;
    const isNumber = view.channel.kind === "number";
    const value = isNumber ? sample.values[name] : sample.status[name];
    setText(view.value, isNumber ? number(value, decimals(view.channel.resolution)) : this.statusText(name, value));
    setText(view.unit, unitOf(view.channel, sample));
    const reason = sample.uncertain[name];
    const quality = (sample.bad ?? []).includes(name)
      ? "bad"
      : reason
        ? "uncertain"
        : value === null || value === undefined
          ? "none"
          : "good";
    view.root.dataset.quality = quality;
    if (view.mark) setText(view.mark, QUALITY[quality].mark);
    const words = reason ? `${QUALITY[quality].word}: ${kind(reason)}` : QUALITY[quality].word;
    setText(view.word, view.mark ? words : quality === "good" ? "" : `${QUALITY[quality].mark} ${words}`);
    view.limits?.draw(value);
  }

  statusText(name, value) {
    if (name === "mode" && typeof value === "string") return value.toUpperCase();
    if (name !== "sense_remote" || value === undefined) return status(value);
    const now = value ? "remote" : "local";
    return now === this.spec.sense ? `${now}, as wired` : `${now}, wired ${this.spec.sense}`;
  }

  // Age and state move on without samples.
  tick() {
    const state = this.state();
    this.root.dataset.state = state.name;
    setText(this.chip.querySelector(".mark"), state.mark);
    setText(this.chip.querySelector(".text"), state.text);
    setText(this.age, this.sample ? oldness(this.ageS()) : "");
    if (state.old) for (const view of this.readings.values()) outdated(view);
    else if (this.old) this.stale = true; // what was marked old may hold again before the next sample
    this.old = state.old;
  }

  ageS() {
    return (serverNowMs() - Date.parse(this.sample.t)) / 1000;
  }

  state() {
    if (!this.last) return { name: "empty", mark: "◌", text: "no data yet" };
    if (!isWatched()) return { name: "unknown", mark: "◌", text: "not known", old: true };
    if (!this.sample || this.ageS() > Math.max(3, 3.5 * this.spec.period_s)) return { name: "silent", mark: "✕", text: "silent", old: true };
    if (this.sample.status.input_on === false) return { name: "off", mark: "○", text: "input off" };
    if (this.sample.quality !== "good")
      return { name: "doubtful", mark: QUALITY[this.sample.quality].mark, text: `measuring, ${this.sample.quality}` };
    return { name: "good", mark: "●", text: this.sample.status.input_on ? "measuring, input on" : "measuring" };
  }
}

// The limits as a scale with the reading on it, and in words beside it.
class LimitBar {
  constructor(channel) {
    this.limits = channel.limits;
    const given = Object.keys(LIMIT_WORD).filter((key) => typeof this.limits[key] === "number");
    const values = given.map((key) => this.limits[key]);
    const span = Math.max(...values) - Math.min(...values) || Math.abs(values[0]) * 0.2 || 1;
    // A side without a limit reaches to zero or the rating, so that the pointer has somewhere to be.
    const low = Math.min(...values);
    const high = Math.max(...values);
    const lowGiven = given.some((key) => key.startsWith("low"));
    const highGiven = given.some((key) => key.startsWith("high"));
    this.from = lowGiven ? low - span * 0.35 : Math.min(0, low - span);
    this.to = highGiven ? high + span * 0.35 : (channel.rating.high ?? high + span * 3);
    this.pointer = el("span", { class: "pointer", hidden: true });
    const ticks = given.map((key) => {
      const tick = el("span", { class: key.includes("_") ? "tick outer" : "tick" });
      tick.style.left = `${this.place(this.limits[key])}%`;
      return tick;
    });
    const digits = decimals(channel.resolution);
    const text = given.map((key) => `${LIMIT_WORD[key]}\u00a0${trimmed(this.limits[key], digits)}`).join(", ");
    this.root = el(
      "span",
      { class: "limits" },
      el("span", { class: "track", "aria-hidden": "true" }, ...ticks, this.pointer),
      el("span", { class: "words" }, text),
    );
  }

  place(value) {
    return Math.min(100, Math.max(0, ((value - this.from) / (this.to - this.from)) * 100));
  }

  draw(value) {
    const known = Number.isFinite(value);
    this.pointer.hidden = !known;
    if (!known) return;
    this.pointer.style.left = `${this.place(value)}%`;
    const { low_low, low, high, high_high } = this.limits;
    const beyond = (limit, sign) => typeof limit === "number" && sign * (value - limit) > 0;
    const outer = beyond(low_low, -1) || beyond(high_high, 1);
    this.root.dataset.beyond = outer ? "outer" : beyond(low, -1) || beyond(high, 1) ? "inner" : "";
  }
}

// A value that was good is not good any more when nothing follows it.
function outdated(view) {
  view.root.dataset.quality = "old";
  if (view.mark) {
    setText(view.mark, QUALITY.old.mark);
    setText(view.word, QUALITY.old.word);
  } else setText(view.word, `${QUALITY.old.mark} ${QUALITY.old.word}`);
}

const trimmed = (value, digits) => String(Number(value.toFixed(digits))).replace("-", "−");

const described = (spec) => JSON.stringify({ ...spec, latest: null, learned: null });

function detailLabel(channel) {
  if (channel.name === "sense_remote") return "Sense";
  if (channel.name === "input_on") return "Input";
  return label(channel);
}

function largeChannels(channels) {
  const numbers = channels.filter((channel) => channel.kind === "number");
  const first = LARGE.map((name) => numbers.find((channel) => channel.name === name)).filter(Boolean);
  const more = numbers.filter((channel) => !first.includes(channel) && LARGE_UNITS.includes(channel.unit) && channel.name !== "setpoint");
  return [...first, ...more].slice(0, MAX_LARGE);
}
