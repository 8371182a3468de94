"""`drift`: a channel slowly leaves the level at which it had settled in this run.

Physical cause: reference or feedback of the source ages or warms, a contact creeps, the instrument itself drifts.
Rule: `drift_chart` waits until the level has settled (at least ten minutes, longer in warm-up) and says when it has left the settled value
beyond the channel's standard uncertainty and its noise. In CR and CP the current follows the voltage by the curve of its mode; what the
voltage explains of it is no drift of the current.
Units: the channel's. Limits: drifts within the standard uncertainty (0.05 % at 24 V with an accuracy of ±(0.05 % + 10 counts of 1 mV)) are
not told; in CV the voltage, in CC the current is the load's own.
Confusions, and how they are told apart: temperature effect: where a temperature of the device or of its group is measured, the change must
follow time better than it follows temperature; where nobody measures the air, and the device's own temperature moved or is not known, it is
named with a probability that falls to nothing where the change reaches `TEMPERATURE_SHARE` of the value; warm-up and discharge do not
settle; a step is no drift; a change of current through the source's resistance (fixed, or 0.5 Ω at most) explains that of the voltage. What
another device of the group shows too is the source's and told once. The instrument's own drift cannot be told where nothing else measures
the same: it is named with a probability that falls to nothing where the change reaches the accuracy's bound.
Expected false alarms: as `baseline`. Onset: from three minutes before the last minute within one deviation of the settled level to the end
of the minute that decides. Source: as in the chart.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from loadlog.detectors.base import Context, begin_ns, finite, status_name
from loadlog.detectors.baseline_state import Channel, Group, digits
from loadlog.detectors.blocks import BLOCK_S
from loadlog.detectors.drift_chart import LAST
from loadlog.model.event import Finding, Severity
from loadlog.model.quantity import standard_uncertainty
from loadlog.model.sample import Sample

KIND = "drift"
LARGEST_SOURCE_OHM, EXPLAINED_SHARE = 0.5, 0.3
UNSHOWN_MINUTES = 3.0  # how long a drift may have gone on when a minute does not show it yet
MINUTES_TO_TELL, MINUTES_TO_CLEAR = 3, 3
TEMPERATURE_SHARE = 0.002  # 10 K of a room at 200 ppm/K, a poor coefficient of a supply or a load; common practice
BY_UNSEEN_AIR = 0.4  # that a small change has followed a temperature that nobody measures; a judgement


def minute_over(
    channel: Channel, mean: float, channels: Sequence[Channel], size: int, sample: Sample, context: Context, group: Group
) -> list[Finding]:
    """What the minute with this ``mean`` says, which ``sample`` completes; moves the chart on. ``channels``: all of the device, ``size``:
    samples of a block."""
    spec, drift = channel.spec, channel.drift
    uncertainty = max(standard_uncertainty(mean, spec.accuracy, spec.resolution), 2.0 * spec.resolution)
    was_settled = drift.reference is not None
    drift.update(mean, uncertainty, _temperature_c(sample, context))
    if not was_settled:
        channel.beside = _mean_of("voltage_v" if channel.name == "current_a" else "current_a", channels, len(drift.minutes))
    if not drift.shows:
        channel.onset_from[KIND] = begin_ns(sample) - int(UNSHOWN_MINUTES * 60e9)
    return _judge(channel, mean, channels, size, sample, context, group)


def _judge(
    channel: Channel, mean: float, channels: Sequence[Channel], size: int, sample: Sample, context: Context, group: Group
) -> list[Finding]:
    drift = channel.drift
    if drift.reference is None:
        return []
    if KIND in channel.active:
        back = abs(drift.last) < 0.5 * drift.threshold and math.isfinite(drift.threshold)
        channel.calm = channel.calm + 1 if back else 0
        if channel.calm < MINUTES_TO_CLEAR:
            return []
        channel.active.discard(KIND)
        return [channel.end(group.device.name, KIND, "back at its settled level", sample)]
    if abs(drift.departs) < MINUTES_TO_TELL:
        return []
    if drift.is_step or _current_explains(channel, channels, group) or _voltage_explains(channel, channels, sample, group):
        drift.restart()
        return []
    by_heat, per_kelvin = drift.temperature()
    if by_heat > 0.5:
        return []
    unseen = _by_unseen_air(channel, sample, context)
    shared = group.shows_change(channel, drift.last)
    if shared and not group.speaks:
        return []
    channel.active.add(KIND)
    channel.calm = 0
    return [group.tell(_finding(channel, mean, (by_heat, per_kelvin, unseen), size, sample, group), shared)]


def _current_explains(channel: Channel, channels: Sequence[Channel], group: Group) -> bool:
    """The voltage moved because the current did, through the source's resistance."""
    if channel.spec.name != "voltage_v":
        return False
    then_a, now_a = channel.beside, _mean_of("current_a", channels, LAST)
    if then_a is None or now_a is None:
        return False
    ohm = group.device.fixed.get("output_resistance_ohm", LARGEST_SOURCE_OHM)
    return (then_a - now_a) * ohm * math.copysign(1.0, channel.drift.last) > EXPLAINED_SHARE * abs(channel.drift.last)


def _voltage_explains(channel: Channel, channels: Sequence[Channel], sample: Sample, group: Group) -> bool:
    """A load in CR or CP draws another current because the voltage is another one; one that does not tell its mode may be either."""
    drift, then_v = channel.drift, channel.beside
    now_v = _mean_of("voltage_v", channels, LAST)
    if channel.name != "current_a" or drift.reference is None or then_v is None or now_v is None or then_v <= 0.0 or now_v <= 0.0:
        return False
    mode = status_name(group.device, sample, "mode")
    ratios = [now_v / then_v] if mode in ("cr", None) else []
    ratios += [then_v / now_v] if mode in ("cp", None) else []
    return any(abs(drift.last - drift.reference * (ratio - 1.0)) <= drift.threshold for ratio in ratios)


def _mean_of(name: str, channels: Sequence[Channel], minutes: int) -> float | None:
    """Of a channel over the last minutes, of which the very last may not be over there yet; None when there are not as many."""
    known = list(next((c.drift.minutes for c in channels if c.name == name), ()))[-minutes:]
    return math.fsum(known) / len(known) if len(known) >= max(minutes - 1, 1) else None


def _finding(channel: Channel, mean: float, heat: tuple[float, float, float], size: int, sample: Sample, group: Group) -> Finding:
    """``heat``: probability that it follows the temperature that is measured, by how much a kelvin, and that it follows one that is not."""
    drift, spec = channel.drift, channel.spec
    by_heat, per_kelvin = max(heat[0], heat[2]), heat[1]
    reference = drift.reference or 0.0
    bound = spec.accuracy.half_width(mean) if spec.accuracy else 0.0
    own = 0.5 * max(0.0, 1.0 - abs(drift.last) / bound) if bound > 0.0 else 0.0
    shares = {"temperature_effect": by_heat * (1.0 - own), "instrument_drift": own * (1.0 - by_heat)}
    others = {k: round(p, 4) for k, p in shares.items() if p >= 0.005}
    confidence = round(1.0 - math.fsum(others.values()), 4)
    hours = max(drift.since, 1) / 60.0 * channel.minutes.blocks * BLOCK_S / 60.0 * max(size * group.device.period_s / BLOCK_S, 1.0)
    evidence: dict[str, Any] = {
        "channel": spec.name, "settled": digits(reference), "value": digits(reference + drift.last), "change": digits(drift.last),
        "threshold": digits(drift.threshold), "per_h": digits(drift.last / hours), "unit": spec.unit,
    }  # fmt: skip
    if heat[0] > 0.0:
        evidence["temperature_coefficient_per_k"] = digits(per_kelvin)
    decide = ["another instrument at the same source"] * (own > 0.0) + ["the temperature of the air"] * (heat[2] > 0.0)
    if decide:
        evidence["would_decide"] = ", ".join(decide)
    text = f"{group.device.name}: {spec.name} has drifted by {drift.last:+.4g} {spec.unit} from its settled {reference:.6g} {spec.unit}"
    return Finding(
        KIND, group.device.name, Severity.WARNING, channel.onset(KIND, sample), text, key=spec.name,
        confidence=confidence, alternatives=others, evidence=evidence,
    )  # fmt: skip


def _by_unseen_air(channel: Channel, sample: Sample, context: Context) -> float:
    """Probability that it followed the air, where nobody measures that and the device's own temperature does not exclude it."""
    drift = channel.drift
    is_seen = drift.is_warmed_alike or _temperature_beside_c(sample, context) is not None
    if is_seen or not drift.reference:
        return 0.0
    return BY_UNSEEN_AIR * max(0.0, 1.0 - abs(drift.last / drift.reference) / TEMPERATURE_SHARE)


def _temperature_c(sample: Sample, context: Context) -> float | None:
    """The temperature that may explain a change: of the air, of another device of the group, of the device itself."""
    beside = _temperature_beside_c(sample, context)
    return finite(sample.values.get("temperature_c")) if beside is None else beside


def _temperature_beside_c(sample: Sample, context: Context) -> float | None:
    """Of the air or of another device of the group."""
    air = finite(sample.values.get("ambient_c"))
    if air is not None:
        return air
    for name in sorted(context.peers):
        peer = context.peers[name]
        if peer.device.role == "thermometer" and peer.last is not None:
            for channel in peer.device.channels:
                value = finite(peer.last.good(channel.name)) if channel.unit == "°C" else None
                if value is not None:
                    return value
    return None
