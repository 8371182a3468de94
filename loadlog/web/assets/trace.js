// The samples of one device that its plots show: filled by the service's answer, grown by the stream, always bounded.
//
// Columns on one time axis: t in seconds since the epoch (the middle of a bucket), and per channel minimum, mean, maximum and worst quality
// (0 good, 1 uncertain, 2 bad or no reading). Short spans hold raw samples (bucketS 0). Where nothing was recorded an empty column stands
// between, so that no line is drawn across what is not known.

export const MAX_POINTS = 2000; // beyond this the oldest fifth goes
const GAP_PERIODS = 3.5;
const GAP_BUCKETS = 1.6;
const GAP_LEAST_S = 1; // failed polls are columns of their own; less than this is no gap that anybody could see

export class Trace {
  constructor(names, periodS) {
    this.names = names;
    this.periodS = periodS;
    this.clear();
  }

  clear() {
    this.t = [];
    for (const column of ["min", "mean", "max", "quality"]) this[column] = Object.fromEntries(this.names.map((name) => [name, []]));
    this.weight = [];
    this.bucketS = 0;
  }

  // The answer of /api/samples, and after it what the stream brought meanwhile: [t, values, quality] each.
  fill(answer, later) {
    this.clear();
    this.bucketS = answer.bucket_s;
    for (const [i, t] of answer.t_s.entries()) {
      this.bridge(t);
      this.t.push(t);
      this.weight.push(answer.count[i]);
      for (const name of this.names) {
        const { mean, min, max, worst } = answer.channels[name] ?? { mean: [] };
        this.mean[name].push(mean[i] ?? null);
        this.min[name].push((min ?? mean)[i] ?? null);
        this.max[name].push((max ?? mean)[i] ?? null);
        this.quality[name].push(worst?.[i] ?? 0);
      }
    }
    for (const [t, values, quality] of later) if (t > answer.until_s) this.add(t, values, quality);
  }

  // values: name -> number or null; quality: name -> worst, good where it is not named. A sample from before the last column is left out
  // here: it is in the store, and comes with the next answer.
  add(t, values, quality = {}) {
    const last = this.t.length - 1;
    const column = this.bucketS > 0 ? (Math.floor(t / this.bucketS) + 0.5) * this.bucketS : t;
    if (last >= 0 && column < this.t[last]) return;
    if (last >= 0 && column === this.t[last]) this.merge(last, values, quality);
    else {
      this.bridge(column);
      this.push(column, values, quality, 1);
    }
    if (this.t.length > MAX_POINTS) this.dropFirst(Math.floor(MAX_POINTS / 5));
  }

  // An empty column before t where too much time lies between.
  bridge(t) {
    const before = this.t[this.t.length - 1];
    const most = Math.max(GAP_PERIODS * this.periodS, GAP_BUCKETS * this.bucketS, GAP_LEAST_S);
    if (t - before > most) this.push(before + most / 2, {}, {}, 0);
  }

  push(t, values, quality, weight) {
    this.t.push(t);
    this.weight.push(weight);
    for (const name of this.names) {
      for (const column of [this.min, this.mean, this.max]) column[name].push(values[name] ?? null);
      this.quality[name].push(quality[name] ?? 0);
    }
  }

  merge(i, values, quality) {
    const weight = (this.weight[i] += 1);
    for (const name of this.names) {
      this.quality[name][i] = Math.max(this.quality[name][i], quality[name] ?? 0);
      const value = values[name] ?? null;
      if (value === null) continue;
      const mean = this.mean[name][i];
      this.min[name][i] = mean === null ? value : Math.min(this.min[name][i], value);
      this.max[name][i] = mean === null ? value : Math.max(this.max[name][i], value);
      this.mean[name][i] = mean === null ? value : mean + (value - mean) / weight;
    }
  }

  dropFirst(count) {
    const columns = [this.t, this.weight, ...[this.min, this.mean, this.max, this.quality].flatMap((column) => Object.values(column))];
    for (const column of columns) column.splice(0, count);
  }

  // Whether anything was dropped.
  dropBefore(t) {
    let count = 0;
    while (count < this.t.length && this.t[count] < t) count += 1;
    if (count <= 50) return false;
    this.dropFirst(count - 1);
    return true;
  }

  // The column nearest to t, or -1 where none is near enough to speak for that moment. reachS: what the eye cannot tell apart.
  nearest(t, reachS = 0) {
    let low = 0;
    let high = this.t.length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (this.t[middle] < t) low = middle + 1;
      else high = middle;
    }
    if (low > 0 && (low === this.t.length || t - this.t[low - 1] < this.t[low] - t)) low -= 1;
    const far = Math.max(GAP_PERIODS * this.periodS, this.bucketS, GAP_LEAST_S, reachS);
    return low < this.t.length && Math.abs(this.t[low] - t) <= far ? low : -1;
  }

  get empty() {
    return this.t.length === 0;
  }
}
