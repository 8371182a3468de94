"""`drift` and `noise_changed`: a channel leaves the run's own baseline slowly, or its noise is another one.

Physical causes of `drift`: reference or feedback of the source ages or warms, a contact creeps, the instrument itself drifts. Of
`noise_changed`: an electrolytic capacitor dries out, a regulator oscillates or hunts, a contact begins to chatter, a probe comes off.
Rule: voltage and current at one operating point are condensed into blocks and minutes (`blocks`). `drift_chart` waits until the level has
settled (at least ten minutes, longer in warm-up) and says when it has left the settled value beyond the channel's standard uncertainty and
its noise; `noise_chart` learns over thirty blocks (five minutes at least) and says when twelve in a row differ by half and more in
deviation. In CR and CP the current follows the voltage by the curve of its mode; what the voltage explains of it is no drift of the
current. The operating point is another one after a changed mode, set-point or input, or a current that leaves its level by 2 %, twenty
counts and eight deviations: then everything is learned again, and what was active ends. An order to another device of the group moves the
source's: a noise that changed since is learned, not told.
Units: the channel's. Limits: drifts within the standard uncertainty (0.05 % at 24 V with an accuracy of ±(0.05 % + 10 counts of 1 mV)) are
not told; in CV the voltage, in CC the current is the load's own.
Confusions, and how they are told apart: temperature effect: where a temperature of the device or of its group is measured, the change must
follow time better than it follows temperature; warm-up and discharge do not settle; a step is no drift; a change of current through the
source's resistance (fixed, or 0.5 Ω at most) explains that of the voltage; quantisation has floors; bursts are shorter. What another device
of the group shows too is the source's and told once (`witness`). The instrument's own drift cannot be told where nothing else measures the
same: it is named with a probability that falls to nothing where the change reaches the accuracy's bound.
Expected false alarms: `FALSE_ALARMS_PER_1000_H` each, shared among the channels; less, since the uncertainty is added. Onset: from
three minutes before the last minute within one deviation of the settled level (for noise: the begin of the last block on the other side of
the usual) to the end of the minute (block) that decides. Source: as in the charts.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, ClassVar

from loadlog.detectors.base import NOTHING, Context, begin_ns, end_ns, status_name
from loadlog.detectors.blocks import BLOCK_S, Block, Minutes, block_samples, condense
from loadlog.detectors.drift_chart import LAST, LEAST_MINUTES, DriftChart
from loadlog.detectors.noise_chart import LEARN, SUSTAINED, NoiseChart
from loadlog.detectors.statistics import alarm_probability, two_sided_quantile
from loadlog.detectors.witness import Witness, witness_of
from loadlog.model.device import ChannelSpec, DeviceSpec
from loadlog.model.event import Event, Finding, Onset, Severity
from loadlog.model.learned import CORRELATION, NOISE, Knowledge, Learned, fact, fixed
from loadlog.model.quantity import standard_uncertainty
from loadlog.model.sample import Sample

FALSE_ALARMS_PER_1000_H = 0.02
CHANNELS = ("voltage_v", "current_a")
LARGEST_SOURCE_OHM, EXPLAINED_SHARE = 0.5, 0.3
POINT_SHARE, POINT_COUNTS, POINT_DEVIATIONS = 0.02, 20.0, 8.0
LONGEST_GAP_PERIODS = 30.0
UNSHOWN_MINUTES = 3.0  # how long a drift may have gone on when a minute does not show it yet
MINUTES_TO_TELL, MINUTES_TO_CLEAR = 3, 3
_OPERATED = ("mode", "setpoint", "input_on")


class _Channel:
    """One channel's block in the making, its charts, and what is active."""

    __slots__ = ("active", "beside_v", "block_begin_ns", "calm", "drift", "minutes", "name", "noise", "onset_from", "spec", "values")

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
        self.active: set[str] = set()
        self.calm = 0
        self.beside_v: float | None = None  # of the current: the voltage in the minutes of its settled level
        self.block_begin_ns = 0
        self.onset_from = {"drift": 0, "noise_changed": 0}

    def restart(self) -> None:
        del self.values[:]
        self.minutes.restart()
        self.drift.restart()
        self.noise.restart()


class Baseline:
    """Voltage and current of one load, supply or meter."""

    KINDS: ClassVar[tuple[str, ...]] = ("drift", "noise_changed")

    __slots__ = (
        "_channels", "_device", "_last_ns", "_longest_ns", "_looked", "_operated", "_point_a", "_point_bound_a", "_reported",
        "_size", "_speaks", "_witness",
    )  # fmt: skip

    def __init__(self, device: DeviceSpec) -> None:
        self._device = device
        self._channels = [_Channel(c, device) for c in device.channels if c.name in CHANNELS and c.kind == "number"]
        self._size = block_samples(device.period_s)
        self._longest_ns = int(LONGEST_GAP_PERIODS * device.period_s * 1e9)
        self._reported: dict[str, float] = {}
        self._operated: tuple[float | None, ...] | None = None  # the last reports, when they are in `_reported`
        self._point_a: float | None = None
        self._last_ns: int | None = None
        self._point_bound_a = 0.0
        self._witness: Witness | None = None
        self._speaks = True  # for the source, in its group
        self._looked = False

    @staticmethod
    def applies(device: DeviceSpec) -> bool:
        """It measures a voltage or a current."""
        return device.role != "thermometer" and any(c.name in CHANNELS and c.kind == "number" for c in device.channels)

    def restore(self, event: Event) -> None:
        """It had departed when the service stopped; ends when the baseline is learned again or the operating point changes."""
        for channel in self._channels:
            if channel.spec.name == event.key:
                channel.active.add(event.kind)

    def recall(self, known: Mapping[str, Learned]) -> None:
        """The settled levels, each taken up again when the level settles; noise is learned again."""
        for channel in self._channels:
            old = known.get(f"baseline_{channel.spec.name}")
            if old is not None and old.state is Knowledge.LEARNED and old.value is not None:
                channel.drift.recall(old.value)

    def learned(self) -> Sequence[Learned]:
        """Noise, correlation and settled level of each channel."""
        out: list[Learned] = []
        for channel in self._channels:
            name, unit, noise, drift = channel.spec.name, channel.spec.unit, channel.noise, channel.drift
            given = self._device.fixed.get(f"{NOISE}{name}")
            if given is not None:
                out.append(fixed(f"{NOISE}{name}", unit, given))
            else:
                sure = noise.usual / math.sqrt(2.0 * max(noise.samples, 1))
                known = noise.usual if noise.blocks else None
                needed = LEARN * self._size
                out.append(fact(f"{NOISE}{name}", unit, known, sure, noise.samples, needed, ("noise_changed",)))
            if noise.blocks:
                r = max(noise.correlation, 0.0)
                out.append(fact(f"{CORRELATION}{name}_count", "", (1.0 + r) / (1.0 - r), None, noise.samples))
            line = drift.line
            sure_level = None if line is None else line.deviation / math.sqrt(LEAST_MINUTES)
            level = fact(f"baseline_{name}", unit, drift.reference, sure_level, len(drift.minutes), LEAST_MINUTES, ("drift",))
            out.append(level)
            if line is not None and drift.reference is None:
                out.append(fact(f"trend_{name}_per_h", f"{unit}/h", 60.0 * line.slope, 60.0 * line.slope_deviation, len(drift.minutes)))
        return out

    def update(self, sample: Sample, context: Context) -> Sequence[Finding]:
        """See the module."""
        if sample.failure is not None:
            return NOTHING
        t_ns = sample.stamp.t_utc_ns
        last_ns, self._last_ns = self._last_ns, t_ns
        values, status = sample.values, sample.status
        operated = (status.get("mode"), values.get("setpoint"), status.get("input_on"))
        if operated != self._operated and self._is_operated(sample, operated):
            return self._restart("the operating point changed", sample)
        if last_ns is not None and not 0 < t_ns - last_ns < self._longest_ns:
            for channel in self._channels:
                del channel.values[:]
        found: list[Finding] | None = None
        marks, held, size = sample.uncertain, sample.held, self._size
        for channel in self._channels:
            name = channel.name
            value = values.get(name)
            if value is None or value - value != 0.0 or name in held or (marks and name in marks):
                continue
            if name == "current_a":
                point_a = self._point_a
                if (point_a is None or abs(value - point_a) > self._point_bound_a) and self._point_moved(value):
                    return self._restart("the operating point changed", sample)
            elif not self._looked:
                self._look(context)
            taken = channel.values
            taken.append(value)
            if self._witness is not None and name == "voltage_v":
                self._witness.sample()
            if len(taken) >= size:
                found = (found or []) + self._block(channel, sample, context)
        return found or NOTHING

    def _look(self, context: Context) -> None:
        self._looked = True
        peer, self._speaks = witness_of(self._device, context)
        self._witness = None if peer is None else Witness(peer, self._size * self._device.period_s)

    # -- the operating point

    def _is_operated(self, sample: Sample, operated: tuple[float | None, ...]) -> bool:
        """Mode, set-point or input is another one."""
        reported, held = self._reported, sample.held
        changed, unread = False, False
        for name, value in zip(_OPERATED, operated, strict=True):
            if value is None:
                continue
            if name in held:
                unread = unread or reported.get(name) != value
            elif reported.get(name) != value:
                changed = changed or name in reported
                reported[name] = value
        self._operated = None if unread else operated
        return changed

    def _point_moved(self, current_a: float) -> bool:
        point = self._point_a
        if point is None:
            self._set_point(current_a, next(c.spec.resolution for c in self._channels if c.spec.name == "current_a"))
            return False
        away = abs(current_a - point)
        return away > self._point_bound_a and away > self._point_bound_a + POINT_DEVIATIONS * self._noise_a()

    def _set_point(self, current_a: float, resolution: float) -> None:
        self._point_a = current_a
        self._point_bound_a = max(POINT_SHARE * abs(current_a), POINT_COUNTS * resolution)

    def _noise_a(self) -> float:
        return next(c.noise.usual for c in self._channels if c.spec.name == "current_a")

    def _restart(self, why: str, sample: Sample) -> Sequence[Finding]:
        found = []
        if self._witness is not None:
            self._witness.restart()
        for channel in self._channels:
            found += [self._end(channel, kind, why, sample) for kind in sorted(channel.active)]
            channel.active.clear()
            channel.restart()
        self._point_a = None
        return found or NOTHING

    # -- a block is full

    def _block(self, channel: _Channel, sample: Sample, context: Context) -> list[Finding]:
        block = condense(channel.values)
        del channel.values[:]
        if channel.spec.name == "voltage_v" and self._witness is not None:
            self._witness.block(channel.drift.reference is not None)
        if channel.spec.name == "current_a":
            self._set_point(block.mean, channel.spec.resolution)
        found = self._judge_noise(channel, block, sample, context)
        channel.drift.block(block)
        mean = channel.minutes.update(block.mean)
        if mean is not None:
            uncertainty = max(standard_uncertainty(mean, channel.spec.accuracy, channel.spec.resolution), 2.0 * channel.spec.resolution)
            was_settled = channel.drift.reference is not None
            channel.drift.update(mean, uncertainty, self._temperature(sample, context))
            if not was_settled and channel.name == "current_a":
                channel.beside_v = self._mean_v(len(channel.drift.minutes))
            if not channel.drift.shows:
                channel.onset_from["drift"] = begin_ns(sample) - int(UNSHOWN_MINUTES * 60e9)
            found += self._judge_drift(channel, mean, sample)
        return found

    def _judge_noise(self, channel: _Channel, block: Block, sample: Sample, context: Context) -> list[Finding]:
        noise = channel.noise
        ready_before = noise.ready
        noise.update(block, channel.block_begin_ns)
        channel.block_begin_ns = end_ns(sample)
        if not ready_before and noise.ready and "noise_changed" in channel.active:
            channel.active.discard("noise_changed")
            return [self._end(channel, "noise_changed", "the present noise was learned anew", sample)]
        away = abs(noise.deviates)
        if "noise_changed" in channel.active:
            channel.calm = channel.calm + 1 if away == 0 else 0
            if channel.calm < SUSTAINED:
                return []
            channel.active.discard("noise_changed")
            return [self._end(channel, "noise_changed", "the noise is the usual one again", sample)]
        if away < SUSTAINED:
            return []
        begin = noise.unshown_ns or channel.block_begin_ns
        if _ordered_beside(context, begin, end_ns(sample)):
            noise.restart()
            return []
        shared = self._shared(channel, noise.now / max(noise.usual, 1e-300), is_noise=True)
        if shared and not self._speaks:
            return []
        channel.active.add("noise_changed")
        channel.calm = 0
        channel.onset_from["noise_changed"] = begin
        return [self._of_group(self._noise_finding(channel, sample), shared)]

    def _noise_finding(self, channel: _Channel, sample: Sample) -> Finding:
        name, noise = channel.spec.name, channel.noise
        word = "grown" if noise.sign > 0 else "shrunk"
        evidence: dict[str, Any] = {
            "channel": name, "noise_before": _digits(noise.usual), "noise": _digits(noise.now), "unit": channel.spec.unit,
            "ratio": round(noise.now / max(noise.usual, 1e-300), 3), "blocks": SUSTAINED,
            "correlation_count": round((1.0 + noise.correlation) / (1.0 - noise.correlation), 2),
        }  # fmt: skip
        text = (
            f"{self._device.name}: noise of {name} has {word} from {noise.usual:.3g} to {noise.now:.3g} {channel.spec.unit} "
            "(standard deviation of one sample)"
        )
        onset = self._onset(channel, "noise_changed", sample)
        return Finding("noise_changed", self._device.name, Severity.WARNING, onset, text, key=name, evidence=evidence)

    def _judge_drift(self, channel: _Channel, mean: float, sample: Sample) -> list[Finding]:
        drift = channel.drift
        if drift.reference is None:
            return []
        if "drift" in channel.active:
            back = abs(drift.last) < 0.5 * drift.threshold and math.isfinite(drift.threshold)
            channel.calm = channel.calm + 1 if back else 0
            if channel.calm < MINUTES_TO_CLEAR:
                return []
            channel.active.discard("drift")
            return [self._end(channel, "drift", "back at its settled level", sample)]
        if abs(drift.departs) < MINUTES_TO_TELL:
            return []
        if drift.is_step or self._current_explains(channel) or self._voltage_explains(channel, sample):
            drift.restart()
            return []
        by_heat, per_kelvin = drift.temperature()
        if by_heat > 0.5:
            return []
        shared = self._shared(channel, drift.last, is_noise=False)
        if shared and not self._speaks:
            return []
        channel.active.add("drift")
        channel.calm = 0
        return [self._of_group(self._drift_finding(channel, mean, by_heat, per_kelvin, sample), shared)]

    def _shared(self, channel: _Channel, amount: float, is_noise: bool) -> bool:
        """Another device of the group shows the same of the voltage: it is the source's."""
        witness = self._witness
        if witness is None or channel.spec.name != "voltage_v":
            return False
        return witness.shows_noise(amount) if is_noise else witness.shows_change(amount)

    def _of_group(self, finding: Finding, shared: bool) -> Finding:
        """Told for the group when another of its devices shows it too; then it is not this instrument's own."""
        if not shared or self._witness is None:
            return finding
        rest = {k: p for k, p in finding.alternatives.items() if k != "instrument_drift"}
        evidence = {k: v for k, v in finding.evidence.items() if k != "would_decide"} | {"also_seen_by": self._witness.peer.device.name}
        sure = round(1.0 - sum(rest.values()), 4)
        return replace(finding, group=self._device.group, alternatives=rest, confidence=sure, evidence=evidence)

    def _current_explains(self, channel: _Channel) -> bool:
        """The voltage moved because the current did, through the source's resistance."""
        if channel.spec.name != "voltage_v":
            return False
        current = next((c for c in self._channels if c.spec.name == "current_a"), None)
        if current is None or current.drift.reference is None:
            return False
        ohm = self._device.fixed.get("output_resistance_ohm", LARGEST_SOURCE_OHM)
        return -current.drift.last * ohm * math.copysign(1.0, channel.drift.last) > EXPLAINED_SHARE * abs(channel.drift.last)

    def _voltage_explains(self, channel: _Channel, sample: Sample) -> bool:
        """A load in CR or CP draws another current because the voltage is another one; one that does not tell its mode may be either."""
        drift, then_v = channel.drift, channel.beside_v
        now_v = self._mean_v(LAST)
        if channel.name != "current_a" or drift.reference is None or then_v is None or now_v is None or then_v <= 0.0 or now_v <= 0.0:
            return False
        mode = status_name(self._device, sample, "mode")
        ratios = [now_v / then_v] if mode in ("cr", None) else []
        ratios += [then_v / now_v] if mode in ("cp", None) else []
        return any(abs(drift.last - drift.reference * (ratio - 1.0)) <= drift.threshold for ratio in ratios)

    def _mean_v(self, minutes: int) -> float | None:
        """Of the voltage over the last minutes; None when there are not as many."""
        known = next((c.drift.minutes for c in self._channels if c.name == "voltage_v"), ())
        return sum(list(known)[-minutes:]) / minutes if len(known) >= minutes else None

    def _drift_finding(self, channel: _Channel, mean: float, by_heat: float, per_kelvin: float, sample: Sample) -> Finding:
        drift, spec = channel.drift, channel.spec
        reference = drift.reference or 0.0
        bound = spec.accuracy.half_width(mean) if spec.accuracy else 0.0
        own = 0.5 * max(0.0, 1.0 - abs(drift.last) / bound) if bound > 0.0 else 0.0
        shares = {"temperature_effect": by_heat * (1.0 - own), "instrument_drift": own * (1.0 - by_heat)}
        others = {k: round(p, 4) for k, p in shares.items() if p >= 0.005}
        confidence = round(1.0 - sum(others.values()), 4)
        hours = (
            max(drift.since, 1) / 60.0 * channel.minutes.blocks * BLOCK_S / 60.0 * max(self._size * self._device.period_s / BLOCK_S, 1.0)
        )
        evidence: dict[str, Any] = {
            "channel": spec.name, "settled": _digits(reference), "value": _digits(reference + drift.last), "change": _digits(drift.last),
            "threshold": _digits(drift.threshold), "per_h": _digits(drift.last / hours), "unit": spec.unit,
        }  # fmt: skip
        if by_heat > 0.0:
            evidence["temperature_coefficient_per_k"] = _digits(per_kelvin)
        if own > 0.0:
            evidence["would_decide"] = "another instrument at the same source"
        text = f"{self._device.name}: {spec.name} has drifted by {drift.last:+.4g} {spec.unit} from its settled {reference:.6g} {spec.unit}"
        return Finding(
            "drift", self._device.name, Severity.WARNING, self._onset(channel, "drift", sample), text, key=spec.name,
            confidence=confidence, alternatives=others, evidence=evidence,
        )  # fmt: skip

    def _onset(self, channel: _Channel, kind: str, sample: Sample) -> Onset:
        latest = end_ns(sample)
        return Onset(min(channel.onset_from[kind] or latest, latest), latest)

    def _end(self, channel: _Channel, kind: str, why: str, sample: Sample) -> Finding:
        onset = Onset(begin_ns(sample), end_ns(sample))
        name = channel.spec.name
        text = f"{self._device.name}: {kind.replace('_', ' ')} of {name} is over, {why}"
        return Finding(kind, self._device.name, Severity.WARNING, onset, text, key=name, clear=True, evidence={"ended": why})

    def _temperature(self, sample: Sample, context: Context) -> float | None:
        """The temperature that may explain a change: of the air, of another device of the group, of the device itself."""
        air = sample.values.get("ambient_c")
        if air is not None and math.isfinite(air):
            return air
        for name in sorted(context.peers):
            peer = context.peers[name]
            if peer.device.role == "thermometer" and peer.last is not None:
                for channel in peer.device.channels:
                    value = peer.last.good(channel.name) if channel.unit == "°C" else None
                    if value is not None and math.isfinite(value):
                        return value
        own = sample.values.get("temperature_c")
        return own if own is not None and math.isfinite(own) else None


def _ordered_beside(context: Context, after_ns: int, until_ns: int) -> bool:
    """An order of ours moved another device of the group, so the source has another operating point: a load that begins to conduct in CV
    takes the source's noise away from all others."""
    return any(after_ns <= order.t_utc_ns <= until_ns for peer in context.peers.values() for order in peer.orders)


def _digits(value: float) -> float:
    """Six significant ones."""
    return float(f"{value:.6g}") if math.isfinite(value) else 0.0
