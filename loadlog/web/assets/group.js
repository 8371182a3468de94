// The plot of a group: one quantity of all its devices, each line with a colour, a dash and a name of its own.

import { DASHES } from "./chart.js";
import { el, settings } from "./dom.js";
import { label } from "./format.js";
import { pen } from "./ink.js";
import { Panel } from "./panel.js";
import { Plots } from "./plot.js";

const QUANTITIES = new Map([
  ["V", "Voltage"],
  ["A", "Current"],
  ["W", "Power"],
  ["°C", "Temperature"],
  ["Ω", "Resistance"],
  ["A·h", "Charge"],
  ["W·h", "Energy"],
  ["rpm", "Fan speed"],
]);
const COLOURS = 8; // in the style, --line-0 and so on; told apart by colour-blind readers

// The groups of a bench that have something to lay over each other: [name, its Samples].
export function groupsOf(allSamples) {
  const groups = new Map();
  for (const samples of allSamples) {
    const { group } = samples.spec;
    if (group) groups.set(group, [...(groups.get(group) ?? []), samples]);
  }
  return [...groups].filter(([, members]) => members.length > 1);
}

export class GroupPlot extends Plots {
  constructor(group, members) {
    super(`group ${group}`, members.map((samples) => samples.spec));
    this.group = group;
    this.sources = members;
    this.shares = members.map((samples) => this.share(samples));
    const units = [...QUANTITIES.keys()].filter((unit) => members.some(({ spec }) => channelsOf(spec, unit).length));
    const kept = settings.get(`quantity.${group}`, "V");
    this.unit = units.includes(kept) ? kept : units[0];
    const options = units.map((unit) => el("option", { value: unit, selected: unit === this.unit }, QUANTITIES.get(unit)));
    const id = `group-${group}`;
    this.card = el(
      "article",
      { class: "device group", "aria-labelledby": id },
      el(
        "header",
        {},
        el("h3", { id }, `Group ${group}`),
        el("p", { class: "facts" }, members.map(({ spec }) => spec.name).join(" · ")),
        el("select", { "aria-label": `Quantity of group ${group}`, onchange: (event) => this.choose(event.target.value) }, ...options),
      ),
      this.root,
    );
    this.build();
    for (const [i, samples] of members.entries()) samples.join(this.shares[i]);
  }

  // What this plot wants of one device.
  share(samples) {
    const plots = this;
    return {
      get names() {
        return channelsOf(samples.spec, plots.unit).map((channel) => channel.name);
      },
      get near() {
        return plots.near;
      },
      widthPx: () => plots.widthPx(),
      changed: (answered) => plots.changed(answered),
    };
  }

  choose(unit) {
    this.unit = unit;
    settings.set(`quantity.${this.group}`, unit);
    this.build();
    for (const samples of this.sources) samples.want();
  }

  build() {
    for (const panel of this.panels) {
      panel.restyle();
      panel.root.remove();
    }
    const lines = this.sources.flatMap((samples) => channelsOf(samples.spec, this.unit).map((channel, _i, all) => ({ samples, channel, all })));
    const panel = new Panel({
      title: QUANTITIES.get(this.unit),
      unit: this.unit,
      name: this.name,
      root: this.root,
      owners: this.owners,
      heights: (width) => (width < 500 ? 180 : 240),
      lines: lines.map(({ samples, channel, all }, i) => ({
        spec: samples.spec, samples, channel,
        label: all.length > 1 ? `${samples.spec.name} ${label(channel).toLowerCase()}` : samples.spec.name,
        colourName: `--line-${i % COLOURS}`, colour: () => pen(`--line-${i % COLOURS}`),
        dash: DASHES[(i + Math.floor(i / COLOURS)) % DASHES.length],
      })),
    });
    this.panels = [panel];
    this.root.append(panel.root);
    this.dirty = true;
  }

  end() {
    super.end();
    for (const [i, samples] of this.sources.entries()) samples.leave(this.shares[i]);
  }
}

const channelsOf = (spec, unit) =>
  spec.channels.filter((channel) => channel.kind === "number" && channel.unit === unit && channel.name !== "setpoint");
