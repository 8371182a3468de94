"""Which samples are sent: all, every n-th of each device, or minimum, mean and maximum of each channel per interval.

Deterministic from the order of the numbers alone, so that a repeat gives the same lines; what is under way is part of the state that is
stored with the cursor. An interval begins at a multiple of its length since 1970 (UTC) and is sent when the device's first sample after it
comes. The mean keeps the channel's name, so that the same panel shows both. Status channels (switches, modes, bit fields) have no mean:
their last state is sent. Bad values do not go into the numbers, since one impossible reading would spoil a whole interval; ``quality`` is
the worst of the interval, failed polls included.
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


class Reduction(Protocol):
    """Rows in, lines out."""

    def feed(self, stored: StoredRow, out: list[str]) -> None:
        """Append the lines that this row completes."""
        ...

    @property
    def state(self) -> dict[str, Any]:
        """What is under way; JSON-able."""
        ...


class EverySample:
    """All of them."""

    def __init__(self, lines: SampleLines) -> None:
        self._lines = lines

    def feed(self, stored: StoredRow, out: list[str]) -> None:
        """See `Reduction`."""
        out.append(self._lines.line(stored))

    @property
    def state(self) -> dict[str, Any]:
        """Nothing."""
        return {}


class EveryNth:
    """The first sample of each device, then every n-th."""

    def __init__(self, lines: SampleLines, n: int, state: Mapping[str, Any]) -> None:
        self._lines, self._n = lines, n
        self._passed: dict[str, int] = dict(state)

    def feed(self, stored: StoredRow, out: list[str]) -> None:
        """See `Reduction`."""
        device = stored.layout.spec.name
        passed = self._passed.get(device, 0)
        if passed % self._n == 0:
            out.append(self._lines.line(stored))
        self._passed[device] = (passed + 1) % self._n

    @property
    def state(self) -> dict[str, Any]:
        """Device -> samples since the last one sent."""
        return self._passed


class PerInterval:
    """Minimum, mean and maximum. State per device: head of the line, key of the series, start of the interval, worst quality, and per
    channel either the last state of a status or (minimum, maximum, partial sums, count)."""

    def __init__(self, lines: SampleLines, stamps: Stamps, interval_s: float, state: Mapping[str, Any]) -> None:
        self._lines, self._stamps = lines, stamps
        self._width_ns = round(interval_s * 1e9)
        self._open: dict[str, dict[str, Any]] = {device: dict(bucket) for device, bucket in state.items()}

    def feed(self, stored: StoredRow, out: list[str]) -> None:
        """See `Reduction`."""
        series, device = self._lines.series(stored), stored.layout.spec.name
        start_ns = stored.row.t_utc_ns // self._width_ns * self._width_ns
        bucket = self._open.get(device)
        if bucket is None or bucket["key"] != series.key or bucket["start"] != start_ns:
            if bucket is not None:
                out.append(self._line(bucket))
            bucket = self._open[device] = {"head": series.head, "key": series.key, "start": start_ns, "worst": 0, "channels": {}}
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

    def _line(self, bucket: Mapping[str, Any]) -> str:
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
        return f"{bucket['head']}{','.join(fields)} {self._stamps.unique(bucket['key'], bucket['start'])}"

    @property
    def state(self) -> dict[str, Any]:
        """Device -> the interval under way."""
        return self._open


def make_reduction(lines: SampleLines, stamps: Stamps, every: int, interval_s: float, state: Mapping[str, Any]) -> Reduction:
    """As configured. ``state`` that belongs to another way of reducing must not be given."""
    if interval_s:
        return PerInterval(lines, stamps, interval_s, state)
    return EveryNth(lines, every, state) if every > 1 else EverySample(lines)
