"""A small bench to record in the tests of the store, and a clock turned by hand. No mocks: the files are real."""

from __future__ import annotations

import contextlib
import dataclasses
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from loadlog.config import StoreConfig
from loadlog.model.clock import NS
from loadlog.model.device import ChannelSpec, DeviceSpec
from loadlog.model.event import Event, EventState, Onset, Severity
from loadlog.model.quantity import Accuracy, Scale, standard_uncertainty
from loadlog.model.run import RunInfo, Snapshot
from loadlog.model.sample import FailureCause, Quality, Sample, Stamp
from loadlog.model.serial_form import device_to_json
from loadlog.store import Journal, Trouble

DAY_NS = 86_400 * NS
T0 = 1_800_000_000 * NS - 1_800_000_000 * NS % DAY_NS + 7 * 3600 * NS  # some day in 2027, 07:00 UTC
PATIENCE_S = 20.0


def spec(name: str, extra: int = 0) -> DeviceSpec:
    """A load with fast, slow, counter and status channels; ``extra`` further channels."""
    milli = Scale.of("0.001")
    accuracy = Accuracy(0.05, 0.005)
    more = tuple(ChannelSpec(f"extra{i}_v", "V", "number", milli, 0.001) for i in range(extra))
    channels = (
        ChannelSpec("voltage_v", "V", "number", milli, 0.001, accuracy, sentinels=frozenset({-32768})),
        ChannelSpec("current_a", "A", "number", Scale.of("0.0001"), 0.0001, accuracy),
        ChannelSpec("temperature_c", "°C", "number", Scale.of("0.1", "-40"), 0.1, every=10),
        ChannelSpec("energy_wh", "W·h", "number", Scale.of("1"), 1.0, sentinels=frozenset({2**64 - 1, 9})),
        ChannelSpec("input_on", "", "bool", Scale(1, 1), 1.0),
        ChannelSpec("mode", "", "enum", Scale(1, 1), 1.0, names={0: "CC", 1: "CV's"}, every=10),
        *more,
    )
    return DeviceSpec(name, "load", "rack", 0.1, channels)


SPECS = {name: spec(name) for name in ("load-1", "load-2", "case")}


def snapshot(specs: Mapping[str, DeviceSpec] = SPECS) -> Snapshot:
    """What a recording of these devices keeps."""
    return Snapshot("bench-a", "[bench]\nname = 'bench-a'\n", {}, {n: device_to_json(s) for n, s in specs.items()}, "loadlog 0.test")


def sample(
    seq: int,
    device: str = "load-1",
    t_utc_ns: int | None = None,
    counts: Mapping[str, int | None] | None = None,
    held: Mapping[str, int | None] | None = None,
    uncertain: Mapping[str, str] | None = None,
    bad: frozenset[str] = frozenset(),
    device_spec: DeviceSpec | None = None,
    **changes: Any,
) -> Sample:
    """A sample as validation makes it: ``counts`` read in this poll, ``held`` kept from earlier ones."""
    described = device_spec or SPECS[device]
    read = {"voltage_v": 24000 + seq % 7, "current_a": 50000, "input_on": 1} if counts is None else dict(counts)
    kept = {"temperature_c": 650, "mode": 0} if held is None and counts is None else dict(held or {})
    known = read | kept
    values: dict[str, float | None] = {}
    uncertainty: dict[str, float] = {}
    status: dict[str, int] = {}
    for channel in described.channels:
        count = known.get(channel.name)
        if channel.kind != "number":
            if count is not None:
                status[channel.name] = count
        elif count is None or count in channel.sentinels:
            values[channel.name] = None
        else:
            values[channel.name] = value = channel.scale.value(count)
            uncertainty[channel.name] = standard_uncertainty(value, channel.accuracy, channel.resolution)
    stamp = Stamp(T0 + seq * NS // 10 if t_utc_ns is None else t_utc_ns, 3_200_000, 0, 0.000125)
    made = Sample(
        seq, device, stamp, Quality.GOOD, read, values, status, uncertainty, dict(uncertain or {}), bad, frozenset(kept)
    )  # fmt: skip
    return dataclasses.replace(made, **changes) if changes else made


def failed(seq: int, device: str = "load-1", cause: FailureCause = FailureCause.TIMEOUT, t_utc_ns: int | None = None) -> Sample:
    """A poll that failed, as validation makes it."""
    stamp = Stamp(T0 + seq * NS // 10 if t_utc_ns is None else t_utc_ns, 100_000_000, 0, 0.0)
    return Sample(seq, device, stamp, Quality.BAD, {}, {}, {}, failure=cause, detail="no reply within 0.2 s")


def event(id_: int, seq: int, device: str | None = "load-1", state: EventState = EventState.ACTIVE, **changes: Any) -> Event:
    """One state of an event."""
    t = T0 + seq * NS // 10
    made = Event(
        id=id_, seq=seq, kind="limit", key="voltage_v.low", device=device, group=None, run=None, severity=Severity.ALARM, state=state,
        onset=Onset(t - NS, t), detected_utc_ns=t, message="voltage_v 23.1 V is below 23.5 V",
        cleared_utc_ns=t if state is EventState.CLEARED else None, confidence=0.98, alternatives={"noise": 0.02},
        evidence={"value_v": 23.1, "limit_v": 23.5},
    )  # fmt: skip
    return dataclasses.replace(made, **changes) if changes else made


def run_info(run_id: str = "soak-0001", devices: tuple[str, ...] = ("load-1",), **changes: Any) -> RunInfo:
    """A run that begins."""
    return RunInfo(run_id, run_id.rpartition("-")[0], devices, T0, **changes)


class HandClock:
    """Time stands still unless a test moves it; sleeping moves it."""

    def __init__(self, t_utc_ns: int = T0) -> None:
        self.utc, self.mono = t_utc_ns, 5 * NS

    def monotonic_ns(self) -> int:
        return self.mono

    def utc_ns(self) -> int:
        return self.utc

    def sleep_until(self, monotonic_ns: int) -> None:
        self.move(max(0, monotonic_ns - self.mono))

    def move(self, ns: int) -> None:
        """Let time pass."""
        self.mono += ns
        self.utc += ns


class InlineSealer:
    """In place of the helper process: the same encoding, at once."""

    def __init__(self) -> None:
        self.busy, self.trouble, self._done = False, "", None

    def offer(self, group: Any) -> None:
        from loadlog.store.encoder import encode_group
        from loadlog.store.sealing import Sealed

        answer = encode_group(group.path, group.after, group.upto, group.rolled)
        self.busy, self._done = True, Sealed(group, answer["sealed"], answer["rollup"])

    def take(self) -> Any:
        self.busy = False
        return self._done

    def close(self) -> None:
        self.busy = False


@contextlib.contextmanager
def sealing_at(patch: pytest.MonkeyPatch, rows: int) -> Iterator[None]:
    """Seal in place, so many rows of a device at a time, in spans that are as short as commits."""
    patch.setattr("loadlog.store.compaction.Sealer", InlineSealer)
    patch.setattr("loadlog.store.sealing.SEAL_ROWS", rows)
    patch.setattr("loadlog.store.writer.SPAN_ROWS", 1)
    yield


class OpenJournal:
    """A started journal that is closed at the end of the block; collects its troubles."""

    def __init__(
        self, directory: Path, clock: HandClock | None = None, specs: Mapping[str, DeviceSpec] = SPECS,
        forwarded_up_to: Callable[[str], int] | None = None, **settings: Any,
    ) -> None:  # fmt: skip
        self.clock = clock or HandClock()
        self.troubles: list[Trouble] = []
        # a long interval: the tests say when to commit
        config = StoreConfig(**{"commit_interval_s": 1.0, "reserve_mib": 0, "low_mib": 0, **settings})
        self.journal = Journal.open(
            directory,
            self.clock,
            config,
            devices=specs,
            snapshot=lambda: snapshot(specs),
            on_trouble=self.troubles.append,
            forwarded_up_to=forwarded_up_to,
        )
        self.journal.start()

    def __enter__(self) -> OpenJournal:
        return self

    def __exit__(self, *exc: object) -> None:
        self.journal.close(timeout_s=2.0)

    def put(self, *samples: Sample) -> None:
        """Queue and make durable."""
        for one in samples:
            self.journal.put_sample(one)
        self.flush()

    def seal(self) -> None:
        """Let everything be sealed that is due."""
        for _ in range(200):
            before = self.journal._keeper._compaction.groups
            for _ in range(3):
                self.flush()
            if self.journal._keeper._compaction.groups == before:
                return

    def flush(self) -> int:
        return self.journal.flush().result(PATIENCE_S)


def until(condition: Callable[[], bool]) -> None:
    """Wait for the writing thread."""
    deadline = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < deadline, "nothing happened"
        time.sleep(0.005)
