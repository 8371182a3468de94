// How far a run that is on has come, in words.

import { count } from "./format.js";

const FEW = 95; // per cent of the readings that the rates make

const SETTLED_S = 60; // before, what is on its way to the disk counts too much

export function readingsOf(run) {
  const { received, expected, elapsed_s: elapsed } = run.progress ?? {};
  if (!expected) return "No reading was due yet";
  const share = Math.min(100, (received / expected) * 100);
  const short = share < FEW && elapsed > SETTLED_S ? "▲ " : "";
  return `${short}${count(received)} of ${count(expected)} readings received (${share.toFixed(1)} %)`;
}
