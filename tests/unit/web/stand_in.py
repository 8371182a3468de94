"""A recorder for the tests of the page: the real journal, control socket and orders, with samples made up instead of polled.

Run by itself (``python -m tests.unit.web.stand_in DIRECTORY``) it records a small bench for ever, for looking at the page.
"""

from __future__ import annotations

import contextlib
import dataclasses
import math
import os
import random
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from loadlog.bus.clock import SystemClock
from loadlog.config import PlanConfig, StoreConfig
from loadlog.control.server import ControlServer
from loadlog.model.clock import NS, format_utc
from loadlog.model.device import ChannelSpec, DeviceSpec, LimitSpec
from loadlog.model.errors import RefusedError
from loadlog.model.event import Event, EventState, Onset, Severity
from loadlog.model.quantity import Accuracy, Scale, standard_uncertainty
from loadlog.model.run import RunInfo, Snapshot
from loadlog.model.sample import FailureCause, Quality, Sample, Stamp
from loadlog.model.serial_form import device_to_json
from loadlog.recorder.orders import Orders
from loadlog.store import Journal

MARKUP = "<img src=x onerror=document.title='owned'><script>document.title='owned'</script>"
_MILLI, _TENTH = Scale.of("0.001"), Scale.of("0.1")


def load(name: str, group: str, volts: float, markup: bool = False) -> DeviceSpec:
    """An electronic load with limits on its voltage and temperature."""
    protections = {2: "over_voltage", 5: "over_temperature"}
    modes = {0: "cc", 1: "cv", 2: "cp", 3: MARKUP if markup else "cr"}
    channels = (
        ChannelSpec("voltage_v", "V", "number", _MILLI, 0.001, Accuracy(0.05, 0.01), low=0, high=150),
        ChannelSpec("current_a", "A", "number", _MILLI, 0.001, Accuracy(0.1, 0.01), low=0, high=40),
        ChannelSpec("power_w", "W", "number", Scale.of("0.01"), 0.01, Accuracy(0.2, 0.1), low=0, high=400),
        ChannelSpec("temperature_c", "°C", "number", _TENTH, 0.1, Accuracy(0, 2), high=85),
        ChannelSpec("setpoint", "", "number", _MILLI, 0.001),
        ChannelSpec("charge_ah", "A·h", "number", _MILLI, 0.001),
        ChannelSpec("energy_wh", "W·h", "number", Scale.of("0.01"), 0.01),
        ChannelSpec("fan_rpm", "rpm", "number", Scale.of("1"), 1.0, every=5),
        ChannelSpec("input_on", "", "bool", Scale(1, 1), 1.0),
        ChannelSpec("mode", "", "enum", Scale(1, 1), 1.0, names=modes),
        ChannelSpec("sense_remote", "", "bool", Scale(1, 1), 1.0),
        ChannelSpec("protection", "", "bits", Scale(1, 1), 1.0, names=protections),
    )
    limits = {
        "voltage_v": LimitSpec(low_low=volts * 0.96, low=volts * 0.98, high=volts * 1.02, deadband=0.05),
        "temperature_c": LimitSpec(high=60.0, high_high=75.0, deadband=2.0),
    }
    return DeviceSpec(
        name, "load", "rack", 0.1, channels, "remote", 0.012, group, limits, profile_name=MARKUP if markup else "simulated load"
    )


def thermometer(name: str) -> DeviceSpec:
    """A module with three thermocouples."""
    channels = tuple(ChannelSpec(f"{what}_c", "°C", "number", _TENTH, 0.1) for what in ("contact", "case", "ambient"))
    return DeviceSpec(name, "thermometer", "rack", 0.5, channels)


SPECS = {
    spec.name: spec for spec in (load("load-1", "supply-24v", 24.0), load("load-2", "pack-36v", 36.0), thermometer("case"))
}  # fmt: skip


class StandIn:
    """Implements `recorder.orders.RecorderState`. Samples and events come when the test says so, or from `simulate`."""

    def __init__(self, data_dir: Path, specs: dict[str, DeviceSpec] | None = None, name: str = "north-wall") -> None:
        self.specs = SPECS if specs is None else specs
        self.reports: list[tuple[str, str, str, bool]] = []
        self.device_names = tuple(self.specs)
        self.plans: dict[str, PlanConfig] = {}
        self._name, self._data_dir, self._clock = name, data_dir, SystemClock()
        data_dir.mkdir(exist_ok=True)
        self._snapshot = Snapshot(name, "", {}, {n: device_to_json(s) for n, s in self.specs.items()}, "loadlog 0.test")
        self.journal = Journal.open(
            data_dir, self._clock, StoreConfig(commit_interval_s=0.1), devices=self.specs, snapshot=lambda: self._snapshot
        )  # fmt: skip
        self.watched = 0
        self._closed = False
        self.samples = 0
        self.events: dict[int, Event] = {event.id: event for event in self.journal.active_events}
        orders = Orders(self)
        self._server = ControlServer(data_dir, orders.carry_out)
        self.journal.start()
        self._server.start()

    def close(self) -> None:
        """Everything on disk, the socket gone."""
        if not self._closed:
            self._closed = True
            self._server.stop()
            self.journal.close()

    # -- what the orders ask

    def start_run(self, name: str, devices: tuple[str, ...], planned_s: float, keep: bool) -> RunInfo:
        for device in devices:
            if (other := self.journal.run_of(device)) is not None:
                raise RefusedError(f"device {device} is in run {other}", hint="stop it first")
        run = RunInfo(self.journal.next_run_id(name), name, devices, time.time_ns(), planned_s, keep=keep)
        self.journal.start_run(run, self._snapshot).result(5)
        return run

    def stop_run(self, run_id: str, reason: str) -> None:
        self.journal.stop_run(run_id, time.time_ns(), reason).result(5)

    def add_note(self, run_id: str | None, author: str, text: str) -> None:
        self.journal.put_note(0, run_id, time.time_ns(), author, text).result(5)

    def acknowledge(self, event_id: int, by: str, note: str) -> Event:
        known = self.events[event_id]
        evidence = {**known.evidence, "acknowledged_at": format_utc(time.time_ns())}
        event = dataclasses.replace(known, seq=0, acknowledged=True, acknowledged_by=by, note=note, evidence=evidence)
        self._put(event)
        return event

    def watch(self) -> None:
        self.watched += 1

    def report(self, kind: str, key: str, message: str, active: bool) -> None:
        self.reports.append((kind, key, message, active))

    def reload(self) -> None:
        raise RefusedError("not here")

    def running(self) -> list[RunInfo]:
        return list(self.journal.running)

    def configuration(self) -> str:
        return self._snapshot.config

    def status(self) -> dict[str, Any]:
        runs = [
            {"id": r.id, "name": r.name, "devices": list(r.devices), "started_utc_ns": r.started_utc_ns, "planned_s": r.planned_s}
            for r in self.running()
        ]
        bus = {
            "name": "rack", "is_open": True, "is_alive": True, "fault": "", "warnings": [], "polls": self.samples, "readings": self.samples,
            "failures": {"timeout": 2, "crc": 1}, "missed": 0, "orders": 0, "reopened": 0, "busy_share": 0.41,
            "lateness": {"polls": 10, "mean_s": 0.0003, "p99_s": 0.0021, "max_s": 0.004}, "devices": [],
        }  # fmt: skip
        return {
            "bench": self._name, "t_utc_ns": time.time_ns(), "devices": list(self.device_names), "runs": runs, "samples": self.samples,
            "buses": {"rack": bus}, "store": self.journal.status(), "active_events": [],
        }  # fmt: skip

    # -- what the bench does

    def sample(
        self,
        device: str,
        values: dict[str, float | None],
        status: dict[str, int] | None = None,
        *,
        t_utc_ns: int | None = None,
        uncertain: dict[str, str] | None = None,
        bad: frozenset[str] = frozenset(),
    ) -> int:
        """Record a sample with these readings; returns its number."""
        spec = self.specs[device]
        counts: dict[str, int | None] = dict(status or {})
        for name, value in values.items():
            channel = spec.channel(name)
            assert channel is not None
            counts[name] = None if value is None else channel.scale.count(value)
        numbers = {c.name: c for c in spec.channels if c.kind == "number"}
        readings = {n: None if (k := counts[n]) is None else numbers[n].scale.value(k) for n in values}
        uncertainty = {n: standard_uncertainty(v, numbers[n].accuracy, numbers[n].resolution) for n, v in readings.items() if v is not None}
        quality = Quality.BAD if bad else Quality.UNCERTAIN if uncertain else Quality.GOOD
        stamp = Stamp(time.time_ns() if t_utc_ns is None else t_utc_ns, 4_000_000, 0, 0.0003)
        made = Sample(0, device, stamp, quality, counts, readings, dict(status or {}), uncertainty, uncertain or {}, bad)
        self.samples += 1
        return self.journal.put_sample(made)

    def failure(self, device: str, cause: FailureCause = FailureCause.TIMEOUT, detail: str = "no reply within 0.2 s") -> int:
        """Record a poll that gave nothing."""
        stamp = Stamp(time.time_ns(), 4_000_000)
        self.samples += 1
        return self.journal.put_sample(Sample(0, device, stamp, Quality.BAD, {}, {}, {}, failure=cause, detail=detail))

    def event(
        self, kind: str, device: str | None, severity: Severity, message: str, *, active: bool = True, ago_s: float = 0.0, **more: Any
    ) -> Event:
        """Record an event that began ``ago_s`` ago."""
        now_ns = time.time_ns() - round(ago_s * NS)
        group = self.specs[device].group if device in self.specs else None
        event = Event(
            id=self.journal.last_event_id + 1, seq=0, kind=kind, key="", device=device, group=group,
            run=self.journal.run_of(device) if device else None, severity=severity,
            state=EventState.ACTIVE if active else EventState.CLEARED, onset=Onset(now_ns - 104_000_000, now_ns),
            detected_utc_ns=now_ns + 1_000_000, message=message, cleared_utc_ns=None if active else now_ns, **more,
        )  # fmt: skip
        self._put(event)
        return event

    def clear(self, event: Event) -> None:
        """End an event."""
        self._put(dataclasses.replace(self.events[event.id], seq=0, state=EventState.CLEARED, cleared_utc_ns=time.time_ns()))

    def revise(self, event: Event, message: str) -> None:
        """Say something else of an event."""
        self._put(dataclasses.replace(self.events[event.id], seq=0, message=message))

    def _put(self, event: Event) -> None:
        self.events[event.id] = event
        self.journal.put_events([event])

    def flush(self) -> None:
        """Everything given so far is durable when this returns."""
        self.journal.flush().result(10)

    def load_sample(self, device: str, t_s: float, noise: random.Random, t_utc_ns: int | None = None, droop_v: float = 0.0) -> None:
        """One plausible sample of a load, ``t_s`` seconds into its test."""
        nominal = 24.0 if device == "load-1" else 36.0
        amps = 5.0 + (0.8 * math.sin(t_s / 40) if device == "load-2" else 0.0)
        volts = nominal - 0.02 * amps - droop_v + noise.gauss(0, 0.0012)
        heat = 24 + 31 * (1 - math.exp(-t_s / 240)) + noise.gauss(0, 0.06)
        values: dict[str, float | None] = {
            "voltage_v": volts, "current_a": amps + noise.gauss(0, 0.001), "power_w": volts * amps, "temperature_c": heat,
            "setpoint": 5.0, "charge_ah": amps * t_s / 3600, "energy_wh": volts * amps * t_s / 3600, "fan_rpm": 1800 + 20 * heat,
        }  # fmt: skip
        self.sample(device, values, {"input_on": 1, "mode": 0, "sense_remote": 1, "protection": 0}, t_utc_ns=t_utc_ns)


@contextlib.contextmanager
def recording(data_dir: Path, **more: Any) -> Iterator[StandIn]:
    """A stand-in that is closed at the end."""
    bench = StandIn(data_dir, **more)
    try:
        yield bench
    finally:
        bench.close()


def play(bench: StandIn, stop: threading.Event, history_s: float = 400.0) -> None:
    """Some minutes of history, then live, with an event now and then."""
    noise = random.Random(7)
    begun_ns = time.time_ns() - round(history_s * NS)
    step = 0
    while not stop.is_set():
        t_s = step * 0.2
        t_ns = begun_ns + round(t_s * NS)
        if (ahead_s := (t_ns - time.time_ns()) / NS) > 0:
            stop.wait(ahead_s)
            t_ns = time.time_ns()
        for device in ("load-1", "load-2"):
            droop = 0.06 if device == "load-1" and 250 < t_s % 600 < 330 else 0.0
            bench.load_sample(device, t_s, noise, t_ns, droop)
        if step % 3 == 0:
            heat = {"contact_c": 31 + t_s / 200, "case_c": 27 + t_s / 400, "ambient_c": 22.4}
            bench.sample("case", {n: v + noise.gauss(0, 0.05) for n, v in heat.items()}, t_utc_ns=t_ns)
        step += 1


def main() -> None:
    """Record until interrupted."""
    with recording(Path(sys.argv[1])) as bench, contextlib.suppress(KeyboardInterrupt):
        bench.start_run("soak-24v", ("load-1", "case"), 12 * 3600, keep=False)
        bench.event("input_switched", "load-1", Severity.INFO, "input switched on by hand", active=False, ago_s=380)
        text = (
            "voltage stepped by −60 mV within one poll and stayed while the current did not change: the load now measures at its terminals"
        )
        bench.event(
            "sense_fallback", "load-1", Severity.ALARM, text, ago_s=150, confidence=0.98, alternatives={"supply_droop": 0.02}
        )  # fmt: skip
        bench.event("limit", "load-2", Severity.WARNING, "temperature 60.3 °C is above high limit 60.0 °C", ago_s=70)
        play(bench, threading.Event())


if __name__ == "__main__":
    print(os.getpid(), flush=True)
    main()
