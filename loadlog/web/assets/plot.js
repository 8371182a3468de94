// The plots of one device, voltage, current, temperature one above the other; and what they share with those of a group (group.js).

import { DASHES } from "./chart.js";
import { el, setText } from "./dom.js";
import { neighbour, onEvents, openEvent, timeOf } from "./flags.js";
import { label } from "./format.js";
import { attachKeys } from "./gestures.js";
import { pen } from "./ink.js";
import { Panel } from "./panel.js";
import { Samples } from "./samples.js";
import { view } from "./view.js";

const PANELS = [
  { unit: "V", title: "Voltage", colour: "--volt" },
  { unit: "A", title: "Current", colour: "--amp" },
  { unit: "°C", title: "Temperature", colour: "--heat" },
];
const NEAR = "300px"; // plots so far below the window are fetched already

// Panels on one axis that have the focus together. Subclasses give `panels` and `sources` (Samples).
export class Plots {
  constructor(name, owners) {
    this.name = name;
    this.owners = owners;
    this.panels = [];
    this.sources = [];
    this.near = false; // fetched
    this.visible = false; // drawn
    this.dirty = true;
    this.answered = false;
    this.event = null; // where the keys went last
    this.empty = el("p", { class: "empty" }, "Fetching samples.");
    this.spoken = el("p", { class: "unseen", role: "status" });
    this.root = el(
      "div",
      {
        class: "strips", tabindex: 0, role: "application", "aria-label": `Plots of ${name}`, "aria-describedby": "plot-help",
        "data-plots-of": name,
      },
      this.empty, this.spoken,
    );
    attachKeys(this.root, { step: (way) => this.step(way), event: (way) => this.goToEvent(way), open: () => this.event && openEvent(this.event) });
    this.watchers = [
      new IntersectionObserver((seen) => this.approached(seen.at(-1).isIntersecting), { rootMargin: NEAR }),
      new IntersectionObserver((seen) => this.shown(seen.at(-1).isIntersecting)),
      new ResizeObserver(() => this.resize()),
    ];
    for (const watcher of this.watchers) watcher.observe(this.root);
    const draw = () => this.draw(); // what is there is shown at once; what it lacks is on its way
    const mark = () => {
      this.dirty = true;
    };
    this.subscriptions = [view.onChange(draw), onEvents(mark)];
  }

  // The plots are taken off the page; their charts leave the shared cursor.
  end() {
    for (const watcher of this.watchers) watcher.disconnect();
    for (const unsubscribe of this.subscriptions) unsubscribe();
    this.restyle();
  }

  widthPx() {
    return Math.max(200, this.root.clientWidth - 66) * Math.min(2, window.devicePixelRatio || 1);
  }

  approached(near) {
    this.near = near;
    if (near) for (const source of this.sources) source.seen();
  }

  shown(visible) {
    this.visible = visible;
    this.dirty = true;
    this.draw();
  }

  // answered: by the service, so that there is more to see than one sample more.
  changed(answered = false) {
    this.dirty = true;
    this.answered ||= answered;
    const fault = this.sources.map((source) => source.fault).find(Boolean);
    const loaded = this.sources.every((source) => source.loaded);
    setText(this.empty, fault ?? (loaded ? "No samples in this span." : "Fetching samples."));
    this.empty.hidden = !this.isEmpty;
  }

  get isEmpty() {
    return this.panels.every((panel) => panel.empty);
  }

  // due: whether it is time to move on with the present.
  tick(due) {
    if (this.answered || (view.following ? due : this.dirty)) this.draw();
  }

  // unseen: also what is out of sight, for paper.
  draw(unseen = false) {
    if (!(this.visible || unseen) || document.hidden) return;
    const [from, to] = view.range();
    if (view.following) for (const { trace } of this.sources) this.dirty = trace.dropBefore(from) || this.dirty;
    this.empty.hidden = !this.isEmpty;
    for (const panel of this.panels) panel.draw(from, to, this.dirty);
    this.dirty = this.answered = false;
  }

  resize() {
    if (!this.root.clientWidth) return; // another view is shown
    for (const panel of this.panels) panel.resize();
  }

  restyle() {
    for (const panel of this.panels) panel.restyle();
    this.dirty = true;
  }

  step(way) {
    this.panels.find((panel) => !panel.empty)?.step(way);
    // the other panels' cursors follow in a task of their own
    setTimeout(() => setText(this.spoken, this.panels.map((panel) => panel.words()).filter(Boolean).join("; ")), 0);
  }

  goToEvent(way) {
    const [from, to] = view.range();
    const inView = this.event && timeOf(this.event) >= from && timeOf(this.event) <= to;
    const found = neighbour(this.owners, inView ? timeOf(this.event) : way > 0 ? from : to, way);
    setText(this.spoken, found ? `${found.kind.replaceAll("_", " ")}: ${found.message}` : "No further event.");
    if (!found) return;
    this.event = found;
    const half = (to - from) / 2;
    view.show(timeOf(found) - half, timeOf(found) + half);
  }
}

export class Strips extends Plots {
  constructor(spec) {
    super(spec.name, [spec]);
    this.samples = new Samples(spec);
    this.sources = [this.samples];
    const numbers = spec.channels.filter((channel) => channel.kind === "number" && channel.name !== "setpoint");
    this.panels = PANELS.map((panel) => ({ ...panel, channels: numbers.filter((channel) => channel.unit === panel.unit) }))
      .filter(({ channels }) => channels.length)
      .map((panel) => this.panel(panel));
    this.names = this.panels.flatMap((panel) => panel.lines.map((line) => line.channel.name));
    for (const panel of this.panels) panel.axis = panel === this.panels.at(-1);
    this.root.append(...this.panels.map((panel) => panel.root));
    if (!this.panels.length) setText(this.empty, "This device has no voltage, current or temperature to plot.");
    this.samples.join(this);
  }

  panel({ title, unit, colour, channels }) {
    const lines = channels.map((channel, i) => ({
      spec: this.owners[0], channel, samples: this.samples, label: label(channel), colourName: colour, colour: () => pen(colour),
      dash: DASHES[i % DASHES.length],
    }));
    const heights = (width) => (width < 500 ? 84 : 96);
    return new Panel({ title, unit, name: this.name, lines, root: this.root, owners: this.owners, heights });
  }

  end() {
    super.end();
    this.samples.end();
  }
}
