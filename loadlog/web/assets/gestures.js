// Hands on a plot: wheel, touch and keys move and zoom the view; uPlot itself only draws the stretch a mouse is dragged over.

import { view } from "./view.js";

const LINE_PX = 16; // of a wheel that counts lines
const PINCH_PX = 50; // a trackpad's pinch comes as a wheel with Ctrl and small steps

export function attachHands(u, root) {
  const over = u.over;
  const share = (x) => Math.min(1, Math.max(0, (x - over.getBoundingClientRect().left) / over.clientWidth));
  const held = new Map(); // pointer -> x
  let start = null; // the view and the pointers when the last finger came or went

  over.addEventListener(
    "wheel",
    (event) => {
      const unit = event.deltaMode === 1 ? LINE_PX : 1;
      const sideways = event.shiftKey ? event.deltaX || event.deltaY : event.deltaX;
      if (event.shiftKey || Math.abs(event.deltaX) > Math.abs(event.deltaY)) view.pan((sideways * unit) / over.clientWidth);
      else if (event.ctrlKey || event.metaKey || root.contains(document.activeElement)) {
        const step = event.deltaY * unit;
        view.zoom(Math.exp(step * (event.ctrlKey && Math.abs(step) < PINCH_PX ? 0.01 : 0.002)), share(event.clientX));
      } else return;
      event.preventDefault();
    },
    { passive: false },
  );

  const begin = () => {
    start = held.size ? { range: view.range(), x: [...held.values()].map(share) } : null;
  };
  over.addEventListener("pointerdown", (event) => {
    root.focus({ preventScroll: true });
    if (event.pointerType !== "touch" && !event.shiftKey) return;
    held.set(event.pointerId, event.clientX);
    over.setPointerCapture(event.pointerId);
    begin();
  });
  over.addEventListener("pointermove", (event) => {
    if (!start || !held.has(event.pointerId)) return;
    held.set(event.pointerId, event.clientX);
    const [from, to] = start.range;
    const seconds = to - from;
    const x = [...held.values()].map(share);
    if (x.length === 1) {
      const moved = (start.x[0] - x[0]) * seconds;
      if (Math.abs(start.x[0] - x[0]) * over.clientWidth > 4) view.show(from + moved, to + moved);
    } else if (x.length === 2) {
      const apart = Math.max(0.02, Math.abs(x[1] - x[0]));
      const now = seconds * (Math.max(0.02, Math.abs(start.x[1] - start.x[0])) / apart);
      const middle = from + ((start.x[0] + start.x[1]) / 2) * seconds;
      const left = middle - ((x[0] + x[1]) / 2) * now;
      view.show(left, left + now);
    }
  });
  for (const name of ["pointerup", "pointercancel"])
    over.addEventListener(name, (event) => {
      if (held.delete(event.pointerId)) begin();
    });
  over.addEventListener("dblclick", () => view.back());
}

// hands: {step(direction), event(direction), open()} of the plots that have the focus.
export function attachKeys(root, hands) {
  const keys = {
    ArrowLeft: (event) => (event.shiftKey ? hands.step(-1) : view.pan(-0.25)),
    ArrowRight: (event) => (event.shiftKey ? hands.step(1) : view.pan(0.25)),
    "+": () => view.zoom(0.5),
    "=": () => view.zoom(0.5),
    "-": () => view.zoom(2),
    _: () => view.zoom(2),
    Home: () => view.toStart(),
    End: () => view.follow(),
    Backspace: () => view.back(),
    n: () => hands.event(1),
    p: () => hands.event(-1),
    Enter: () => hands.open(),
  };
  root.addEventListener("keydown", (event) => {
    if (event.target !== root || event.ctrlKey || event.altKey || event.metaKey) return;
    const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
    if (!Object.hasOwn(keys, key)) return;
    event.preventDefault();
    keys[key](event);
  });
}
