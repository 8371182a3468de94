"""`temperature_rising`: at the present power a temperature will reach its limit, and when.

Physical cause: more heat than the cooling carries off below the limit: too much power for the heatsink, a fan that stands, warm air.
Rule: readings are condensed into blocks that lengthen with the time since power last changed (a response's shape stands in the logarithm of
time), given to a bank of two-pole models (`thermal_bank`) with the measured power as input and, where it is measured, the air's temperature
(``ambient_c`` of the device or of one of its group) taken off. Told when the limit (``high``, ``high_high``, the rating) is reached with a
probability of `TELL_AT`, has been for `HOLD_SHARE` of the time that is left, and `WAIT_SHARE` of the way to it is over (until then waiting
costs nothing and each second makes the forecast better; not waited for from `TELL_EARLY_AT` on); told again when the time has become
another one. Ends when the limit is crossed (`over_temperature` goes on), or when the probability has fallen below `DROP_AT` at
`DROP_TIMES` forecasts.
Limits: °C, s; power within 4 %, or a new block. Devices that measure temperature and power (or voltage and current). Less than
`LEAST_BLOCKS` blocks since the last unknown change: *learning*. Time constants 20 s to 1,480 s and 4 to 150 times shorter, or fixed by
``thermal_time_constant_fast_s`` and ``thermal_time_constant_slow_s``; those of an earlier climb are recalled.
Confusions: warm-up that settles below the limit, told apart by the model as far as the first part of a climb tells: it is a straight line
after a bend, and noise of half a count bends it. A first climb is a choice between early and false, on simulated climbs with readings to
0.1 K (excess 2 to 15 K; final 3 K below the limit; developed on 140 of each): at 0.85 90 % are told with three quarters of the time
left and 10 % falsely, at 0.9 86 % and 9 %, at 0.95, as chosen here, 71 % and 3 % (62 % and 3 % of 100 fresh ones); all are told before
half of the way; models solved in full from all readings did no better there, which is no proof that nothing can. Of second climbs,
whose time constants are known, 97 % are told in time and none falsely (100 of each). These shares were counted before forecasts had to
hold, and before the weights of a coarse grid were flattened (`thermal_bank`): both make a first climb told later, all before half of the
way as before. Air that grows warmer (named where it is not measured); a cooling that changes is another body: the models disagree with
the readings and are learned anew.
Expected false alarms: as many as the stated confidence leaves over, where the final temperature lies near its limit; far below it none.
``make events`` (forecast, rising) measures both.
Onset: from the last change of power, or of what the models could explain, to the forecast that decided.
Source: first-order step response; as cited in `thermal_bank`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, ClassVar

from loadlog.detectors.base import NOTHING, Context, begin_ns, end_ns, usable
from loadlog.detectors.heat import AIR, air_of, knows_power, measures_air, power_of, rated_w
from loadlog.detectors.limits import limit_of
from loadlog.detectors.thermal_bank import Bank, Known
from loadlog.detectors.thermal_forecast import Forecast, forecast
from loadlog.model.device import ChannelSpec, DeviceSpec
from loadlog.model.event import Event, Finding, Onset, Severity
from loadlog.model.learned import Knowledge, Learned, fact, fixed
from loadlog.model.sample import Sample

TELL_AT, TELL_EARLY_AT, DROP_AT, DROP_TIMES = 0.95, 0.999, 0.5, 2
WAIT_SHARE = 0.2  # of the way to the limit
HOLD_SHARE = 0.1  # of the time that is left: so long a forecast must hold, since warmer air or a short stop of the fan begins like a climb
RETOLD_TIME, RETOLD_WIDTH = 0.05, 0.7
LEAST_BLOCKS, LEAST_SINCE_S = 6, 5.0
POWER_STEP_SHARE = 0.04
BLOCKS_PER_FOLD = 48.0  # blocks while the time since the last step grows e-fold
BLOCK_WORTH = 20.0  # readings at most: what all of a block share does not go away with more of them
FORECAST_GROWTH, UNLIKELY_GROWTH, UNLIKELY = 0.07, 0.15, 0.02
SHORTEST_BLOCK_S, LONGEST_BLOCK_S, LONGEST_GAP_S = 1.0, 20.0, 60.0
LONGEST_AHEAD_S = 4 * 3600.0
MISFIT_DEVIATIONS, MISFIT_BLOCKS = 6.0, 3
DITHERED = 0.15  # half the mean squared difference of readings, in counts, from which noise hides their rounding
DITHER_SAMPLES, MOST_CORRELATED = 100.0, 6.0
WELL_KNOWN, RECALLED_DEVIATION = 0.3, 0.05  # of a time constant; less well known it is not taken up
_FAST, _SLOW = "thermal_time_constant_fast_s", "thermal_time_constant_slow_s"


class _Block:
    """Readings in the making: times from the block's begin, s."""

    __slots__ = ("begin_ns", "energy_j", "n", "polls", "sum_c", "sum_s")

    def __init__(self, begin_ns: int) -> None:
        self.begin_ns = begin_ns
        self.n = self.polls = 0
        self.sum_c = self.sum_s = self.energy_j = 0.0


class _Watch:
    """One temperature and its limits."""

    __slots__ = (
        "active", "air_c", "bank", "block", "blocks", "channel", "deviation_k", "dither", "focused", "last_c", "last_ns", "likely_s",
        "limits", "low_c", "misfit", "next_s", "power_w", "scale_w", "seen_c", "step_ns", "sure", "temperature_c", "told_ns",
    )  # fmt: skip

    def __init__(self, channel: ChannelSpec, device: DeviceSpec, limits: Mapping[str, float], scale_w: float) -> None:
        fast, slow = device.fixed.get(_FAST), device.fixed.get(_SLOW)
        self.channel, self.limits, self.scale_w = channel, limits, scale_w
        self.deviation_k = max(channel.resolution / math.sqrt(6.0), 0.02)  # rounding, and as much noise
        self.bank = Bank(scale_w, self.deviation_k, fast, slow)
        self.active: dict[str, Forecast] = {}
        self.block: _Block | None = None
        self.last_ns = self.step_ns = 0
        self.power_w = 0.0
        self.temperature_c: float | None = None
        self.low_c = math.inf  # coolest block since the step
        self.seen_c = -math.inf  # at the last forecast since the step
        self.blocks = self.misfit = 0
        self.next_s = 0.0
        self.last_c: float | None = None
        self.dither = DITHERED  # counts²
        self.sure: dict[str, int] = {}
        self.likely_s: dict[str, float] = {}  # since the step, from when on the limit has been as good as certain
        self.told_ns: dict[str, int] = {}  # when the active forecast was told
        self.focused = False
        self.air_c = 0.0  # taken off the temperatures where it is measured

    def restart(self, sample: Sample, temperature_c: float, power_w: float) -> None:
        """A beginning, or after a gap."""
        self.bank.restart(temperature_c, power_w)
        self.blocks = self.misfit = 0
        self.last_ns = sample.stamp.t_utc_ns
        self.temperature_c = temperature_c
        self.began(sample, power_w)

    def began(self, sample: Sample, power_w: float) -> None:
        """Power is another one."""
        self.power_w = power_w
        self._changed(math.inf if self.temperature_c is None else self.temperature_c)
        self.block = _Block(self.last_ns)
        self.bank.stepped()

    def _changed(self, low_c: float) -> None:
        """Forecasts begin anew here: what they said of the time before holds no more."""
        self.step_ns, self.low_c, self.seen_c, self.next_s = self.last_ns, low_c, -math.inf, 0.0
        self.sure, self.likely_s = {}, {}

    def take(self, sample: Sample, temperature_c: float | None, power_w: float) -> bool:
        """One sample; True when a block was finished."""
        now_ns = sample.stamp.t_utc_ns
        if self.block is None or not 0 <= now_ns - self.last_ns <= LONGEST_GAP_S * 1e9:
            if temperature_c is not None:
                self.restart(sample, temperature_c, power_w)
            return False
        block = self.block
        block.energy_j += power_w * (now_ns - self.last_ns) / 1e9
        self.last_ns = now_ns
        block.polls += 1
        if temperature_c is not None:
            self._see(temperature_c)
            block.n += 1
            block.sum_c += temperature_c
            block.sum_s += (now_ns - block.begin_ns) / 1e9
        length_s, since_s = (now_ns - block.begin_ns) / 1e9, (now_ns - self.step_ns) / 1e9
        stepped = abs(power_w - self.power_w) > POWER_STEP_SHARE * max(abs(self.power_w), 0.1 * self.scale_w)
        if length_s < SHORTEST_BLOCK_S or not (stepped or (block.n and length_s >= min(since_s / BLOCKS_PER_FOLD, LONGEST_BLOCK_S))):
            return False
        self._close(block, length_s)
        if stepped:
            self.began(sample, power_w)
        else:
            self.block = _Block(now_ns)
        return True

    def _see(self, temperature_c: float) -> None:
        """How much successive readings differ: rounding that noise does not hide is the same for many of them."""
        count_k = self.channel.resolution
        if self.last_c is not None and count_k > 0.0:
            moved = (temperature_c - self.last_c) / count_k
            self.dither += (0.5 * moved * moved - self.dither) / DITHER_SAMPLES
            self.bank.correlated = min(max(DITHERED / max(self.dither, 1e-6), 1.0), MOST_CORRELATED)
        self.last_c = temperature_c

    def _close(self, block: _Block, length_s: float) -> None:
        power_w = block.energy_j / length_s
        if block.n == 0:
            self.bank.advance(length_s, power_w)
            return
        mean_c, middle_s = block.sum_c / block.n, min(block.sum_s / block.n, length_s)
        self.bank.advance(middle_s, power_w)
        expected_c = self.bank.now_c() if self.focused else None
        bound_k = MISFIT_DEVIATIONS * math.sqrt(max(self.bank.variance, self.deviation_k**2)) + 2.0 * self.channel.resolution + 0.5
        self.misfit = self.misfit + 1 if expected_c is not None and abs(mean_c - expected_c) > bound_k else 0
        if self.misfit >= MISFIT_BLOCKS:
            self.bank.relearn(mean_c)
            self.blocks = self.misfit = 0
            self.focused = False
            self._changed(mean_c)
        self.bank.observe(mean_c, 1.0 / (1.0 / block.n + 1.0 / BLOCK_WORTH))
        self.blocks += 1
        self.temperature_c = mean_c
        self.low_c = min(self.low_c, mean_c)
        self.bank.advance(length_s - middle_s, power_w)

    def due(self) -> bool:
        """A forecast is worth its cost: enough is known, it is time, and the temperature rises towards a limit and has risen since the
        last forecast."""
        since_s = self.since_s
        if self.blocks < LEAST_BLOCKS or self.temperature_c is None or since_s < max(self.next_s, LEAST_SINCE_S):
            return False
        risen_k = self.temperature_c - self.low_c
        rises = risen_k > max(1.0, 3.0 * self.channel.resolution)
        if not self.active and not (rises and min(self.limits.values()) - self.air_c - self.temperature_c < 6.0 * risen_k):
            return False
        if not self.active and self.temperature_c <= self.seen_c + 0.5 * self.channel.resolution:
            return False
        self.seen_c = self.temperature_c
        self.next_s = since_s * (1.0 + FORECAST_GROWTH)
        return True

    @property
    def since_s(self) -> float:
        """Since the last step of the power."""
        return (self.last_ns - self.step_ns) / 1e9


class TemperatureRising:
    """All limited temperatures of one device that knows its power."""

    KINDS: ClassVar[tuple[str, ...]] = ("temperature_rising",)

    def __init__(self, device: DeviceSpec) -> None:
        self._device = device
        scale_w = rated_w(device)
        self._watches = [_Watch(c, device, limits, scale_w) for c in device.channels if (limits := _limits_of(c, device))][:2]
        self._has_ambient: bool | None = None  # known with the first context: groups do not change

    @staticmethod
    def applies(device: DeviceSpec) -> bool:
        """It measures power and a temperature that has a limit."""
        return knows_power(device) and any(_limits_of(c, device) for c in device.channels)

    def restore(self, event: Event) -> None:
        """It was rising when the service stopped; the forecasts decide anew."""
        channel, _, name = event.key.rpartition(".")
        for watch in self._watches:
            if watch.channel.name == channel and name in watch.limits:
                watch.active[name] = Forecast(1.0, 0.0, 0.0, math.inf, watch.limits[name], 0.0)

    def recall(self, known: Mapping[str, Learned]) -> None:
        """The time constants: the next climb is that of a body that is known."""
        pair = [_known(known.get(name)) for name in (_FAST, _SLOW)]
        for watch in self._watches[:1]:
            if pair[0] is not None and pair[1] is not None:
                watch.bank.expect(pair[0], pair[1])

    def learned(self) -> Sequence[Learned]:
        """Time constants."""
        out: list[Learned] = []
        for watch in self._watches[:1]:
            pair = watch.bank.time_constants() if watch.focused else None
            for place, name in enumerate((_FAST, _SLOW)):
                given = self._device.fixed.get(name)
                if given is not None:
                    out.append(fixed(name, "s", given))
                    continue
                tau, needed = None if pair is None else pair[place], LEAST_BLOCKS if name == _SLOW else 0
                value, uncertainty = (None, None) if tau is None else (tau.tau_s, tau.tau_s * tau.deviation)
                out.append(fact(name, "s", value, uncertainty, watch.blocks, needed, self.KINDS if needed else ()))
        return out

    def update(self, sample: Sample, context: Context) -> Sequence[Finding]:
        """See the module."""
        if sample.failure is not None:
            return NOTHING
        power_w = power_of(self._device, sample)
        if power_w is None:
            return NOTHING
        found: list[Finding] = []
        if self._has_ambient is None:
            self._has_ambient = measures_air(self._device, context)
        for watch in self._watches:
            temperature_c = usable(sample, watch.channel.name)
            if self._has_ambient and temperature_c is not None:
                air_c = air_of(sample, context)
                temperature_c = None if air_c is None else temperature_c - air_c
                watch.air_c = watch.air_c if air_c is None else air_c
            if watch.take(sample, temperature_c, power_w) and watch.due():
                watch.focused = watch.bank.solve()
                found += self._judge(watch, sample)
                watch.bank.rest()
        return found

    def forecasts(self) -> Mapping[str, Forecast]:
        """What the models say of each limit at this instant, told or not: by the event's key. Solves them anew."""
        out: dict[str, Forecast] = {}
        for watch in self._watches:
            if watch.blocks >= LEAST_BLOCKS and watch.bank.solve():
                known = {name: forecast(watch.bank, limit_c - watch.air_c) for name, limit_c in watch.limits.items()}
                out |= {f"{watch.channel.name}.{name}": seen for name, seen in known.items() if seen is not None}
        return out

    def _judge(self, watch: _Watch, sample: Sample) -> list[Finding]:
        found: list[Finding] = []
        likeliest = 0.0
        for name, limit_c in watch.limits.items():
            if watch.temperature_c is None or not watch.focused:
                continue
            is_active = name in watch.active
            seen = forecast(watch.bank, limit_c - watch.air_c, 0.0 if is_active else TELL_AT)
            if seen is None:
                continue
            likeliest = max(likeliest, seen.probability)
            if is_active:
                found += self._go_on(watch, name, limit_c, seen, sample)
                continue
            ahead = 0.0 < seen.time_s < LONGEST_AHEAD_S and watch.temperature_c < limit_c - watch.air_c
            if seen.probability < TELL_AT or not ahead:
                watch.likely_s.pop(name, None)
                continue
            held_s = watch.since_s - watch.likely_s.setdefault(name, watch.since_s)
            waited = seen.probability >= TELL_EARLY_AT or watch.since_s >= WAIT_SHARE * (watch.since_s + seen.time_s)
            if waited and held_s >= HOLD_SHARE * seen.time_s:
                watch.active[name], watch.sure[name], watch.told_ns[name] = seen, 0, watch.last_ns
                found.append(self._finding(watch, name, limit_c, seen, sample))
        if likeliest < UNLIKELY:
            watch.next_s = watch.since_s * (1.0 + UNLIKELY_GROWTH)
        return found

    def _go_on(self, watch: _Watch, name: str, limit_c: float, seen: Forecast, sample: Sample) -> list[Finding]:
        """An active forecast ends, or its time is another one, or better known."""
        crossed = watch.temperature_c is not None and watch.temperature_c >= limit_c - watch.air_c
        watch.sure[name] = watch.sure.get(name, 0) + 1 if seen.probability < DROP_AT or crossed else 0
        if crossed or watch.sure[name] >= DROP_TIMES:
            del watch.active[name]
            watch.sure[name] = 0
            return [self._finding(watch, name, limit_c, seen, sample, "reached" if crossed else "settles below")]
        told = watch.active[name]
        if not math.isfinite(seen.time_s) or not _is_news(told, watch.told_ns.get(name, 0), seen, watch.last_ns):
            return []
        watch.active[name], watch.told_ns[name] = seen, watch.last_ns
        return [self._finding(watch, name, limit_c, seen, sample)]

    def _finding(self, watch: _Watch, name: str, limit_c: float, seen: Forecast, sample: Sample, ends: str = "") -> Finding:
        channel, device, settled_c = watch.channel.name, self._device.name, seen.final_c + watch.air_c
        onset = Onset(min(watch.step_ns, begin_ns(sample)), end_ns(sample))
        key = f"{channel}.{name}"
        if ends:
            what = "has reached" if ends == "reached" else "will stay below"
            text = f"{device}: {channel} {what} {limit_c:g} °C"
            return Finding("temperature_rising", device, Severity.WARNING, onset, text, key=key, clear=True, evidence={"ended": ends})
        text = (
            f"{device}: {channel} reaches {limit_c:g} °C in about {_span(seen.time_s)} ({_span(seen.earliest_s)} to "
            f"{_span(seen.latest_s)}, 90 %) at the present power; would settle at {settled_c:.0f} °C"
        )
        if not self._has_ambient:
            text += "; warmer air would look the same, its temperature would decide"
        evidence: dict[str, Any] = {
            "channel": channel, "limit_c": limit_c, "temperature_c": round((watch.temperature_c or 0.0) + watch.air_c, 2),
            "time_to_limit_s": round(seen.time_s, 1), "earliest_s": round(seen.earliest_s, 1),
            "latest_s": round(seen.latest_s, 1), "settles_at_c": round(settled_c, 1),
            "settles_deviation_k": round(seen.final_deviation_k, 2), "power_w": round(watch.power_w, 2),
        }  # fmt: skip
        confidence = round(min(seen.probability, 0.99), 3)
        return Finding(
            "temperature_rising", device, Severity.WARNING, onset, text, key=key, confidence=confidence,
            alternatives={"settles_below_limit": round(1.0 - confidence, 3)}, evidence=evidence,
        )  # fmt: skip


def _is_news(told: Forecast, told_ns: int, seen: Forecast, now_ns: int) -> bool:
    """The limit is reached at another time than was told, or the interval has become narrower."""
    left_s = told.time_s - (now_ns - told_ns) / 1e9
    moved = abs(seen.time_s - left_s) > RETOLD_TIME * max(seen.time_s, 1.0)
    return moved or seen.latest_s - seen.earliest_s < RETOLD_WIDTH * (told.latest_s - told.earliest_s)


def _known(learned: Learned | None) -> Known | None:
    """A time constant from before, a little less sure: fans follow the heat, and dust gathers."""
    if learned is None or learned.state is not Knowledge.LEARNED or not learned.value or learned.uncertainty is None:
        return None
    if learned.uncertainty > WELL_KNOWN * learned.value:
        return None
    return Known(learned.value, math.hypot(learned.uncertainty / learned.value, RECALLED_DEVIATION))


def _limits_of(channel: ChannelSpec, device: DeviceSpec) -> dict[str, float]:
    """The upper limits of a temperature, lowest first."""
    if channel.unit != "°C" or channel.kind != "number" or channel.name == AIR:
        return {}
    spec = limit_of(device, channel.name)
    known = {"rating": channel.high}
    if spec is not None:
        known |= {"high": spec.high, "high_high": spec.high_high}
    return dict(sorted(((k, v) for k, v in known.items() if v is not None), key=lambda item: item[1]))


def _span(seconds: float) -> str:
    """For people."""
    if not math.isfinite(seconds):
        return "hours"
    return f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.1f} h"
