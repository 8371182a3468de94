// The post-mortem of a run: verdict, what happened first, acceptance, timeline as a partial order, health of the data, figures, notes.

import { byId, el, setText } from "./dom.js";
import { plotButton } from "./events.js";
import { count, duration, inZone, kind, label, moment, number, prose, SEVERITY, stretch } from "./format.js";
import { get } from "./net.js";
import { shownView } from "./views.js";

const WAIT_S = 4;
const WORDS = { held: "✓", "did not hold": "✕", "cannot be judged": "~", "going on": "▶" };
const DECISIONS = { pass: "✓", fail: "✕" };
const SPARSE = 0.95;
const MOST = 300; // events; the download has all
let asked = 0;
let shown = null; // the review on the screen
let wanted = "";

// Asks until the service has it; another run, or another view, ends that.
export async function showReview(id) {
  const mine = (asked += 1);
  const current = () => mine === asked && shownView().rest === id;
  if (wanted !== id) {
    shown = null;
    wanted = id;
    setText(byId("review-title"), `Review of run ${id}`);
    byId("review-body").replaceChildren(el("p", { class: "empty", role: "status" }, "Reading the recording."));
  }
  try {
    for (;;) {
      const answer = await get(`${pathOf(id)}?wait_s=${WAIT_S}`);
      if (!current()) return;
      if (answer.state !== "working") {
        shown = answer;
        break;
      }
      drawWorking(answer);
    }
    draw();
  } catch (error) {
    if (current()) byId("review-body").replaceChildren(el("p", { class: "fault", role: "alert" }, `✕ ${error.message}`), retry(id));
  }
}

document.addEventListener("zone", () => {
  if (shown) draw();
});

const pathOf = (id) => `/api/runs/${encodeURIComponent(id)}/review`;
const retry = (id) => el("button", { type: "button", onclick: () => showReview(id) }, "Try again");

function drawWorking({ done, total, before }) {
  const text = before
    ? `${before} other ${before === 1 ? "run is" : "runs are"} reviewed first.`
    : `Reading the recording: ${count(done)} of ${count(total)} samples.`;
  byId("review-body").replaceChildren(
    el("p", { class: "empty", role: "status" }, text),
    el("progress", { max: 1, value: total ? done / total : null, "aria-label": "samples read" }),
  );
}

function draw() {
  const run = shown;
  const events = new Map(run.events.map((event) => [event.id, event]));
  byId("review-body").replaceChildren(
    el(
      "p",
      { class: "verdict", "data-word": run.verdict.word },
      el("span", { class: "mark", "aria-hidden": "true" }, WORDS[run.verdict.word] ?? "●"),
      " ",
      spoken(run.verdict.sentence),
    ),
    el("p", { class: "times" }, ...lasting(run)),
    el(
      "p",
      { class: "buttons" },
      el("a", { class: "button", href: `${pathOf(run.run)}.html`, download: `${run.run}.html` }, "Download with plots (HTML)"),
    ),
    ...firstCauses(run, events),
    ...acceptance(run),
    ...timeline(run, events),
    ...health(run),
    ...channels(run),
    ...notes(run),
  );
}

function lasting(run) {
  const from = Date.parse(run.started);
  const to = run.ended ? Date.parse(run.ended) : null;
  const planned = run.planned_s ? ` of ${stretch(run.planned_s)} planned` : "";
  return [
    el("span", {}, `Started ${moment(from)}`),
    el("span", {}, to ? `ended ${moment(to)} after ${duration((to - from) / 1000)}${planned}: ${run.end_reason}` : run.planned_s ? `not ended, ${stretch(run.planned_s)} planned` : "not ended"),
    el("span", {}, run.software),
  ];
}

// ---- what happened first

function firstCauses(run, events) {
  const first = run.verdict.first.map((id) => events.get(id)).filter(Boolean);
  const body = first.length ? first.map(cause) : [el("p", { class: "quiet" }, "No warning or alarm about the bench.")];
  const doubt = first.length > 1 ? [el("p", {}, "The onsets overlap: which of these came first was not measured.")] : [];
  return section("What happened first", ...doubt, ...body);
}

function cause(event) {
  const { brief = [], whole = [] } = shown.evidence?.[event.id] ?? {};
  const others = Object.entries(event.alternatives).sort((a, b) => b[1] - a[1]);
  return el(
    "div",
    { class: "event", "data-severity": event.severity },
    headOf(event),
    el("p", { class: "message" }, prose(event.message)),
    el("p", { class: "times" }, onset(event)),
    el(
      "p",
      {},
      `Probability ${event.confidence.toFixed(2)}`,
      others.length ? `, else ${others.map(([name, p]) => `${kind(name)} ${p.toFixed(2)}`).join(", ")}` : "; nothing else was in question",
    ),
    brief.length ? el("p", {}, el("span", { class: "quiet" }, "Evidence: "), prose(brief.join(", "))) : null,
    whole.length > brief.length
      ? el("details", {}, el("summary", {}, "All that was measured"), el("ul", { class: "plain" }, ...whole.map((piece) => el("li", {}, piece))))
      : null,
  );
}

function headOf(event) {
  const { mark, word } = SEVERITY[event.severity];
  return el(
    "p",
    { class: "head" },
    el("span", { class: "mark", "aria-hidden": "true" }, mark),
    el("span", { class: "severity" }, word),
    el("b", {}, kind(event.kind)),
    where(event),
    el("span", { class: "number" }, `#${event.id}`),
  );
}

const where = (event) => el("span", {}, event.device ?? (event.group ? `group ${event.group}` : "service"));

const plain = (value) => String(Number(value.toPrecision(6))).replace("-", "−");

// Least, mean and greatest with the digits of the readings, so that they can be compared down the column.
function alike([least, mean, greatest]) {
  const digits = Math.max(...[least, greatest].map((value) => /\.(\d+)$/.exec(String(Number((value ?? 0).toPrecision(6))))?.[1].length ?? 0));
  return [least, mean, greatest].map((value) => number(value, digits));
}

function onset(event) {
  const from = Date.parse(event.onset.earliest);
  const to = Date.parse(event.onset.latest);
  return to - from < 10 ? `began at ${moment(to, true)}` : `began between ${moment(from, true)} and ${moment(to, true)}`;
}

// ---- acceptance

function acceptance(run) {
  const { limits, reason } = run.acceptance;
  if (!limits.length) return [];
  const items = limits.map((limit) =>
    el(
      "li",
      { class: "card" },
      el(
        "p",
        { class: "head" },
        el("span", { class: "decision", "data-decision": limit.decision }, `${DECISIONS[limit.decision] ?? "~"} ${limit.decision}`),
        el("b", {}, `${limit.device} ${label({ name: limit.channel, unit: limit.figure.unit }).toLowerCase()}, ${kind(limit.statistic)}`),
      ),
      el("p", { class: "times" }, el("span", {}, `asked ${asking(limit)}`), el("span", {}, `found ${figure(limit.figure)}`)),
      limit.decision in DECISIONS && limit.figure.low === undefined ? null : el("p", {}, spoken(limit.reason)), // else the figures say it all
    ),
  );
  const more = limits.some((limit) => limit.reason === reason) ? null : el("p", {}, spoken(reason));
  return section("Acceptance limits", more, el("ul", { class: "cards" }, ...items));
}

// A sentence that was written for every medium, with kinds and channels as they are called on the page.
function spoken(text) {
  let said = text;
  for (const { kind: name } of shown.events) said = said.replaceAll(name, kind(name));
  for (const { channels } of shown.devices)
    for (const { channel, unit } of channels) said = said.replaceAll(` ${channel} `, ` ${label({ name: channel, unit }).toLowerCase()} `);
  return prose(inZone(said));
}

function asking({ low, high, figure: { unit } }) {
  if (low === null) return `at most ${plain(high)} ${unit}`;
  return high === null ? `at least ${plain(low)} ${unit}` : `${plain(low)} to ${plain(high)} ${unit}`;
}

function figure(found) {
  if (found.value === null) return "–";
  const sure = found.uncertainty === null ? "" : ` ± ${Number((2 * found.uncertainty).toPrecision(2))}`;
  const digits = found.uncertainty ? Math.min(9, Math.max(0, 1 - Math.floor(Math.log10(2 * found.uncertainty)))) : null;
  const value = digits === null ? plain(found.value) : found.value.toFixed(digits).replace("-", "−");
  return `${value}${sure} ${found.unit}${sure ? " (k = 2)" : ""}`;
}

// ---- timeline

function timeline(run, events) {
  if (!run.timeline.length) return section("Timeline", el("p", { class: "quiet" }, "No events."));
  const from = Date.parse(run.started);
  const items = run.timeline.slice(0, MOST).map((placed) => {
    const event = events.get(placed.event);
    const after = (Date.parse(event.onset.latest) - from) / 1000;
    const open = placed.unordered_with.map((id) => `#${id}`).join(", ");
    return el(
      "li",
      { class: "event", "data-severity": event.severity },
      headOf(event),
      el("p", { class: "message" }, prose(event.message)),
      el(
        "p",
        { class: "times" },
        el("span", {}, after >= 0 ? `${duration(after)} after the start` : "before the start"),
        el("span", {}, onset(event)),
        event.cleared && event.cleared !== event.onset.latest ? el("span", {}, `cleared ${moment(Date.parse(event.cleared))}`) : null,
        plotButton(event),
        open ? el("span", { class: "unordered" }, `~ not ordered against ${open}`) : null,
      ),
    );
  });
  const doubt = run.timeline.some((placed) => placed.unordered_with.length)
    ? [el("p", { class: "quiet" }, "~ The onsets overlap: which came first was not measured.")]
    : [];
  const more = run.timeline.length - items.length;
  const rest = more > 0 ? el("p", { class: "quiet" }, `${more} more; the download has them.`) : null;
  return section("Timeline", ...doubt, el("ol", { class: "events" }, ...items), rest);
}

// ---- health of the data, figures, notes

function health(run) {
  const rows = run.devices.map((device) => {
    const found = run.health[device.device];
    const share = found?.answered_share ?? null;
    const short = share !== null && share < SPARSE;
    return [
      device.device,
      share === null ? "–" : `${short ? "▲ " : ""}${(share * 100).toFixed(1)} %`,
      `${count(device.polls - device.failed)} of ${count(device.expected)}`,
      count(device.failed),
      found ? `${found.gap_count}, ${duration(found.gaps_s)}` : "–",
      found && Number.isFinite(found.lateness_s?.p99) ? `${(found.lateness_s.p99 * 1000).toFixed(1)} ms` : "–",
    ];
  });
  const gaps = run.gaps.map((text) => el("li", {}, inZone(text)));
  return section(
    "Health of the data",
    table("Health of the data", ["Device", "Answered", "Readings", "Failed polls", "Gaps", "Late, p99"], rows),
    el("p", { class: "quiet legend" }, "Late, p99: 99 of 100 polls began at most so long after their deadline."),
    gaps.length ? el("ul", { class: "plain" }, ...gaps) : null,
  );
}

function channels(run) {
  const rows = run.devices.flatMap((device) =>
    device.channels.map((channel) => [
      `${device.device} ${label({ name: channel.channel, unit: channel.unit }).toLowerCase()}`,
      ...alike([channel.minimum, channel.mean, channel.maximum]),
      channel.unit,
      channel.worst,
    ]),
  );
  const head = ["Channel", "Minimum", "Mean", "Maximum", "Unit", "Worst quality"];
  return rows.length ? section("Channels over the run", table("Channels", head, rows), el("p", { class: "quiet legend" }, "Of every reading, doubtful ones too. A failed poll counts as bad.")) : [];
}

function notes(run) {
  const items = run.notes.map((note) =>
    el(
      "li",
      { class: "note-item" },
      el("p", { class: "times" }, el("span", {}, moment(Date.parse(note.t))), el("b", {}, note.author || "unnamed")),
      el("p", { class: "words" }, note.text),
    ),
  );
  return items.length ? section("Notes", el("ul", { class: "cards" }, ...items)) : [];
}

const section = (title, ...parts) => [el("h3", {}, title), ...parts.filter(Boolean)];

function table(name, head, rows) {
  const body = rows.map(([first, ...cells]) => el("tr", {}, el("th", { scope: "row" }, first), ...cells.map((cell) => el("td", {}, cell))));
  return el(
    "div",
    { class: "scroll", tabindex: "0", role: "region", "aria-label": name },
    el("table", {}, el("thead", {}, el("tr", {}, ...head.map((text) => el("th", { scope: "col" }, text)))), el("tbody", {}, ...body)),
  );
}
