// Starting a run or a plan, stopping a run. Every change is asked for in a dialog; the service judges, and its refusal is shown there.

import { field, openDialog } from "./dialog.js";
import { el } from "./dom.js";
import { duration, moment, serverNowMs, stretch } from "./format.js";
import { post, Refusal } from "./net.js";

const NAME = /^[A-Za-z0-9][A-Za-z0-9._-]{0,62}$/;
const PLAIN = { autocomplete: "off", autocapitalize: "off", spellcheck: "false" };
const UNITS_S = { s: 1, m: 60, min: 60, h: 3600, d: 86400 };

// "12h", "90 min", "1h30min" -> seconds, as the command line takes it; nothing: until it is stopped.
export function seconds(text) {
  const given = text.replaceAll(/\s/g, "");
  if (!given) return 0;
  const parts = [...given.matchAll(/(\d+(?:\.\d+)?)(min|[smhd])/g)];
  if (!parts.length || parts.map((part) => part[0]).join("") !== given)
    throw new Refusal(0, `"${text}" is no duration such as 45min, 12h or 2d.`, "duration_s");
  return parts.reduce((sum, [, number, unit]) => sum + Number(number) * UNITS_S[unit], 0);
}

// devices: names of the bench; runs: those that are on.
export function askStart(devices, runs, after) {
  const busy = new Map(runs.flatMap((run) => run.devices.map((device) => [device, run.id])));
  const boxes = devices.map((name) => {
    const run = busy.get(name);
    const box = el("input", { type: "checkbox", name: "device", value: name, checked: !run, disabled: Boolean(run) });
    return el("label", { class: "check" }, box, " ", name, run ? el("span", { class: "quiet" }, ` in run ${run}`) : null);
  });
  const parts = [
    field("Name", el("input", { name: "name", required: true, maxlength: 63, ...PLAIN }), "letters, digits, . _ -"),
    field("Duration", el("input", { name: "duration_s", placeholder: "12h", ...PLAIN }), "45min, 12h, 2d; empty: until it is stopped"),
    el("fieldset", {}, el("legend", {}, "Devices"), ...boxes),
    el("label", { class: "check" }, el("input", { type: "checkbox", name: "keep" }), " keep: its recording is never removed by itself"),
  ];
  openDialog({
    title: "Start a run",
    action: "Start",
    parts,
    async submit(form) {
      const chosen = [...form.querySelectorAll("[name=device]:checked")].map((box) => box.value);
      if (!chosen.length) throw new Refusal(0, "Choose at least one device.", "device");
      const { name, duration_s: length, keep } = form.elements;
      if (!NAME.test(name.value.trim())) throw new Refusal(0, "A name has letters, digits, . _ - and begins with a letter or digit.", "name");
      await post("/api/runs", { name: name.value.trim(), devices: chosen, duration_s: seconds(length.value), keep: keep.checked });
      after();
    },
  });
}

export function askStartPlan(plan, after) {
  const length = plan.duration_s ? `for ${stretch(plan.duration_s)}` : "until it is stopped";
  openDialog({
    title: `Start plan ${plan.name} now?`,
    action: "Start now",
    parts: [el("p", {}, `A run of ${plan.devices.join(", ")} ${length}.${plan.next_start ? " Its next start by itself stays." : ""}`)],
    async submit() {
      await post(`/api/plans/${encodeURIComponent(plan.name)}/start`);
      after();
    },
  });
}

export function askStop(run, after) {
  const planned = run.planned_s ? ` of ${stretch(run.planned_s)}` : "";
  const length = duration((serverNowMs() - Date.parse(run.started)) / 1000);
  const what = `On for ${length}${planned}. The recording ends; the load is not switched off.`;
  openDialog({
    title: `Stop run ${run.id}?`,
    action: "Stop the run",
    danger: true,
    parts: [el("p", {}, what), field("Reason", el("input", { name: "reason", maxlength: 200 }), "kept with the run")],
    async submit(form) {
      const reason = form.elements.reason.value.trim();
      await post(`/api/runs/${encodeURIComponent(run.id)}/stop`, { reason: reason || "stopped on the page" });
      after();
    },
  });
}

export function planTimes(plan) {
  if (plan.next_start) return `next start ${moment(Date.parse(plan.next_start))}`;
  if (plan.at) return `its start was ${moment(Date.parse(plan.at))}`;
  return "starts by order only";
}
