"""One temperature on its way to its limits: readings condensed into blocks for a bank of models, and whether a step of the power explains
what they show.

Blocks lengthen with the time since power last changed: a response's shape stands in the logarithm of time.
Rivals: warmer air, or a fan that stands, makes a body rise as well, but not from the moment on at which power changed. A rise that began
with a step of the power (or with the first reading) and goes on as the models foretell has no rival. It has one when what was read since
the models were last solved lies above what they expected: a one-sided CUSUM of those standardised differences, or when the coolest block
lies later than the step. Then `explained` is False until the next step. What is read far above (`OTHER_BODY`) is a body whose cooling is
another one, a fan that stands: it is learned anew, for a fit through the readings of two bodies is a third one that rises far higher than
either. Where the same chart below says that the rise has become less, as the fan turns again, a forecast must hold anew.
Source: Page's chart (as cited in `cusum`); innovations of a recursive fit are white when the model is right (T. Kailath, IEEE Trans. Autom.
Control 13 (1968) 646).
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from loadlog.detectors.thermal_bank import Bank
from loadlog.detectors.thermal_fan import Fan
from loadlog.detectors.thermal_forecast import Forecast
from loadlog.model.device import ChannelSpec, DeviceSpec
from loadlog.model.sample import Sample

FAST, SLOW = "thermal_time_constant_fast_s", "thermal_time_constant_slow_s"
LEAST_BLOCKS, LEAST_SINCE_S = 6, 5.0
LEAST_BLOCKS_KNOWN, LEAST_SINCE_KNOWN_S = 3, 3.0  # where the time constants are known: only amplitudes are asked of them
POWER_STEP_SHARE = 0.04
BLOCKS_PER_FOLD = 48.0  # blocks while the time since the last step grows e-fold
BLOCK_WORTH = 20.0  # readings at most: what all of a block share does not go away with more of them
FORECAST_GROWTH, UNLIKELY_GROWTH = 0.07, 0.15
SHORTEST_BLOCK_S, LONGEST_BLOCK_S, LONGEST_GAP_S = 1.0, 20.0, 60.0
MISFIT_DEVIATIONS, MISFIT_BLOCKS = 6.0, 3
DITHERED = 0.15  # half the mean squared difference of readings, in counts, from which noise hides their rounding
DITHER_SAMPLES, MOST_CORRELATED = 100.0, 6.0
SURPRISE_ALLOWED, SURPRISE = 1.0, 3.0  # deviations; once in 2,000 solutions by chance
LESS = 1.5  # once in 150; costs no more than that a forecast holds anew
OTHER_BODY = 6.0  # deviations of what was read since the last solution
LEFT_K = 3.0  # to the limit, where a fan that does not start is told at the latest
LATE_SHARE, LATE_S = 0.1, 10.0  # of the time since the step: a rise that begins later began by itself


class _Block:
    """Readings in the making: times from the block's begin, s."""

    __slots__ = ("begin_ns", "energy_j", "n", "stepped", "sum_c", "sum_s")

    def __init__(self, begin_ns: int) -> None:
        self.begin_ns = begin_ns
        self.n = 0
        self.stepped = False  # in the midst of it
        self.sum_c = self.sum_s = self.energy_j = 0.0


class Watch:
    """One temperature and its limits."""

    __slots__ = (
        "_above", "_below", "_block", "_dither", "_last_c", "_last_w", "_low_c", "_low_s", "_misfit", "_next_s", "_off", "_off_weight",
        "_seen_c", "_step_w", "active", "air_c", "bank", "before", "blocks", "channel", "deviation_k", "explained", "fan", "focused",
        "is_helped", "last_ns", "likely_s", "limits", "power_w", "scale_w", "step_ns", "sure", "temperature_c", "told_ns",
    )  # fmt: skip

    def __init__(self, channel: ChannelSpec, device: DeviceSpec, limits: Mapping[str, float], scale_w: float) -> None:
        self.channel, self.limits, self.scale_w = channel, limits, scale_w
        self.deviation_k = max(channel.resolution / math.sqrt(6.0), 0.02)  # rounding, and as much noise
        self.bank = Bank(scale_w, self.deviation_k, device.fixed.get(FAST), device.fixed.get(SLOW))
        self.active: dict[str, Forecast] = {}
        self._block: _Block | None = None
        self.last_ns = self.step_ns = 0
        self.power_w = self._last_w = self._step_w = 0.0
        self.temperature_c: float | None = None
        self._low_c, self._low_s = math.inf, 0.0  # coolest block since the step, and when
        self._seen_c = -math.inf  # at the last forecast since the step
        self.blocks = self._misfit = 0
        self._next_s = 0.0
        self._last_c: float | None = None
        self._dither = DITHERED  # counts²
        self._off = self._off_weight = self._above = self._below = 0.0  # readings above what was expected of them since the last solution
        self.explained = True
        self.sure: dict[str, int] = {}
        self.likely_s: dict[str, float] = {}  # since the step, from when on the limit has been likely
        self.before: dict[str, float] = {}  # probabilities of the last forecast since the step
        self.told_ns: dict[str, int] = {}  # when the active forecast was told
        self.focused = False
        self.fan = Fan(channel.resolution)
        self.is_helped = False  # the cooling has just set in
        self.air_c = 0.0  # taken off the temperatures where it is measured

    @property
    def since_s(self) -> float:
        """Since the last step of the power."""
        return (self.last_ns - self.step_ns) / 1e9

    @property
    def least_blocks(self) -> int:
        """From how many on there is a forecast."""
        return LEAST_BLOCKS_KNOWN if self.bank.is_known else LEAST_BLOCKS

    def _restart(self, sample: Sample, temperature_c: float, power_w: float) -> None:
        """A beginning, or after a gap."""
        self.bank.restart(temperature_c, power_w)
        self.power_w = self._last_w = power_w
        self.blocks = self._misfit = 0
        self.focused = False
        self.last_ns = sample.stamp.t_utc_ns
        self.temperature_c = temperature_c
        self._began(power_w)
        self.bank.observe(temperature_c, 1.0 / (1.0 + 1.0 / BLOCK_WORTH))  # of a cold start no other reading says more
        self.blocks = 1

    def _began(self, power_w: float, within_s: float = 0.0) -> _Block:
        """Power is another one, or was already at most so long ago."""
        self.fan.stepped(power_w >= self.power_w)
        self.power_w, self._step_w = power_w, POWER_STEP_SHARE * max(abs(power_w), 0.1 * self.scale_w)
        self._changed(math.inf if self.temperature_c is None else self.temperature_c)
        self.explained = True
        self.bank.stepped(within_s)
        self._block = _Block(self.last_ns)
        return self._block

    def _changed(self, low_c: float) -> None:
        """Forecasts begin anew here: what they said of the time before holds no more."""
        self.step_ns, self._low_c, self._low_s, self._seen_c, self._next_s = self.last_ns, low_c, 0.0, -math.inf, 0.0
        self._off = self._off_weight = self._above = self._below = 0.0
        self.sure, self.likely_s, self.before = {}, {}, {}

    def take(self, sample: Sample, temperature_c: float | None, power_w: float) -> bool:
        """One sample; True when a block was finished."""
        now_ns = sample.stamp.t_utc_ns
        block = self._block
        if block is None or not 0 <= now_ns - self.last_ns <= LONGEST_GAP_S * 1e9:
            if temperature_c is not None:
                self._restart(sample, temperature_c, power_w)
            return False
        passed_s = (now_ns - self.last_ns) / 1e9
        block.energy_j += 0.5 * (self._last_w + power_w) * passed_s  # a step lies anywhere between two readings
        self.last_ns, self._last_w = now_ns, power_w
        length_s = (now_ns - block.begin_ns) / 1e9
        stepped = abs(power_w - self.power_w) > self._step_w
        if stepped and now_ns - self.step_ns < SHORTEST_BLOCK_S * 1e9:
            block.stepped = True
        elif stepped:
            self._close(block, length_s)
            block = self._began(power_w, length_s if block.stepped else passed_s)
            length_s = 0.0  # what is read now already follows the step
        if temperature_c is not None:
            self._see(temperature_c)
            block.n += 1
            block.sum_c += temperature_c
            block.sum_s += length_s
        if length_s < SHORTEST_BLOCK_S:
            return stepped
        if not block.n or length_s < min((now_ns - self.step_ns) / 1e9 / BLOCKS_PER_FOLD, LONGEST_BLOCK_S):
            return False
        self._close(block, length_s)
        self._block = _Block(now_ns)
        return True

    def _see(self, temperature_c: float) -> None:
        """How much successive readings differ: rounding that noise does not hide is the same for many of them."""
        count_k = self.channel.resolution
        if self._last_c is not None and count_k > 0.0:
            moved = (temperature_c - self._last_c) / count_k
            self._dither += (0.5 * moved * moved - self._dither) / DITHER_SAMPLES
        self._last_c = temperature_c

    def _close(self, block: _Block, length_s: float) -> None:
        power_w = block.energy_j / length_s if length_s else self._last_w
        if block.n == 0 or length_s < SHORTEST_BLOCK_S:
            self.bank.advance(length_s, power_w)
            return
        if self.channel.resolution > 0.0:
            self.bank.correlated = min(max(DITHERED / max(self._dither, 1e-6), 1.0), MOST_CORRELATED)
        mean_c, middle_s = block.sum_c / block.n, min(block.sum_s / block.n, length_s)
        worth = 1.0 / (1.0 / block.n + 1.0 / BLOCK_WORTH)
        self.bank.advance(middle_s, power_w)
        expected_c = self.bank.now_c() if self.focused else None
        self._compare(mean_c, expected_c, worth)
        self.bank.observe(mean_c, worth)
        self.blocks += 1
        self.temperature_c = mean_c
        if mean_c < self._low_c:
            self._low_c, self._low_s = mean_c, self.since_s
        if self.fan.take(mean_c, self.air_c):
            self.is_helped = True
            self._is_another(mean_c)
        self.bank.advance(length_s - middle_s, power_w)

    def _compare(self, mean_c: float, expected_c: float | None, worth: float) -> None:
        """A block with what the models expected: a body that is another one is learned anew."""
        if expected_c is None:
            self._misfit = 0
            return
        self._off += worth * (mean_c - expected_c)
        self._off_weight += worth
        self._misfit = self._misfit + 1 if self._is_misfit(abs(mean_c - expected_c)) else 0
        if self._misfit >= MISFIT_BLOCKS:
            if mean_c < expected_c:
                self.fan.saw(mean_c + self.air_c)
                self.is_helped = True
            self._is_another(mean_c)

    def _is_misfit(self, off_k: float) -> bool:
        """Beyond the noise, and beyond what the models are not sure of: little is known after a short time at one power."""
        variance, least_k = max(self.bank.variance, self.deviation_k**2), 2.0 * self.channel.resolution + 0.5
        if off_k <= MISFIT_DEVIATIONS * math.sqrt(variance) + least_k:  # as nearly always
            return False
        return off_k > MISFIT_DEVIATIONS * math.sqrt(variance + self.bank.now_variance()) + least_k

    def _is_another(self, temperature_c: float) -> None:
        """The body is another one from here on."""
        self.bank.relearn(temperature_c)
        self.blocks = self._misfit = 0
        self.focused = self.explained = False
        self._changed(temperature_c)

    @property
    def has_become_less(self) -> bool:
        """The rise has, against what the models expected."""
        return self._below > LESS

    def waits_for_fan(self, limit_c: float) -> bool:
        """The cooling set in before at a higher temperature than the present one, and well below the limit."""
        sure_c = self.fan.sure_c
        return sure_c is not None and self.temperature_c is not None and self.temperature_c + self.air_c < sure_c < limit_c - LEFT_K

    def is_due(self) -> bool:
        """A forecast is worth its cost: enough is known, it is time, and the temperature rises towards a limit and has risen since the
        last forecast."""
        since_s, least_s = self.since_s, LEAST_SINCE_KNOWN_S if self.bank.is_known else LEAST_SINCE_S
        if self.blocks < self.least_blocks or self.temperature_c is None or since_s < max(self._next_s, least_s):
            return False
        risen_k = self.temperature_c - self._low_c
        rises = risen_k > max(1.0, 3.0 * self.channel.resolution)
        if not self.active and not (rises and min(self.limits.values()) - self.air_c - self.temperature_c < 6.0 * risen_k):
            return False
        if not self.active and self.temperature_c <= self._seen_c + 0.5 * self.channel.resolution:
            return False
        self._seen_c = self.temperature_c
        self._next_s = since_s * (1.0 + FORECAST_GROWTH)
        return True

    def solve(self) -> None:
        """The models anew, after what was read since was held against them."""
        off = 0.0
        if self.focused and self._off_weight > 0.0:
            deviation_k = math.sqrt(self.bank.variance / self._off_weight + self.bank.now_variance())
            off = self._off / (self._off_weight * deviation_k)
        self._above = max(0.0, self._above + off - SURPRISE_ALLOWED)
        self._below = max(0.0, self._below - off - SURPRISE_ALLOWED)
        self._off = self._off_weight = 0.0
        if off > OTHER_BODY and self.temperature_c is not None:
            self._is_another(self.temperature_c)
            return
        if self.explained and (self._above > SURPRISE or self._low_s > max(LATE_SHARE * self.since_s, LATE_S)):
            self.explained = False
            self.likely_s = {}
        if self.has_become_less:
            self.likely_s = {}
        self.focused = self.bank.solve()

    def unlikely(self) -> None:
        """No limit is in sight: look again later."""
        self._next_s = self.since_s * (1.0 + UNLIKELY_GROWTH)
