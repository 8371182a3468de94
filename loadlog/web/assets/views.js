// Which view is shown: the part of the address behind "#", so that the browser's back button, bookmarks and links work.

const VIEWS = ["bench", "events", "runs", "logbook", "service"];
const listeners = new Set();
let shown = { name: "", rest: "" };

export const shownView = () => shown;

// Called with the view and what stands behind it in the address (#runs/soak-0001), at once and on each change.
export function onView(listener) {
  listeners.add(listener);
  if (shown.name) listener(shown);
}

export const addressOf = (name, rest = "") => `#${name}${rest ? `/${encodeURIComponent(rest)}` : ""}`;

export function openView(name, rest = "") {
  location.hash = addressOf(name, rest);
}

// Does something in a view that may have to be opened for it.
export function inView(name, then) {
  if (shown.name === name) {
    then();
    return;
  }
  addEventListener("hashchange", then, { once: true });
  openView(name);
}

function follow(first) {
  const [address] = location.hash.slice(1).split("&"); // behind it: what the plots show (view.js)
  const [name, rest = ""] = address.split("/");
  if (!VIEWS.includes(name) && !first) return; // a link within the page
  let behind = "";
  try {
    behind = decodeURIComponent(rest);
  } catch {
    // an address that somebody cut: the view without it
  }
  shown = { name: VIEWS.includes(name) ? name : VIEWS[0], rest: behind };
  document.body.dataset.shown = shown.name;
  for (const view of document.querySelectorAll("[data-view]")) view.hidden = view.dataset.view !== shown.name;
  for (const link of document.querySelectorAll("#views a")) {
    if (link.hash === addressOf(shown.name)) link.setAttribute("aria-current", "page");
    else link.removeAttribute("aria-current");
  }
  for (const listener of listeners) listener(shown);
  if (!first) arrive();
}

// Who uses a keyboard or a screen reader goes on where the new view begins.
function arrive() {
  scrollTo(0, 0);
  document.querySelector(`[data-view="${shown.name}"] [data-start]:not([hidden] *)`)?.focus({ preventScroll: true });
}

export function startViews() {
  addEventListener("hashchange", () => follow(false));
  follow(true);
}
