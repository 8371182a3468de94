// The samples of one device that its plots show: filled by the service's answer, grown by the stream, always bounded.
//
// Columns on one time axis: t in seconds since the epoch (the middle of a bucket), and per channel minimum, mean and maximum. Short spans hold
// raw samples (bucketS 0).

const MAX_POINTS = 2600; // beyond this the oldest fifth goes, or the caller fetches afresh

export class Trace {
  constructor(names) {
    this.names = names;
    this.clear();
  }

  clear() {
    this.t = [];
    this.min = Object.fromEntries(this.names.map((name) => [name, []]));
    this.mean = Object.fromEntries(this.names.map((name) => [name, []]));
    this.max = Object.fromEntries(this.names.map((name) => [name, []]));
    this.weight = [];
    this.bucketS = 0;
  }

  // The answer of /api/samples, and after it what the stream brought meanwhile.
  fill(answer, later) {
    this.clear();
    this.bucketS = answer.bucket_s ?? 0;
    this.t = answer.t_s;
    this.weight = answer.count;
    for (const name of this.names) {
      const channel = answer.channels[name];
      const mean = channel?.mean ?? this.t.map(() => null);
      this.mean[name] = mean;
      this.min[name] = channel?.min ?? mean.slice();
      this.max[name] = channel?.max ?? mean.slice();
    }
    for (const [t, values] of later) if (t > answer.until_s) this.add(t, values);
  }

  // values: name -> number or null. A sample from before the last column is left out here: it is in the store, and comes with the next answer.
  add(t, values) {
    const last = this.t.length - 1;
    const column = this.bucketS > 0 ? (Math.floor(t / this.bucketS) + 0.5) * this.bucketS : t;
    if (last >= 0 && column < this.t[last]) return;
    if (last >= 0 && column === this.t[last]) this.merge(last, values);
    else this.push(column, values);
    if (this.t.length > MAX_POINTS) this.dropFirst(Math.floor(MAX_POINTS / 5));
  }

  push(t, values) {
    this.t.push(t);
    this.weight.push(1);
    for (const name of this.names) {
      const value = values[name] ?? null;
      this.min[name].push(value);
      this.mean[name].push(value);
      this.max[name].push(value);
    }
  }

  merge(i, values) {
    const weight = (this.weight[i] += 1);
    for (const name of this.names) {
      const value = values[name] ?? null;
      if (value === null) continue;
      const mean = this.mean[name][i];
      this.min[name][i] = mean === null ? value : Math.min(this.min[name][i], value);
      this.max[name][i] = mean === null ? value : Math.max(this.max[name][i], value);
      this.mean[name][i] = mean === null ? value : mean + (value - mean) / weight;
    }
  }

  dropFirst(count) {
    for (const column of [this.t, this.weight, ...Object.values(this.min), ...Object.values(this.mean), ...Object.values(this.max)])
      column.splice(0, count);
  }

  dropBefore(t) {
    let count = 0;
    while (count < this.t.length && this.t[count] < t) count += 1;
    if (count > 50) this.dropFirst(count - 1);
  }

  get empty() {
    return this.t.length === 0;
  }
}
