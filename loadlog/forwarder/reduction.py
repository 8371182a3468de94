"""Which samples are sent where not all are: every n-th of each device, or minimum, mean and maximum of each channel per interval.

Deterministic from the order of the numbers alone, so that a repeat gives the same lines; what is under way is part of the state that is
stored with the cursor. Samples of one series come in their order; those of a run and of the time before or after it lie in different
recordings, and may come a commit too early or too late against each other. So everything here is counted per series.

An interval begins at a multiple of its length since 1970 (UTC) and is sent when its series goes on after it, or when the device is in
another run since `LATE_NS`. The mean keeps the channel's name, so that the same panel shows both. Status channels (switches, modes, bit
fields) have no mean: their last state is sent. Bad values do not go into the numbers, since one impossible reading would spoil a whole
interval; ``quality`` is the worst of the interval, failed polls included.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Protocol

from loadlog.forwarder import naming
from loadlog.forwarder.lines import SampleLines, fresh_counts, value_of
from loadlog.forwarder.stamps import Stamps
from loadlog.store.follower import StoredRow
from loadlog.store.rows import parse_marks

LATE_NS = 10_000_000_000  # how much later than another recording's a commit may become readable
SERIES_KEPT = 256


class Reduction(Protocol):
    """Rows in, lines out."""

    def feed(self, stored: StoredRow, out: list[str]) -> None:
        """Append the lines that this row completes."""
        ...

    @property
    def state(self) -> dict[str, Any]:
        """What is under way; JSON-able."""
        ...


class EveryNth:
    """The first sample of each device in each run, then every n-th."""

    def __init__(self, lines: SampleLines, n: int, state: Mapping[str, Any]) -> None:
        self._lines, self._n = lines, n
        self._passed: dict[str, int] = dict(state)

    def feed(self, stored: StoredRow, out: list[str]) -> None:
        """See `Reduction`."""
        series = self._lines.series(stored.layout, stored.run).key
        passed = self._passed.get(series, 0)
        if passed % self._n == 0:
            out.append(self._lines.line(stored))
        self._passed[series] = (passed + 1) % self._n
        if len(self._passed) > SERIES_KEPT:
            del self._passed[next(iter(self._passed))]

    @property
    def state(self) -> dict[str, Any]:
        """Series -> samples since the last one sent."""
        return self._passed


class PerInterval:
    """Minimum, mean and maximum. State per device and series: head of the line, start of the interval, worst quality, and per channel
    either the last state of a status or (minimum, maximum, partial sums, count)."""

    def __init__(self, lines: SampleLines, stamps: Stamps, interval_s: float, state: Mapping[str, Any]) -> None:
        self._lines, self._stamps = lines, stamps
        self._width_ns = round(interval_s * 1e9)
        self._open: dict[str, dict[str, dict[str, Any]]] = {device: dict(series) for device, series in state.items()}

    def feed(self, stored: StoredRow, out: list[str]) -> None:
        """See `Reduction`."""
        series, device = self._lines.series(stored.layout, stored.run), stored.layout.spec.name
        start_ns = stored.row.t_utc_ns // self._width_ns * self._width_ns
        under_way = self._open.setdefault(device, {})
        bucket = under_way.get(series.key)
        if bucket is None or bucket["start"] != start_ns:
            if bucket is not None:
                out.append(self._line(series.key, bucket))
            bucket = under_way[series.key] = {"head": series.head, "start": start_ns, "worst": 0, "channels": {}}
        if len(under_way) > 1:
            self._end_others(under_way, series.key, stored.row.t_utc_ns, out)
        bucket["worst"] = max(bucket["worst"], stored.row.quality)
        self._add(stored, bucket["channels"])

    @staticmethod
    def _add(stored: StoredRow, channels: dict[str, Any]) -> None:
        bad = frozenset[str]() if stored.row.marks is None else parse_marks(stored.row.marks).bad
        for spec, count in zip(stored.layout.spec.channels, fresh_counts(stored.layout, stored.row), strict=False):
            if count is None:
                continue
            if spec.kind != "number":
                channels[spec.name] = float(int(count))
                continue
            value = value_of(spec.scale, spec.sentinels, count)
            if value is None or spec.name in bad:
                continue
            known = channels.get(spec.name)
            if known is None:
                channels[spec.name] = [value, value, value, 0.0, 1]
            else:
                total = known[2] + value
                # Neumaier's compensated sum, so that the mean of a long interval does not depend on its length
                known[3] += (known[2] - total) + value if abs(known[2]) >= abs(value) else (value - total) + known[2]
                known[:3] = [min(known[0], value), max(known[1], value), total]
                known[4] += 1

    def _end_others(self, under_way: dict[str, dict[str, Any]], going_on: str, t_utc_ns: int, out: list[str]) -> None:
        """Runs of the same device that are over."""
        for key in [k for k, b in under_way.items() if k != going_on and b["start"] + self._width_ns + LATE_NS <= t_utc_ns]:
            out.append(self._line(key, under_way.pop(key)))

    def _line(self, key_of_series: str, bucket: Mapping[str, Any]) -> str:
        fields = []
        for name, known in bucket["channels"].items():
            key = naming.key(name)
            if isinstance(known, float):
                fields.append(f"{key}={known!r}")
                continue
            low, high, total, rest, count = known
            mean = (total + rest) / count
            if math.isfinite(mean):
                fields.append(f"{key}={mean!r},{key}{naming.MINIMUM}={low!r},{key}{naming.MAXIMUM}={high!r}")
        fields.append(f"quality={bucket['worst']}i")
        return f"{bucket['head']}{','.join(fields)} {self._stamps.unique(key_of_series, bucket['start'])}"

    @property
    def state(self) -> dict[str, Any]:
        """Device -> series -> the interval under way."""
        return self._open


def make_reduction(
    lines: SampleLines, stamps: Stamps, every: int, interval_s: float, state: Mapping[str, Any]
) -> Reduction | None:  # fmt: skip
    """As configured; None when every sample is sent. ``state`` that belongs to another way of reducing must not be given."""
    if interval_s:
        return PerInterval(lines, stamps, interval_s, state)
    return EveryNth(lines, every, state) if every > 1 else None
