"""Samples, events and health as line protocol. Deterministic: the same stored row gives the same line, so a repeat changes nothing.

Every channel is a float, status channels too (a field that is an integer once and a float later is refused by the server for good);
``quality`` and counts are integers. A channel that the instrument did not give in this poll (held, absent, not a number) is left out; bad
values are sent, marked by ``quality``; a failed poll is a point with ``quality`` alone. Floats are written with `repr`, the shortest text
that reads back as the same double.

Readings are quantised, so the same texts come again and again: each channel keeps the text of its recent counts, which saves two thirds of
the time.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from operator import getitem
from typing import Any

from loadlog.forwarder import naming
from loadlog.forwarder.stamps import Stamps
from loadlog.model.device import ChannelSpec
from loadlog.model.event import Event, EventState
from loadlog.store.follower import StoredRow
from loadlog.store.rows import Layout, Row, parse_marks

TEXTS_KEPT = 2048  # per channel
MS = 1_000_000


class _Texts(dict[int | str | None, str]):
    """Count -> ``name=value`` of one channel, made when it is asked for; empty where there is nothing to send."""

    __slots__ = ("_prefix", "_scale", "_sentinels")

    def __init__(self, spec: ChannelSpec) -> None:
        super().__init__({None: ""})
        self._prefix = f"{naming.key(spec.name)}="
        self._scale = spec.scale
        self._sentinels = spec.sentinels if spec.kind == "number" else frozenset[int]()

    def __missing__(self, count: int | str) -> str:
        if len(self) >= TEXTS_KEPT:
            self.clear()
            self[None] = ""
        value = value_of(self._scale, self._sentinels, count)
        made = self[count] = "" if value is None else f"{self._prefix}{value!r},"
        return made


def value_of(scale: Any, sentinels: frozenset[int], count: int | str) -> float | None:
    """The reading of a stored count, None where the instrument said "no value" or no double holds it."""
    number = int(count)
    if number in sentinels:
        return None
    try:
        value: float = scale.value(number)
    except OverflowError:
        return None
    return value


class SeriesName:
    """The series of one device in one run, as it begins its lines."""

    __slots__ = ("head", "key", "texts")

    def __init__(self, bench: str, layout: Layout, run: str | None) -> None:
        device = layout.spec
        values = (bench, device.name, device.role, run or naming.NONE)
        tags = ",".join(f"{tag}={naming.key(value)}" for tag, value in zip(naming.SAMPLE_TAGS, values, strict=True))
        self.head = f"{naming.measurement(device.role)},{tags} "
        self.key = f"{device.name}/{run or naming.NONE}"
        self.texts = [_Texts(spec) for spec in device.channels]


class SampleLines:
    """Lines of stored rows, each with a stamp of its own."""

    def __init__(self, bench: str, stamps: Stamps) -> None:
        self._bench, self._stamps = bench, stamps
        self._series: dict[tuple[int, str | None], tuple[Layout, SeriesName]] = {}

    def series(self, layout: Layout, run: str | None) -> SeriesName:
        """The series of a device in a run."""
        identity = (id(layout), run)
        known = self._series.get(identity)
        if known is None:
            if len(self._series) >= 256:
                self._series.clear()
            # the layout is kept with it, so that its identity is not given to another one
            known = self._series[identity] = (layout, SeriesName(self._bench, layout, run))
        return known[1]

    def line(self, stored: StoredRow) -> str:
        """Without the line break."""
        series, row = self.series(stored.layout, stored.run), stored.row
        counts = row.counts if row.held is None and row.marks is None else fresh_counts(stored.layout, row)
        fields = "".join(map(getitem, series.texts, counts))
        return f"{series.head}{fields}quality={row.quality}i {self._stamps.unique(series.key, row.t_utc_ns)}"


def fresh_counts(layout: Layout, row: Row) -> tuple[int | str | None, ...]:
    """The counts that were read in this poll; None for the others."""
    if row.failure is not None:
        return ()
    mask = 0 if row.held is None else int(row.held)
    absent = frozenset[str]() if row.marks is None else parse_marks(row.marks).absent
    return tuple(None if mask >> i & 1 or layout.names[i] in absent else count for i, count in enumerate(row.counts))


def event_line(bench: str, event: Event, stamps: str) -> str:
    """One state of an event, at the instant at which it showed, or was cleared. Events of one kind can show in the same sample; their
    numbers keep their stamps apart, by less than 1 µs, or 0.1 s where the server cuts to milliseconds."""
    cleared = event.state is EventState.CLEARED and event.cleared_utc_ns is not None
    t_ns = event.cleared_utc_ns if cleared and event.cleared_utc_ns is not None else event.onset.latest_utc_ns
    t_ns = t_ns // MS * MS + event.id % 100 * MS if stamps == "ms" else t_ns // 1000 * 1000 + event.id % 1000
    values = (bench, event.device or event.group or naming.NONE, event.kind, str(event.severity))
    tags = ",".join(f"{tag}={naming.key(value)}" for tag, value in zip(naming.EVENT_TAGS, values, strict=True))
    fields = (
        f'id={event.id}i,state="{event.state}",confidence={float(event.confidence)!r},'
        f"acknowledged={int(event.acknowledged)}i,text={naming.text(event.message)}"
    )  # fmt: skip
    acknowledgement = "".join(f",{name}={naming.text(said)}" for name, said in _acknowledgement(event) if said)
    return f"{naming.EVENT},{tags} {fields}{acknowledgement} {t_ns}"


def _acknowledgement(event: Event) -> Iterator[tuple[str, str]]:
    """Who, when and what was noted, by name of the field; nothing of an event that nobody acknowledged."""
    if event.acknowledged:
        said = (event.acknowledged_by, str(event.evidence.get("acknowledged_at", "")), event.note)
        yield from zip(naming.ACKNOWLEDGEMENT_FIELDS, said, strict=True)


def health_lines(bench: str, buses: Mapping[str, Mapping[str, Any]], backlog: int, t_utc_ns: int) -> list[str]:
    """The heartbeat: one line a bus, from what the recorder says of it; ``backlog``: samples that wait to be forwarded."""
    lines = []
    for bus, facts in buses.items():
        failures = facts.get("failures", {})
        fields = (
            f"lateness_s={float(facts.get('lateness', {}).get('p99_s', 0.0))!r},polls={int(facts.get('polls', 0))}i,"
            f"timeouts={int(failures.get('timeout', 0))}i,crc_errors={int(failures.get('crc', 0))}i,backlog={backlog}i"
        )
        lines.append(f"{naming.HEALTH},bench={naming.key(bench)},bus={naming.key(bus)} {fields} {t_utc_ns // MS * MS}")
    return lines
