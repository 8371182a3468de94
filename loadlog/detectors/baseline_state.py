"""What `drift` and `noise_changed` share of a device: per channel the block in the making, the charts and what is active; and who tells
what the whole group shows.

A kind is active per channel. The onset begins at `Channel.onset_from`, which is kept while the charts show nothing.
"""

from __future__ import annotations

import math
from array import array
from dataclasses import replace

from loadlog.detectors.base import Context, begin_ns, end_ns
from loadlog.detectors.blocks import Minutes, block_samples
from loadlog.detectors.drift_chart import DriftChart
from loadlog.detectors.noise_chart import NoiseChart
from loadlog.detectors.statistics import alarm_probability, two_sided_quantile
from loadlog.detectors.witness import Witness, witness_of
from loadlog.model.device import ChannelSpec, DeviceSpec
from loadlog.model.event import Finding, Onset, Severity
from loadlog.model.learned import NOISE
from loadlog.model.sample import Sample

FALSE_ALARMS_PER_1000_H = 0.02
CHANNELS = ("voltage_v", "current_a")


class Channel:
    """One channel's block in the making, its charts, and what is active."""

    __slots__ = ("active", "beside", "block_begin_ns", "calm", "drift", "minutes", "name", "noise", "onset_from", "spec", "values")

    def __init__(self, spec: ChannelSpec, device: DeviceSpec) -> None:
        size = block_samples(device.period_s * spec.every)
        block_s = size * device.period_s * spec.every
        self.spec, self.name = spec, spec.name
        self.values = array("d")
        self.minutes = Minutes(block_s)
        minute = alarm_probability(FALSE_ALARMS_PER_1000_H / len(CHANNELS), block_s * self.minutes.blocks)
        self.drift = DriftChart(two_sided_quantile(minute), spec.resolution)
        noise = alarm_probability(FALSE_ALARMS_PER_1000_H / len(CHANNELS), block_s)
        self.noise = NoiseChart(noise, spec.resolution, device.fixed.get(f"{NOISE}{spec.name}"))
        self.active: set[str] = set()  # kinds
        self.calm = 0
        self.beside: float | None = None  # of the current the voltage, of the voltage the current, in the minutes of its settled level
        self.block_begin_ns = 0
        self.onset_from = {"drift": 0, "noise_changed": 0}

    def restart(self) -> None:
        """Another operating point: all is learned again."""
        del self.values[:]
        self.minutes.restart()
        self.drift.restart()
        self.noise.restart()

    def onset(self, kind: str, sample: Sample) -> Onset:
        """Of what this sample decides."""
        latest = end_ns(sample)
        return Onset(min(self.onset_from[kind] or latest, latest), latest)

    def end(self, device: str, kind: str, why: str, sample: Sample) -> Finding:
        """What was active is over; the caller takes it out of `active`."""
        onset = Onset(begin_ns(sample), end_ns(sample))
        text = f"{device}: {kind.replace('_', ' ')} of {self.name} is over, {why}"
        return Finding(kind, device, Severity.WARNING, onset, text, key=self.name, clear=True, evidence={"ended": why})


class Group:
    """The device among those at its source: what its witness shows too, and whether this device tells it."""

    __slots__ = ("device", "speaks", "witness")

    def __init__(self, device: DeviceSpec) -> None:
        self.device = device
        self.witness: Witness | None = None
        self.speaks = True  # for the source

    def look(self, context: Context, block_s: float) -> None:
        """Find the witness among the peers."""
        peer, self.speaks = witness_of(self.device, context)
        self.witness = None if peer is None else Witness(peer, block_s)

    def shows_change(self, channel: Channel, change: float) -> bool:
        """Another device of the group shows the same change of the voltage, V: it is the source's."""
        return self.witness is not None and channel.name == "voltage_v" and self.witness.shows_change(change)

    def shows_noise(self, channel: Channel) -> bool:
        """The same of the voltage's noise."""
        noise = channel.noise
        return self.witness is not None and channel.name == "voltage_v" and self.witness.shows_noise(noise.usual, noise.now)

    def tell(self, finding: Finding, shared: bool) -> Finding:
        """Told for the group when another of its devices shows it too; then it is not this instrument's own."""
        if not shared or self.witness is None:
            return finding
        rest = {k: p for k, p in finding.alternatives.items() if k != "instrument_drift"}
        evidence = {k: v for k, v in finding.evidence.items() if k != "would_decide"} | {"also_seen_by": self.witness.peer.device.name}
        sure = round(1.0 - math.fsum(rest.values()), 4)
        return replace(finding, group=self.device.group, alternatives=rest, confidence=sure, evidence=evidence)


def digits(value: float) -> float:
    """Six significant ones."""
    return float(f"{value:.6g}") if math.isfinite(value) else 0.0
