"""Two benches with known samples, events and heartbeats, written as the forwarder writes them; and plain loops over them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from loadlog.forwarder.lines import SampleLines, event_line, health_lines
from loadlog.forwarder.reduction import make_reduction
from loadlog.forwarder.stamps import Stamps
from loadlog.loading import Bench, load_bench
from loadlog.model.clock import NS
from loadlog.model.event import Event, EventState, Onset, Severity
from loadlog.model.sample import FailureCause, Quality
from loadlog.store.rows import Layout
from tests.unit.forwarder.rows import stored
from tests.unit.store.recorded import event, failed, sample

CONFIG = """
[bench]
name = "{name}"
[[bus]]
name = "rack"
kind = "modbus-tcp"
host = "127.0.0.1"
tcp_port = 1502
[[bus]]
name = "lan"
kind = "scpi-tcp"
host = "127.0.0.1"
tcp_port = 5025
[[device]]
name = "load-1"
role = "load"
bus = "rack"
unit_id = 1
profile = "shipped:simulated-load"
rate_hz = 1.0
[device.limits.voltage]
low_low = 22.0
low = 23.5
high = 24.5
[device.limits.fan]
high = 5000
[[device]]
name = "load-10"
role = "load"
bus = "rack"
unit_id = 2
profile = "shipped:simulated-load"
rate_hz = 1.0
[[device]]
name = "case"
role = "thermometer"
bus = "rack"
unit_id = 5
profile = "shipped:simulated-thermocouples"
rate_hz = 1.0
[[device]]
name = "meter"
role = "meter"
bus = "lan"
profile = "shipped:simulated-scpi-meter"
rate_hz = 1.0
[[forward]]
name = "lab"
kind = "influxdb1"
url = "http://127.0.0.1:8086"
database = "bench"
interval_s = {interval_s}
"""
BENCHES = ("bench.a", "bench-a")  # as a pattern, the first would also mean the second
RUN = "soak-0001"
LENGTH_S = 1800
RUN_S = range(300, 1500)
DIP_S, SILENT_S, BAD_S = 777, range(1000, 1030), range(1200, 1205)
HEARTBEAT_S = 10
RESTART_S = 900  # of the recorder: its counts begin at 0


@dataclass
class Point:
    """One poll. ``values`` is empty where it failed."""

    t_s: int
    bench: str
    device: str
    role: str
    run: str
    quality: int
    values: dict[str, float] = field(default_factory=dict)


def bench_of(folder: Path, name: str, interval_s: float = 0) -> Bench:
    """The configuration of a bench, read as always."""
    path = folder / f"{name}-{interval_s:g}.toml"
    path.write_text(CONFIG.format(name=name, interval_s=interval_s), encoding="utf-8")
    return load_bench(path)


class World:
    """``lines``: for the database. ``points``: the same polls, for loops."""

    def __init__(self, folder: Path, start_s: int, interval_s: float = 0.0, until_s: int = LENGTH_S) -> None:
        assert start_s % 600 == 0
        self.start_s, self.end_s = start_s, start_s + until_s - 1
        self.points: list[Point] = []
        self.events: list[tuple[str, Event]] = []
        self.beats: list[tuple[int, str, str, dict[str, Any]]] = []  # time, bench, bus, fields
        self.lines: list[str] = []
        self.benches = {name: bench_of(folder, name, interval_s) for name in BENCHES}
        for number, (name, bench) in enumerate(self.benches.items()):
            self._samples(name, bench, number, interval_s, until_s)
            self._events(name, number)
            self._heartbeats(name, number, until_s)

    def _samples(self, name: str, bench: Bench, number: int, interval_s: float, until_s: int) -> None:
        stamps = Stamps("ns")
        lines = SampleLines(name, stamps)
        reduction = make_reduction(lines, stamps, 1, interval_s, {})
        for place, spec in enumerate(bench.devices.values()):
            layout = Layout(spec)
            for k in range(until_s):
                counts = {c.name: 1000 + 100 * i + 10 * place + 3 * number + k * 7 % 11 + k // 100 for i, c in enumerate(spec.channels)}
                if k == DIP_S and spec.name == "load-1":
                    counts["voltage_v"] = 5
                counts |= {c.name: int(k % 400 < 200) for c in spec.channels if c.kind == "bool"}
                t_ns, run = (self.start_s + k) * NS, RUN if k in RUN_S else None
                quality = Quality.BAD if k in BAD_S else Quality.GOOD
                if k in SILENT_S and spec.name == "load-10":
                    made, values, quality = failed(k + 1, spec.name, FailureCause.TIMEOUT, t_ns), {}, Quality.BAD
                else:
                    made = sample(k + 1, spec.name, t_ns, counts, device_spec=spec, quality=quality)
                    values = {c.name: c.scale.value(counts[c.name]) if c.kind == "number" else float(counts[c.name]) for c in spec.channels}
                if reduction is None:
                    self.lines.append(lines.line(stored(made, run, layout)))
                else:
                    reduction.feed(stored(made, run, layout), self.lines)
                self.points.append(Point(self.start_s + k, name, spec.name, spec.role, run or "none", int(quality), values))

    def _events(self, name: str, number: int) -> None:
        """Of bench.a two alarms stay active, the older one hidden behind a later one of its kind that was cleared; of bench-a none."""
        stays = number == 0
        told: list[tuple[Event, int | None]] = [
            (self._event(1, 100, "load-1", "limit", Severity.ALARM), None if stays else 150),
            (self._event(2, 200, "load-1", "limit", Severity.ALARM), 300),
            (self._event(3, 1005, "load-10", "communication_lost", Severity.ALARM), None if stays else 1030),
            (self._acknowledged(self._event(4, 400, "load-1", "drift", Severity.WARNING)), None),
            (self._event(5, 500, None, "forward_backlog", Severity.WARNING), 560),
            (self._event(8, 520, None, "notify_failed", Severity.WARNING), 580),
        ]
        for one, cleared_s in told:
            self._tell(name, one)
            if cleared_s is not None:
                t_ns = (self.start_s + cleared_s) * NS
                self._tell(name, event(one.id, 0, one.device, **{**_fields(one), "state": EventState.CLEARED, "cleared_utc_ns": t_ns}))
        t_ns = (self.start_s + 650) * NS
        momentary = self._event(6, 650, "load-1", "setpoint_changed", Severity.WARNING)
        self._tell(name, event(6, 0, "load-1", **{**_fields(momentary), "state": EventState.CLEARED, "cleared_utc_ns": t_ns}))
        self._tell(name, self._event(7, 700, "load-1", "sense_restored", Severity.INFO))

    def _event(self, id_: int, at_s: int, device: str | None, kind: str, severity: Severity) -> Event:
        t_ns = (self.start_s + at_s) * NS
        return event(
            id_, 0, device, kind=kind, severity=severity, onset=Onset(t_ns - NS, t_ns), message=f"{kind} of {device}, number {id_}"
        )

    def _acknowledged(self, one: Event) -> Event:
        """As the recorder stores it."""
        evidence = {**one.evidence, "acknowledged_at": "2027-01-15T08:06:40.000Z"}
        return replace(one, acknowledged=True, acknowledged_by="Ida", note='fan "replaced"', evidence=evidence)

    def _tell(self, bench: str, one: Event) -> None:
        self.events.append((bench, one))
        self.lines.append(event_line(bench, one, "ns"))

    def _heartbeats(self, name: str, number: int, until_s: int) -> None:
        for t in range(0, until_s, HEARTBEAT_S):
            since = t - RESTART_S if t >= RESTART_S else t
            buses = {
                "rack": {
                    "polls": 30 * since // 10,
                    "lateness": {"p99_s": 0.001 * (1 + t % 50)},
                    "failures": {"timeout": since // 60, "crc": since // 90},
                },
                "lan": {"polls": since, "lateness": {"p99_s": 0.002}, "failures": {}},
            }
            backlog = 5 * (t // 300) if number == 0 else 100 - t // 300
            self.lines += health_lines(name, buses, backlog, (self.start_s + t) * NS)
            for bus, facts in buses.items():
                fields = {"polls": facts["polls"], "lateness_s": facts["lateness"]["p99_s"], "backlog": backlog}
                fields |= {"timeouts": facts["failures"].get("timeout", 0), "crc_errors": facts["failures"].get("crc", 0)}
                self.beats.append((self.start_s + t, name, bus, fields))
        # what the forwarder sends to see whether the server takes lines at all: no heartbeat
        self.lines += health_lines(name, {"none": {}}, 0, (self.start_s + until_s - 1) * NS)

    # -- by plain loops

    def of(self, **wanted: Any) -> list[Point]:
        """The polls whose attributes are as said; a tuple: one of these."""
        return [
            p for p in self.points if all(getattr(p, k) in v if isinstance(v, tuple) else getattr(p, k) == v for k, v in wanted.items())
        ]


def _fields(one: Event) -> dict[str, Any]:
    return {"kind": one.kind, "severity": one.severity, "onset": one.onset, "message": one.message}


def by_bucket(values: Iterable[tuple[float, Any]], width_s: int, fold: Callable[[Sequence[Any]], Any]) -> dict[float, Any]:
    """Start of each interval -> what ``fold`` makes of its values; intervals without values are left out."""
    buckets: dict[float, list[Any]] = {}
    for t_s, value in values:
        buckets.setdefault(t_s // width_s * width_s, []).append(value)
    return {start: fold(inside) for start, inside in buckets.items()}


def mean(values: Sequence[float]) -> float:
    return sum(values) / len(values)


def last(values: Sequence[Any]) -> Any:
    return values[-1]
