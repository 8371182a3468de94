// The logbook: notes of runs and of the time between them, newest first; writing one.

import { byId, el, setText, settings } from "./dom.js";
import { moment } from "./format.js";
import { get, post } from "./net.js";
import { update } from "./update.js";
import { addressOf, onView, shownView } from "./views.js";

const AGAIN_MS = 5000;
const BETWEEN = "";
let notes = [];
let truncated = false;
let runs = []; // that are on

export function startLogbook() {
  byId("note-filter").onchange = draw;
  const form = byId("note-form");
  byId("note-author").value = settings.get("name", "");
  form.onsubmit = async (event) => {
    event.preventDefault();
    await write();
  };
  onView(({ name }) => {
    if (name === "logbook") load();
  });
  setInterval(() => {
    if (shownView().name === "logbook" && !document.hidden) load();
  }, AGAIN_MS);
  document.addEventListener("zone", draw);
}

// The runs that are on: notes can be written into them.
export function setRunning(list) {
  const ids = list.map((run) => run.id);
  if (ids.join() === runs.join() && byId("note-where").options.length) return;
  runs = ids;
  const chosen = byId("note-where").value;
  const first = byId("note-where").options.length ? chosen : (ids[0] ?? BETWEEN);
  byId("note-where").replaceChildren(...options([[BETWEEN, "the bench, between runs"], ...ids.map((id) => [id, `run ${id}`])]));
  byId("note-where").value = ids.includes(first) ? first : BETWEEN;
}

async function write() {
  const author = byId("note-author").value.trim();
  const where = byId("note-where").value;
  settings.set("name", author);
  byId("note-send").disabled = true;
  setText(byId("note-fault"), "");
  setText(byId("note-done"), "");
  try {
    await post(where === BETWEEN ? "/api/notes" : `/api/runs/${encodeURIComponent(where)}/notes`, { text: byId("note-text").value, author });
    byId("note-text").value = "";
    setText(byId("note-done"), "Written.");
    setTimeout(load, 300);
  } catch (error) {
    setText(byId("note-fault"), error.message);
    byId("note-text").focus();
  } finally {
    byId("note-send").disabled = false;
  }
}

async function load() {
  try {
    const answer = await get("/api/notes?limit=500");
    notes = answer.notes.reverse();
    truncated = answer.truncated;
  } catch (error) {
    if (!notes.length) byId("notes").replaceChildren(el("li", { class: "empty" }, error.message));
    return;
  }
  drawFilter();
  draw();
}

function drawFilter() {
  const named = [...new Set(notes.map((note) => note.run).filter(Boolean))];
  const filter = byId("note-filter");
  const key = named.join();
  if (filter.dataset.key === key) return;
  filter.dataset.key = key;
  const chosen = filter.options.length ? filter.value : "*";
  filter.replaceChildren(...options([["*", "everything"], [BETWEEN, "the bench, between runs"], ...named.map((id) => [id, `run ${id}`])]));
  filter.value = ["*", BETWEEN, ...named].includes(chosen) ? chosen : "*";
}

function draw() {
  const filter = byId("note-filter").value;
  const chosen = notes.filter((note) => filter === "*" || (note.run ?? BETWEEN) === filter);
  const items = chosen.map((note) =>
    el(
      "li",
      { class: "note-item", "data-key": note.seq },
      el(
        "p",
        { class: "times" },
        el("time", { datetime: note.t }, moment(Date.parse(note.t))),
        el("b", {}, note.author || "unnamed"),
        note.run ? el("a", { href: addressOf("runs", note.run) }, `run ${note.run}`) : el("span", {}, "between runs"),
      ),
      el("p", { class: "words" }, note.text),
    ),
  );
  if (truncated && filter === "*") items.push(el("li", { class: "empty" }, "Older notes: loadlog run show RUN"));
  update(byId("notes"), items.length ? items : [el("li", { class: "empty" }, notes.length ? "None of these." : "Nothing was noted yet.")]);
}

const options = (pairs) => pairs.map(([value, text]) => el("option", { value }, text));
