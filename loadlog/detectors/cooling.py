"""`cooling_degraded`: the thermal resistance from a device to the air has grown.

Physical cause: a fan that slows or stands, dust in the fins, a covered inlet, a heatsink that has come loose.
Rule: means over blocks of `BLOCK_S` give the rise over the air and the power. A body's warmth is a positive weighted mean of its past
powers (linear, first-order poles), so its rise never exceeds R times the greatest power of the recent past: an envelope of the power, and
of the air's temperature, that falls by `FORGET_S`. Where power, air and temperature have settled, R = rise / power is learned, one value
per power (fans follow the heat, so R does too; powers within `SAME_POWER` share one). Told when the rise exceeds what R and the envelope
explain by `GROWTH` and by `DEVIATIONS` standard deviations at `TELL_BLOCKS` blocks in succession; ends when it is back below half of that.
Limits: K/W, K, W. Rises of less than `LEAST_RISE_K` are not judged. `LEARN_BLOCKS` settled blocks at about the present power: until then
*learning*; or fixed by ``thermal_resistance_k_per_w``.
Confusions: warmer air, where nobody measures it (``ambient_c`` of the device or of one of its group): told only beyond `UNMEASURED_AIR_K`,
and named as the alternative; air that changes faster than the heatsink follows (the envelope covers it); a power step (likewise); a
temperature sensor that drifts. What gets worse while it is being learned is learned as usual. Expected false alarms: none from noise at six
deviations of blocks; see ``make events`` for what was found on benign days.
Onset: from the last block that was as usual to the end of the block that decided.
Source: thermal resistance and first-order step response (Newton's law of cooling); JEDEC JESD51-1 defines R = dT/P, from memory.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, ClassVar

from loadlog.detectors.base import NOTHING, Context, end_ns, usable
from loadlog.detectors.heat import air_of, heatsink_of, knows_power, measures_air, rated_w
from loadlog.model.device import DeviceSpec
from loadlog.model.event import Event, Finding, Onset, Severity
from loadlog.model.learned import Knowledge, Learned, fact, fixed
from loadlog.model.sample import Sample

BLOCK_S, LONGEST_BLOCK_S = 10.0, 60.0
FORGET_S = 1200.0
LEARN_BLOCKS, TELL_BLOCKS = 30, 3
GROWTH, DEVIATIONS = 0.15, 6.0
LEAST_RISE_K = 5.0
SAME_POWER, POWERS_KEPT = 0.15, 6
SETTLED_BLOCKS, SETTLED_SHARE, SETTLED_K = 30, 0.01, 0.25
UNMEASURED_AIR_K = 20.0  # rooms seldom change by more in a run; common practice
SLOW_FAN = 0.6
_FACT, _AT = "thermal_resistance_k_per_w", "thermal_resistance_at_w"
_CHANGE_W = 0.04


class _Usual:
    """What was learned at one power."""

    __slots__ = ("fan_rpm", "n", "power_w", "square", "total")

    def __init__(self, power_w: float) -> None:
        self.power_w, self.n = power_w, 0
        self.total = self.square = self.fan_rpm = 0.0

    def add(self, k_per_w: float, fan_rpm: float) -> None:
        self.n += 1
        self.total += k_per_w
        self.square += k_per_w * k_per_w
        self.fan_rpm += (fan_rpm - self.fan_rpm) / self.n

    @property
    def is_learned(self) -> bool:
        return self.n >= LEARN_BLOCKS

    def known(self) -> tuple[float, float]:
        """Mean and deviation of a block."""
        mean = self.total / self.n
        return mean, math.sqrt(max(self.square / self.n - mean * mean, 0.0))


class _Envelope:
    """The greatest of the recent past."""

    __slots__ = ("value",)

    def __init__(self, value: float) -> None:
        self.value = value

    def take(self, value: float, seconds: float) -> float:
        self.value = max(value, value + (self.value - value) * math.exp(-seconds / FORGET_S))
        return self.value


class _Block:
    """Sums of one block."""

    __slots__ = ("air", "airs", "begin_ns", "energy_j", "fan", "fans", "last_ns", "temperature", "temperatures")

    def __init__(self, begin_ns: int) -> None:
        self.begin_ns = self.last_ns = begin_ns
        self.temperatures = self.airs = self.fans = 0
        self.temperature = self.air = self.fan = self.energy_j = 0.0


class CoolingDegraded:
    """One device with a temperature and a power."""

    KINDS: ClassVar[tuple[str, ...]] = ("cooling_degraded",)

    def __init__(self, device: DeviceSpec) -> None:
        channel = heatsink_of(device)
        assert channel is not None  # `applies` says so
        spec = device.channel(channel)
        assert spec is not None
        self._device, self._channel = device, channel
        self._rounding_k = spec.resolution / math.sqrt(12.0)
        self._has_fan = device.channel("fan_rpm") is not None
        self._least_w = 0.02 * rated_w(device)
        self._fixed = device.fixed.get(_FACT)
        self._usuals: list[_Usual] = []
        self._latest: _Usual | None = None
        self._begin_again()
        self._measures_air: bool | None = None  # known with the first context: groups do not change
        self._active = False

    def _begin_again(self) -> None:
        self._block: _Block | None = None
        self._power = _Envelope(0.0)
        self._air: _Envelope | None = None
        self._calm = self._beyond = self._back = 0
        self._calm_w = self._calm_low_c = self._calm_high_c = 0.0
        self._innocent_ns = 0

    @staticmethod
    def applies(device: DeviceSpec) -> bool:
        """A load that measures its temperature and its power."""
        return device.role == "load" and heatsink_of(device) is not None and knows_power(device)

    def restore(self, event: Event) -> None:
        """It was degraded when the service stopped."""
        self._active = True

    def recall(self, known: Mapping[str, Learned]) -> None:
        """The resistance, at the power at which it was learned."""
        old, at = known.get(_FACT), known.get(_AT)
        if self._usuals or old is None or at is None or old.state is not Knowledge.LEARNED or not old.value or not at.value:
            return
        usual, deviation = _Usual(at.value), old.uncertainty or 0.0
        for k in range(LEARN_BLOCKS):
            usual.add(old.value + (deviation if k % 2 else -deviation), 0.0)
        self._usuals.append(usual)
        self._latest = usual

    def learned(self) -> Sequence[Learned]:
        """Resistance to the air, at the power that was seen last."""
        if self._fixed is not None:
            return (fixed(_FACT, "K/W", self._fixed),)
        usual = self._latest
        if usual is None or usual.n == 0:
            return (fact(_FACT, "K/W", None, None, 0, LEARN_BLOCKS, self.KINDS),)
        mean, deviation = usual.known()
        return (fact(_FACT, "K/W", mean, deviation, usual.n, LEARN_BLOCKS, self.KINDS), fact(_AT, "W", usual.power_w, None, usual.n))

    def update(self, sample: Sample, context: Context) -> Sequence[Finding]:
        """See the module."""
        if sample.failure is not None:
            return NOTHING
        power_w = context.power_w(sample)
        if power_w is None:
            return NOTHING
        now_ns = sample.stamp.t_utc_ns
        block = self._block
        if block is None or not 0 <= now_ns - block.last_ns <= LONGEST_BLOCK_S * 1e9:
            self._begin_again()  # nobody knows how warm it became meanwhile
            self._block = _Block(now_ns)
            return NOTHING
        block.energy_j += power_w * (now_ns - block.last_ns) / 1e9
        block.last_ns = now_ns
        temperature_c = usable(sample, self._channel)
        if temperature_c is not None:
            block.temperatures += 1
            block.temperature += temperature_c
        if self._has_fan and (rpm := usable(sample, "fan_rpm")) is not None:
            block.fans += 1
            block.fan += rpm
        length_s = (now_ns - block.begin_ns) / 1e9
        if length_s < BLOCK_S or (block.temperatures == 0 and length_s < LONGEST_BLOCK_S):
            return NOTHING
        self._block = _Block(now_ns)
        if block.temperatures == 0:
            return NOTHING
        if self._measures_air is None:
            self._measures_air = measures_air(self._device, context)
        air_c = air_of(sample, context) if self._measures_air else None
        if self._measures_air and air_c is None:
            return NOTHING
        return self._judge(block, length_s, air_c, sample)

    def _judge(self, block: _Block, length_s: float, air_c: float | None, sample: Sample) -> Sequence[Finding]:
        temperature_c, power_w = block.temperature / block.temperatures, block.energy_j / length_s
        fan_rpm = block.fan / block.fans if block.fans else 0.0
        if self._air is None:
            self._air, self._power = _Envelope(air_c or 0.0), _Envelope(power_w)
            self._innocent_ns = block.begin_ns
        greatest_w, warmest_c = self._power.take(power_w, length_s), self._air.take(air_c or 0.0, length_s)
        settled = self._has_settled(temperature_c, power_w, greatest_w, warmest_c - (air_c or 0.0))
        if greatest_w < self._least_w:
            return NOTHING
        usual = None if self._fixed is not None else self._usual_at(greatest_w, settled)
        if usual is not None and not usual.is_learned:
            if settled and not self._active:
                usual.add((temperature_c - warmest_c) / power_w, fan_rpm)
                self._innocent_ns = block.begin_ns
            return NOTHING
        known = (self._fixed, 0.0) if self._fixed is not None else None if usual is None else usual.known()
        if known is None or (air_c is None and self._fixed is not None):  # a given resistance needs the air
            return NOTHING
        k_per_w, deviation = known
        expected_k = k_per_w * greatest_w
        bound_k = max(GROWTH * expected_k, DEVIATIONS * math.hypot(deviation * greatest_w, self._rounding_k))
        if air_c is None:
            bound_k = max(bound_k, UNMEASURED_AIR_K)
        elif expected_k < LEAST_RISE_K:
            return NOTHING
        facts: dict[str, Any] = {
            "temperature_c": round(temperature_c, 2), "air_c": None if air_c is None else round(air_c, 2), "power_w": round(power_w, 2),
            "expected_rise_k": round(expected_k, 2), "excess_k": round(temperature_c - warmest_c - expected_k, 2),
            "bound_k": round(bound_k, 2), "usual_k_per_w": round(k_per_w, 4),
        }  # fmt: skip
        if self._has_fan:
            facts |= {"fan_rpm": round(fan_rpm), "usual_fan_rpm": round(usual.fan_rpm) if usual is not None and usual.fan_rpm else None}
        return self._decide(facts, block, sample)

    def _decide(self, facts: dict[str, Any], block: _Block, sample: Sample) -> Sequence[Finding]:
        excess_k, bound_k = facts["excess_k"], facts["bound_k"]
        self._beyond = self._beyond + 1 if excess_k > bound_k else 0
        self._back = self._back + 1 if excess_k < 0.5 * bound_k else 0
        if excess_k < 0.3 * bound_k and not self._active:
            self._innocent_ns = block.begin_ns
        if self._active and self._back >= TELL_BLOCKS:
            self._active, self._innocent_ns = False, block.begin_ns
            text = f"{self._device.name}: gives its heat off as before"
            onset = Onset(block.begin_ns, end_ns(sample))
            return (Finding("cooling_degraded", self._device.name, Severity.WARNING, onset, text, clear=True, evidence=facts),)
        if self._active or self._beyond < TELL_BLOCKS:
            return NOTHING
        self._active = True
        return (self._finding(facts, sample),)

    def _has_settled(self, temperature_c: float, power_w: float, greatest_w: float, air_fell_k: float) -> bool:
        """Power, air and temperature have stayed for `SETTLED_BLOCKS`, so the rise is R times the power."""
        rise_share = SETTLED_SHARE * max(temperature_c - (self._air.value if self._air is not None else 0.0), 0.0)
        low, high = min(self._calm_low_c, temperature_c), max(self._calm_high_c, temperature_c)
        moved = high - low > max(SETTLED_K, rise_share) + 6.0 * self._rounding_k
        if self._calm == 0 or moved or abs(power_w - self._calm_w) > _CHANGE_W * max(self._calm_w, self._least_w):
            self._calm, self._calm_w = 1, power_w
            self._calm_low_c = self._calm_high_c = temperature_c
            return False
        self._calm, self._calm_low_c, self._calm_high_c = self._calm + 1, low, high
        return self._calm > SETTLED_BLOCKS and greatest_w < (1.0 + _CHANGE_W) * power_w and air_fell_k < SETTLED_K

    def _usual_at(self, power_w: float, settled: bool) -> _Usual | None:
        """What is known at about this power; a settled power that is not known begins to be learned."""
        near = min(self._usuals, key=lambda u: abs(u.power_w - power_w), default=None)
        if near is not None and abs(near.power_w - power_w) <= SAME_POWER * near.power_w:
            self._latest = near
            return near
        if not settled or self._active:
            return None
        if len(self._usuals) >= POWERS_KEPT:
            self._usuals.pop(0)
        self._latest = _Usual(power_w)
        self._usuals.append(self._latest)
        return self._latest

    def _finding(self, facts: dict[str, Any], sample: Sample) -> Finding:
        name = self._device.name
        text = (
            f"{name}: {facts['excess_k']:.1f} K warmer than its power explains ({facts['expected_rise_k']:.1f} K over the air as usual): "
            "heat is given off worse than before"
        )
        usual_rpm = facts.get("usual_fan_rpm")
        if usual_rpm and facts["fan_rpm"] < SLOW_FAN * usual_rpm:
            text += f"; its fan turns at {facts['fan_rpm']} instead of {usual_rpm} rpm"
        else:
            text += "; look at fan, dust and inlet"
        confidence, others = 0.95, {"sensor_drift": 0.05}
        if facts["air_c"] is None:
            confidence, others = 0.8, {"warmer_air": 0.17, "sensor_drift": 0.03}
            text += "; warmer air would look the same, its temperature would decide"
        onset = Onset(min(self._innocent_ns, sample.stamp.t_utc_ns), end_ns(sample))
        return Finding(
            "cooling_degraded", name, Severity.WARNING, onset, text, confidence=confidence, alternatives=others, evidence=facts
        )  # fmt: skip
