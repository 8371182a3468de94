// The samples of one device for every plot that shows it: fetched for the stretch in view at the resolution of the screen, a request that is
// not wanted any more cut short, and carried on by the stream while the view follows the present.

import { get } from "./net.js";
import { serverNowMs } from "./format.js";
import { MAX_POINTS, Trace } from "./trace.js";
import { view } from "./view.js";

const MOST_POINTS = MAX_POINTS - 200; // room for what the stream adds before the oldest goes
const LEAST_POINTS = 300;
const MARGIN = 0.25; // of the stretch, on both sides of one that stands still: a small move shows what is there
const REST_MS = 120; // a gesture that rests so long is fetched
const BUSY = 429; // too many questions at once from this address: ours is asked again
const AGAIN_MS = 1000;
const LATER_MS = 3000; // after a fault of the service or of the way to it
const AHEAD_S = 5; // of the present: samples that are on their way

export class Samples {
  constructor(spec) {
    this.spec = spec;
    this.trace = new Trace([], spec.period_s);
    this.plots = new Set(); // {names, near, widthPx(), changed()}
    this.later = []; // what came while the answer was on its way
    this.fetching = null; // the request that is on its way
    this.stale = true;
    this.timer = 0;
    this.askedAt = -Infinity;
    this.fault = "";
    this.loaded = false;
    this.unsubscribe = view.onChange(() => this.want());
  }

  end() {
    this.unsubscribe();
    clearTimeout(this.timer);
    this.fetching?.abort();
    this.plots.clear();
  }

  join(plot) {
    this.plots.add(plot);
    this.want();
  }

  leave(plot) {
    this.plots.delete(plot);
  }

  // The stretch, the channels or the size changed: an answer to the old question is not waited for.
  want() {
    this.stale = true;
    this.fetching?.abort();
    clearTimeout(this.timer);
    if (![...this.plots].some((plot) => plot.near && plot.names.length)) return; // fetched when one comes into view
    const rest = performance.now() - this.askedAt > 2 * REST_MS ? 0 : REST_MS;
    this.askedAt = performance.now();
    this.timer = setTimeout(() => this.load(), rest);
  }

  // A plot came into view.
  seen() {
    if (this.stale && !this.fetching) this.want();
  }

  question(names) {
    let [from, to] = view.range();
    const margin = view.following ? 0 : MARGIN * (to - from);
    const widthPx = Math.max(...[...this.plots].filter((plot) => plot.near).map((plot) => plot.widthPx()), LEAST_POINTS);
    const points = Math.round(widthPx * (1 + (2 * margin) / (to - from)));
    from -= margin;
    to = view.following ? serverNowMs() / 1000 + AHEAD_S : to + margin;
    const query = new URLSearchParams({
      device: this.spec.name,
      from: new Date(Math.max(0, from) * 1000).toISOString(),
      to: new Date(to * 1000).toISOString(),
      points: Math.min(MOST_POINTS, points),
    });
    for (const name of names) query.append("channel", name);
    return `/api/samples?${query}`;
  }

  async load() {
    const names = [...new Set([...this.plots].flatMap((plot) => plot.names))];
    const asked = (this.fetching = new AbortController());
    this.later = [];
    this.stale = false;
    try {
      const answer = await get(this.question(names), asked.signal);
      if (asked !== this.fetching) return;
      this.trace.names = names;
      this.trace.fill(answer, this.later);
      this.fault = "";
      this.loaded = true;
    } catch (error) {
      if (asked !== this.fetching || asked.signal.aborted) return;
      const busy = error.status === BUSY;
      if (!busy) this.fault = error.message;
      if (busy || error.status === 0 || error.status >= 500)
        this.timer = setTimeout(() => this.load(), (busy ? AGAIN_MS : LATER_MS) * (1 + Math.random()));
    } finally {
      if (asked === this.fetching) this.fetching = null;
      for (const plot of this.plots) plot.changed(true);
    }
  }

  take(sample) {
    if (!view.following) return;
    const t = Date.parse(sample.t) / 1000;
    const values = {};
    const quality = {};
    for (const plot of this.plots)
      for (const name of plot.names) {
        values[name] = sample.failure ? null : (sample.values[name] ?? null);
        quality[name] = sample.failure || sample.bad?.includes(name) ? 2 : sample.uncertain[name] ? 1 : 0;
      }
    if (this.fetching) this.later.push([t, values, quality]);
    if (this.loaded) this.trace.add(t, values, quality);
    for (const plot of this.plots) plot.changed();
  }
}
