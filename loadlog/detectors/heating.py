"""`temperature_rising`: at the present power a temperature will reach its limit, and when.

Physical cause: more heat than the cooling carries off below the limit: too much power for the heatsink, a fan that stands, warm air.
Rule: readings are gathered in blocks (`thermal_watch`) and given to a bank of two-pole models (`thermal_bank`) with the measured power as
input (the instant at which it stepped is known to a poll: `thermal_step`) and, where it is measured, the air's temperature (``ambient_c``
of the device or of one of its group, without its noise: `thermal_air`) taken off. Told when a limit (``high``, ``high_high``, the rating)
is likelier reached than not by three to one (`TELL_AT`), to come at least within `MARGIN_K` of it is likelier still (`NEAR_AT`), and
`WAIT_SHARE` of the way to it is over (until then waiting costs nothing and each second makes the forecast better; not waited for from
`TELL_EARLY_AT` on). The confidence is the probability of reaching it. A forecast that makes an unlikely limit (`DROP_AT`) a likely one
waits for the next to confirm it: that may be the readings of a few seconds, while a fan stands for a moment. Where no step of the power
explains the rise (`thermal_watch`), warmer air and a short stop of the fan are its rivals: there the forecast must also have held for
`HOLD_SHARE` of the time that is left. Told again when the limit is expected outside the interval told last, when that has become half as
wide, or the limit certain. Ends when it is crossed (`over_temperature` goes on), or when the probability has fallen below `DROP_AT` at
`DROP_TIMES` forecasts, or the cooling has set in (`thermal_fan`).
A fan that a thermostat switches or steps makes another body of it: a first climb towards a temperature at which none has started yet cannot
know that, and says so; where the fan is read and stands, it is named as the alternative. Once the cooling was seen to set in, in this run
or an earlier one, nothing is told below that temperature, and beyond it that it has not.
Limits: °C, s; power within 4 %, or a new block. Devices that measure temperature and power (or voltage and current). Less than
`LEAST_BLOCKS` blocks since the last unknown change (`LEAST_BLOCKS_KNOWN` where the time constants are known): *learning*.
Time constants 20 s to 1,480 s and 4 to 150 times shorter, or fixed by ``thermal_time_constant_fast_s`` and
``thermal_time_constant_slow_s``; those of an earlier climb are recalled, as well as they were known.
Confusions: warm-up that settles below the limit, told apart by the model as far as the first part of a climb tells: it is a straight line
after a bend, and noise of half a count bends it. A first climb is a choice between early and false: after a fifth of the way an excess
far above the limit is not yet surer than one a little above it, for how long the slow part goes on is what nobody knows then. So it is told
on odds of three to one; nearness to the limit asked for with certainty holds back high excesses and tells those 3 K below no better.
``make events`` (forecast) prints it beside what the exact posterior gives, of the drawn heatsinks and of any that the detector's own prior
allows: at odds at which one in twenty of those 3 K below is told, the latter tells eight to nine in ten three quarters ahead, as the
detector does. Air that grows warmer (named where it is not measured); a cooling that changes is another body: the models disagree with the
readings and are learned anew.
Expected false alarms: as many as the stated confidence leaves over, where the final temperature lies near its limit; far below it none but
for air that grows warmer over minutes where nobody measures it. ``make events`` (forecast, rising) measures both.
Onset: from the last change of power, or of what the models could explain, to the forecast that decided.
Source: first-order step response; as cited in `thermal_bank`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, ClassVar

from loadlog.detectors.base import NOTHING, Context, begin_ns, end_ns, finite, usable
from loadlog.detectors.heat import AIR, knows_power, measures_air, rated_w
from loadlog.detectors.limits import limit_of
from loadlog.detectors.thermal_air import Air, resolution_of_air
from loadlog.detectors.thermal_bank import Known
from loadlog.detectors.thermal_forecast import Forecast, forecast
from loadlog.detectors.thermal_watch import FAST, LEAST_BLOCKS, SLOW, Watch
from loadlog.model.device import ChannelSpec, DeviceSpec
from loadlog.model.event import Event, Finding, Onset, Severity
from loadlog.model.learned import Knowledge, Learned, fact, fixed
from loadlog.model.sample import Sample

TELL_AT, NEAR_AT, CERTAIN_AT, TELL_EARLY_AT = 0.75, 0.85, 0.95, 0.999  # probability
MARGIN_K = 3.0  # a temperature that comes so near its limit is worth a word
DROP_AT, DROP_TIMES = 0.25, 2
WAIT_SHARE = 0.2  # of the way to the limit
HOLD_SHARE = 0.1  # of the time that is left: so long a forecast that no step of the power explains must hold
RETOLD_SHARE, RETOLD_S = 0.02, 2.0  # of the time told last, and at least: so far beyond the interval told last a forecast is another one
RETOLD_WIDTH = 0.5
FAN_STARTS = 0.5  # that a fan which stands will start in time, where no start of it was seen yet; a judgement
FAN_FACT = "cooling_improves_at_c"
UNLIKELY = 0.02
LONGEST_AHEAD_S = 4 * 3600.0
MOST_EARLY = 8  # samples that wait for the first reading of the air
TURNS_RPM = 1.0
RECALLED_DEVIATION = 0.05  # of a time constant, from one climb to the next


class TemperatureRising:
    """All limited temperatures of one device that knows its power."""

    KINDS: ClassVar[tuple[str, ...]] = ("temperature_rising",)

    def __init__(self, device: DeviceSpec) -> None:
        self._device = device
        scale_w = rated_w(device)
        self._watches = [Watch(c, device, limits, scale_w) for c in device.channels if (limits := _limits_of(c, device))][:2]
        self._has_fan = device.channel("fan_rpm") is not None
        self._stood_ns = 0  # when its fan stood last
        self._has_ambient: bool | None = None  # known with the first context: groups do not change
        self._air: Air | None = None  # where it is measured
        self._early: list[tuple[Sample, list[float | None], float]] = []  # with temperatures and power, until the air is read first

    @staticmethod
    def applies(device: DeviceSpec) -> bool:
        """It measures power and a temperature that has a limit."""
        return knows_power(device) and any(_limits_of(c, device) for c in device.channels)

    def restore(self, event: Event) -> None:
        """It was rising when the service stopped; the forecasts decide anew."""
        channel, _, name = event.key.rpartition(".")
        for watch in self._watches:
            if watch.channel.name == channel and name in watch.limits:
                watch.active[name] = Forecast(1.0, 1.0, 0.0, 0.0, math.inf, watch.limits[name], 0.0)

    def recall(self, known: Mapping[str, Learned]) -> None:
        """The time constants: the next climb is that of a body that is known."""
        pair = [_known(known.get(name)) for name in (FAST, SLOW)]
        for watch in self._watches[:1]:
            if pair[0] is not None and pair[1] is not None:
                watch.bank.expect(pair[0], pair[1])
            fan = known.get(FAN_FACT)
            if fan is not None and fan.state is Knowledge.LEARNED and fan.value is not None:
                watch.fan.saw(fan.value)

    def learned(self) -> Sequence[Learned]:
        """Time constants."""
        out: list[Learned] = []
        for watch in self._watches[:1]:
            pair = watch.bank.time_constants() if watch.focused else None
            for place, name in enumerate((FAST, SLOW)):
                given = self._device.fixed.get(name)
                if given is not None:
                    out.append(fixed(name, "s", given))
                    continue
                tau, needed = None if pair is None else pair[place], LEAST_BLOCKS if name == SLOW else 0
                value, uncertainty = (None, None) if tau is None else (tau.tau_s, tau.tau_s * tau.deviation)
                out.append(fact(name, "s", value, uncertainty, watch.blocks, needed, self.KINDS if needed else ()))
            if watch.fan.starts_c is not None:
                out.append(fact(FAN_FACT, "°C", watch.fan.starts_c, watch.channel.resolution, 1))
        return out

    def update(self, sample: Sample, context: Context) -> Sequence[Finding]:
        """See the module."""
        if sample.failure is not None:
            return NOTHING
        power_w = context.power_w(sample)
        if power_w is None:
            return NOTHING
        if self._has_ambient is None:
            self._has_ambient = measures_air(self._device, context)
            self._air = Air(resolution_of_air(self._device, context)) if self._has_ambient else None
        if self._has_fan and (rpm := finite(sample.values.get("fan_rpm"))) is not None and rpm < TURNS_RPM:
            self._stood_ns = sample.stamp.t_utc_ns
        temperatures = [usable(sample, watch.channel.name) for watch in self._watches]
        if self._air is None or (temperatures[0] is None and temperatures[-1] is None):  # of one or two
            return self._take(sample, temperatures, power_w, 0.0)
        air_c = self._air.at(sample, context)
        if not self._air.is_known:
            self._early = [*self._early[1 - MOST_EARLY :], (sample, temperatures, power_w)]
            return NOTHING
        waited, self._early = self._early, []
        return [f for early in (*waited, (sample, temperatures, power_w)) for f in self._take(*early, air_c)]

    def _take(self, sample: Sample, temperatures: Sequence[float | None], power_w: float, air_c: float | None) -> Sequence[Finding]:
        """``air_c``: taken off; None where it is not known at this sample."""
        found: Sequence[Finding] = NOTHING
        for watch, reading_c in zip(self._watches, temperatures, strict=True):
            temperature_c = None if reading_c is None or air_c is None else reading_c - air_c
            if temperature_c is not None and air_c is not None:
                watch.air_c = air_c
            is_block = watch.take(sample, temperature_c, power_w)
            if watch.is_helped:
                watch.is_helped = False
                found = [*found, *(self._end(watch, name, watch.limits[name], sample, "cooling improved") for name in watch.active)]
                watch.active.clear()
            if is_block and watch.is_due():
                watch.solve()
                found = [*found, *self._judge(watch, sample)]
                watch.bank.rest()
        return found

    def forecasts(self) -> Mapping[str, Forecast]:
        """What the models say of each limit at this instant, told or not: by the event's key. Solves them anew."""
        out: dict[str, Forecast] = {}
        for watch in self._watches:
            if watch.blocks >= watch.least_blocks and watch.bank.solve():
                known = {name: forecast(watch.bank, limit_c - watch.air_c) for name, limit_c in watch.limits.items()}
                out |= {f"{watch.channel.name}.{name}": seen for name, seen in known.items() if seen is not None}
        return out

    def _judge(self, watch: Watch, sample: Sample) -> list[Finding]:
        found: list[Finding] = []
        likeliest = 0.0
        for name, limit_c in watch.limits.items():
            if watch.temperature_c is None or not watch.focused:
                continue
            is_active = name in watch.active
            seen = forecast(watch.bank, limit_c - watch.air_c, MARGIN_K, (0.0, 0.0) if is_active else (TELL_AT, NEAR_AT))
            if seen is None:
                continue
            likeliest = max(likeliest, seen.probability)
            if is_active:
                found += self._go_on(watch, name, limit_c, seen, sample)
                continue
            ahead = 0.0 < seen.time_s < LONGEST_AHEAD_S and watch.temperature_c < limit_c - watch.air_c
            before, watch.before[name] = watch.before.get(name, 1.0), seen.probability
            if not _is_likely(seen) or before < DROP_AT or not ahead or watch.waits_for_fan(limit_c):
                watch.likely_s.pop(name, None)
                continue
            held_s = watch.since_s - watch.likely_s.setdefault(name, watch.since_s)
            waited = seen.probability >= TELL_EARLY_AT or watch.since_s >= WAIT_SHARE * (watch.since_s + seen.time_s)
            if waited and (watch.explained or held_s >= HOLD_SHARE * seen.time_s):
                watch.active[name], watch.sure[name], watch.told_ns[name] = seen, 0, watch.last_ns
                found.append(self._finding(watch, name, limit_c, seen, sample))
        if likeliest < UNLIKELY:
            watch.unlikely()
        return found

    def _go_on(self, watch: Watch, name: str, limit_c: float, seen: Forecast, sample: Sample) -> list[Finding]:
        """An active forecast ends, or its time is another one, or better known."""
        told, now_c = watch.active[name], watch.temperature_c
        crossed = now_c is not None and now_c >= limit_c - watch.air_c
        watch.sure[name] = watch.sure.get(name, 0) + 1 if seen.probability < DROP_AT or crossed else 0
        if crossed or watch.sure[name] >= DROP_TIMES:
            del watch.active[name]
            watch.sure[name] = 0
            ends = "reached" if crossed else "settles below"
            if not crossed and now_c is not None and told.probability >= CERTAIN_AT and watch.has_become_less:
                watch.fan.saw(now_c + watch.air_c)  # no chance turns what was certain, and the same power
                ends = "cooling improved"
            return [self._end(watch, name, limit_c, sample, ends)]
        if watch.sure[name] or not math.isfinite(seen.time_s) or not _is_news(told, watch.told_ns.get(name, 0), seen, watch.last_ns):
            return []
        watch.active[name], watch.told_ns[name] = seen, watch.last_ns
        return [self._finding(watch, name, limit_c, seen, sample)]

    def _finding(self, watch: Watch, name: str, limit_c: float, seen: Forecast, sample: Sample) -> Finding:
        channel, device, settled_c = watch.channel.name, self._device.name, seen.final_c + watch.air_c
        onset = Onset(min(watch.step_ns, begin_ns(sample)), end_ns(sample))
        key = f"{channel}.{name}"
        confidence = _stated(seen)
        doubt, others = self._fan(watch, sample, confidence)
        confidence = round(confidence - math.fsum(others.values()), 3)
        likely = "" if confidence >= CERTAIN_AT else "probably " if confidence > 0.5 else "possibly "
        text = (
            f"{device}: {channel} {likely}reaches {limit_c:g} °C in about {_span(seen.time_s)} ({_span(seen.earliest_s)} to "
            f"{_span(seen.latest_s)}, 90 %) at the present power{doubt}; would settle at {settled_c:.0f} °C"
        )
        if not self._has_ambient:
            text += "; warmer air would look the same, its temperature would decide"
        evidence: dict[str, Any] = {
            "channel": channel, "limit_c": limit_c, "temperature_c": round((watch.temperature_c or 0.0) + watch.air_c, 2),
            "time_to_limit_s": round(seen.time_s, 1), "earliest_s": round(seen.earliest_s, 1),
            "latest_s": round(seen.latest_s, 1), "settles_at_c": round(settled_c, 1),
            "settles_deviation_k": round(seen.final_deviation_k, 2), "power_w": round(watch.power_w, 2),
        }  # fmt: skip
        return Finding(
            "temperature_rising", device, Severity.WARNING, onset, text, key=key, confidence=confidence,
            alternatives={**others, "settles_below_limit": round(1.0 - confidence - math.fsum(others.values()), 3)}, evidence=evidence,
        )  # fmt: skip

    def _fan(self, watch: Watch, sample: Sample, confidence: float) -> tuple[str, dict[str, float]]:
        """What a fan may change of it, in words and as an alternative."""
        if watch.fan.starts_c is not None:
            return f", with a cooling that set in at {watch.fan.starts_c:.0f} °C before and has not now", {}
        rpm = finite(sample.values.get("fan_rpm"))
        if rpm is None:
            return ", unless a fan starts", {}
        if rpm >= TURNS_RPM and self._stood_ns < watch.step_ns:
            return "", {}
        said = "starts, which stands" if rpm < TURNS_RPM else "prevents it, which has just started"
        return f", unless its fan {said}", {"fan_starts": round(FAN_STARTS * confidence, 3)}

    def _end(self, watch: Watch, name: str, limit_c: float, sample: Sample, ends: str) -> Finding:
        """``ends``: why."""
        channel, device = watch.channel.name, self._device.name
        what = "has reached" if ends == "reached" else "will stay below"
        text = f"{device}: {channel} {what} {limit_c:g} °C"
        evidence: dict[str, Any] = {"ended": ends}
        if ends == "cooling improved":
            text = f"{device}: the cooling has set in at {watch.fan.starts_c:.0f} °C, a fan most likely"
            evidence[FAN_FACT] = round(watch.fan.starts_c or 0.0, 2)
        onset = Onset(min(watch.step_ns, begin_ns(sample)), end_ns(sample))
        return Finding("temperature_rising", device, Severity.WARNING, onset, text, key=f"{channel}.{name}", clear=True, evidence=evidence)


def _is_likely(seen: Forecast) -> bool:
    """Likely, and likelier still to come at least near the limit."""
    return seen.probability >= TELL_AT and seen.near >= NEAR_AT


def _stated(seen: Forecast) -> float:
    """Its probability as an event states it."""
    return round(min(seen.probability, 0.99), 3)


def _is_news(told: Forecast, told_ns: int, seen: Forecast, now_ns: int) -> bool:
    """The limit is reached at a time that the interval told last excludes, or that interval has become half as wide, or the limit is
    certain by now."""
    if _stated(seen) >= CERTAIN_AT > _stated(told):
        return True
    reached_s = (now_ns - told_ns) / 1e9 + seen.time_s  # from the state told last
    if max(told.earliest_s - reached_s, reached_s - told.latest_s) > max(RETOLD_SHARE * told.time_s, RETOLD_S):
        return True
    told_s, width_s = told.latest_s - told.earliest_s, seen.latest_s - seen.earliest_s
    return width_s < RETOLD_WIDTH * told_s and told_s - width_s > RETOLD_S


def _known(learned: Learned | None) -> Known | None:
    """A time constant from before, a little less sure: fans follow the heat, and dust gathers."""
    if learned is None or learned.state is not Knowledge.LEARNED or not learned.value or learned.uncertainty is None:
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
