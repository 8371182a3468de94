"""What a fallen sense lead changes in each mode, and what stays as the load regulates it.

The load regulates *held* by the voltage that it senses; *signal* is what moves when the lead falls off (source: EMF behind R_s; path R_p):

- CC: current held, voltage steps by -I·R_p.
- CP: V·I held (as ln V + ln I), voltage steps by -I·R_p, the current rises along the curve. CR: V/I held (ln V - ln I), both fall.
- CV: voltage held, the current steps from I to I·R_s/(R_s + R_p), so by R_p/R_s of what is left.

So the step is always a *coefficient* times the current with the lead off: R_p in Ω, in CV R_p/R_s. A change of what is held moves the
operating point; both together give dV/dI. Exact for a Thevenin source and resistive leads (circuit theory).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any, Self

from loadlog.detectors.converter import MISSING, SEVERAL
from loadlog.detectors.sense_causes import (
    DROOP,
    LEAD,
    LIMIT,
    NOTHING_SEEN,
    PRIOR_HAND,
    PRIOR_LEAD,
    PRIOR_ORDERED,
    AtSource,
    PathPrior,
    PeerStep,
    drift_v,
    odds_of_hand,
    probability_of_lead,
    source_density,
    source_resistances,
)
from loadlog.detectors.statistics import alarm_probability
from loadlog.detectors.steps import FAR, KEPT, MOST_DOUBT, READY, Step, StepWatch
from loadlog.model.device import DeviceSpec
from loadlog.model.event import Event, Onset
from loadlog.model.learned import NOISE, Learned, fact, fixed
from loadlog.model.sample import Sample

MODES = ("cc", "cv", "cp", "cr")
LARGEST_SOURCE_OHM, SMALLEST_SOURCE_OHM = 0.5, 0.005  # believed while it is not known
EXPLAINED_SHARE = 0.3
ONE_STEP = 1.5  # of a converter that is coarser than its digits, and less is one
THERE_AND_BACK = 3  # changes between the neighbours of a code that is missing
MOST_DOUBT_OF_SUSPECTED = 0.01  # odds of burst and ramp against a step of a size that nobody expects: a droop of the mains makes any


class ModeWatch:
    """Signal and held quantity of one load in one mode, that has a reading every ``period_s``. ``per_1000_h``: false alarms of the signal
    that are allowed."""

    __slots__ = ("_count", "_i_step", "_is_told", "_lacks", "_last_ns", "_least", "_v_step", "held", "mode", "signal")

    def __init__(self, device: DeviceSpec, mode: str, per_1000_h: float, period_s: float) -> None:
        voltage, current = device.channel("voltage_v"), device.channel("current_a")
        assert voltage is not None  # `SenseFallback.applies` says so
        assert current is not None
        self.mode = mode
        self._is_told = device.channel("mode") is not None
        self._v_step, self._i_step = voltage.resolution, current.resolution
        probability = alarm_probability(per_1000_h, period_s)
        signal, held = (current.resolution, voltage.resolution) if mode == "cv" else (voltage.resolution, current.resolution)
        self.signal, self.held = StepWatch(period_s, signal, probability), StepWatch(period_s, held, probability)
        self._count, self._least = signal, 0.0  # of a step of the signal: less may be its level, going over into a coarse converter's next
        self._lacks: tuple[float, ...] = ()  # a code of the signal: how far those beside it are apart, and these
        self._last_ns: int | None = None
        for name, watch in self._by_channel().items():
            given = device.fixed.get(f"{NOISE}{name}")
            if given is not None and given > 0.0:
                watch.fix(given)

    def convert(self, v_step: float, i_step: float) -> None:
        """The instrument tells no smaller steps apart."""
        self._v_step, self._i_step = v_step, i_step
        step = i_step if self.mode == "cv" else v_step
        self._least = ONE_STEP * step if step > self._count else 0.0
        if self.mode == "cv":
            self.signal.quantum, self.held.quantum = i_step, v_step
            return
        self.signal.quantum = v_step
        if self.mode == "cc":
            self.held.quantum = i_step

    def _by_channel(self) -> Mapping[str, StepWatch]:
        if self.mode == "cv":
            return {"voltage_v": self.held, "current_a": self.signal}
        return {"voltage_v": self.signal, "current_a": self.held} if self.mode == "cc" else {"voltage_v": self.signal}

    def learned(self, device: DeviceSpec, kinds: tuple[str, ...]) -> list[Learned]:
        """Noise of one sample of each channel that is watched as it is; ``kinds`` wait for it."""
        out = []
        for name, watch in self._by_channel().items():
            unit, n, given = name[-1].upper(), watch.trend.n, device.fixed.get(f"{NOISE}{name}")
            if given is not None:
                out.append(fixed(f"{NOISE}{name}", unit, given))
            else:
                sigma = watch.sigma if watch.ready else None
                out.append(fact(f"{NOISE}{name}", unit, sigma, watch.sigma / math.sqrt(2.0 * max(n, 1)), n, READY, kinds))
        return out

    def restart(self) -> None:
        """A new operating point; noise stays known."""
        self.signal.restart()
        self.held.restart()

    def push(self, voltage_v: float, current_a: float, sample: Sample) -> None:
        """The next sample; a current or voltage that is not positive has no curve and starts again."""
        mode = self.mode
        if mode in ("cp", "cr"):
            if voltage_v <= 0.0 or current_a <= 0.0:
                self.restart()
                return
            if self.held.trend.n == 0:
                self.held.quantum = math.hypot(self._v_step / voltage_v, self._i_step / current_a)
        t_ns = sample.stamp.t_utc_ns
        watch, last_ns = self.signal, self._last_ns
        elapsed = 1.0 if last_ns is None else watch.elapsed(last_ns, t_ns)
        self._last_ns = t_ns
        signal, held = (voltage_v, current_a) if mode == "cc" else self.quantities(voltage_v, current_a)
        watch.update(signal, sample, elapsed)
        self.held.update(held, sample, elapsed)

    def quantities(self, voltage_v: float, current_a: float) -> tuple[float, float]:
        """(signal, held) of a reading."""
        if self.mode == "cv":
            return current_a, voltage_v
        if self.mode == "cc":
            return voltage_v, current_a
        return voltage_v, math.log(voltage_v) + (1.0 if self.mode == "cp" else -1.0) * math.log(current_a)

    def point(self, signal: float, held: float) -> tuple[float, float]:
        """(V, A) of signal and held."""
        if self.mode == "cv":
            return held, signal
        if self.mode == "cc":
            return signal, held
        if signal <= 0.0 or abs(held) > 100.0:
            return signal, 0.0
        return (signal, math.exp(held) / signal) if self.mode == "cp" else (signal, signal / math.exp(held))

    def expected_step(self, coefficient: float, is_fallen: bool, least_a: float) -> float:
        """Of the signal, with its sign: what a lead that falls off makes here, or with ``is_fallen`` one that comes back."""
        current_a = max(abs(self.point(self.signal.level, self.held.level)[1]), least_a)
        if is_fallen:
            return coefficient * current_a
        return -coefficient * (current_a / (1.0 + coefficient) if self.mode == "cv" else current_a)

    def around(self, samples: int) -> tuple[tuple[float, float], tuple[float, float]]:
        """(V, A) before and after a change that the last samples show."""
        signal, held = self.signal.now(samples), self.held.now(samples)
        before = self.point(signal - self.signal.mean_of_last(samples), held - self.held.mean_of_last(samples))
        return before, self.point(signal, held)

    def explains(self, step: Step) -> bool:
        """What is held may have moved as much as to make this step of the signal through the source's resistance; or a level that drifts
        has gone over into the next step of a coarse converter, as noise lets it in no time at all. In CV it has moved against the current
        (`odds_of_hand` weighs what it did with it), as where a source collapses."""
        if abs(step.size) < max(self._least, self._over_missing()):
            return True
        moved = abs(self.held.mean_of_last(step.samples))
        if not self._is_told and self._on_curve(step.samples):
            return False
        if self.mode == "cv":
            is_against = self.held.mean_of_last(step.samples) * step.size > 0.0
            return is_against and moved > 0.5 * self._v_step + FAR * self.held_spread(step.samples)
        through_a = 1.0 if self.mode == "cc" else abs(self.around(step.samples)[1][1])
        return moved * through_a * LARGEST_SOURCE_OHM > EXPLAINED_SHARE * abs(step.size)

    def odds_of_hand(self, step: Step, source: tuple[float | None, float], prior: float) -> float:
        """That another voltage was set (`sense_causes`); 0 in other modes. ``source``: its resistance (None: unknown), uncertainty, Ω."""
        if self.mode != "cv":
            return 0.0
        moved_v = self.held.mean_of_last(step.samples)
        return odds_of_hand(moved_v, self.held_spread(step.samples), step.size, self._v_step, source_resistances(*source), prior)

    def held_spread(self, samples: int) -> float:
        """Deviation of the mean of what is held over the last samples, beside its level."""
        held = self.held
        return math.hypot(held.deviation_of_mean(samples), held.sigma * math.sqrt(held.level_variance))

    def _over_missing(self) -> float:
        """As `_least`, where the converter lacks a code just here: readings go to and fro over it, or went before, and none shows it."""
        count, values = self._i_step if self.mode == "cv" else self._v_step, self.signal.last(KEPT)
        changes = [(abs(b - a), a, b) for a, b in pairwise(values) if a != b]
        least = min(changes, default=(0.0,))
        if len(changes) >= THERE_AND_BACK and SEVERAL * count < least[0] <= MISSING * count:
            self._lacks = least
        if set(values) <= set(self._lacks[1:]):
            return math.inf
        return ONE_STEP * least[0] if least is self._lacks else 0.0

    def _on_curve(self, samples: int) -> bool:
        """Voltage and current changed by the same share in the same direction: constant resistance. No set-point does that behind a source
        with resistance, so a load that does not tell its mode is in CR and something before it stepped."""
        (v_before, i_before), (v_after, i_after) = self.around(samples)
        if min(v_before, v_after, i_before, i_after) <= 0.0:
            return False
        rise_v, rise_i = math.log(v_after / v_before), math.log(i_after / i_before)
        spread = math.hypot(self.signal.sigma / v_after, self.held.sigma / i_after) * math.sqrt(1.0 / samples + 0.1)
        return rise_v * rise_i > 0.0 and abs(rise_v - rise_i) <= 2.5 * spread and abs(rise_i) > 2.5 * spread

    def slope(self, samples: int) -> tuple[float, float] | None:
        """-dV/dI and its uncertainty, Ω, from a change of what is held; None when the current hardly changed."""
        (v_before, i_before), (v_after, i_after) = self.around(samples)
        change_a = i_after - i_before
        if change_a == 0.0:
            return None
        ohm = -(v_after - v_before) / change_a
        spread = math.sqrt(1.0 / samples + 0.1)
        if self.mode == "cv":
            return ohm, math.hypot(self.held.sigma, ohm * self.signal.sigma) * spread / abs(change_a)
        return ohm, self.signal.sigma * spread / abs(change_a)

    def flow(self, samples: int) -> tuple[float, float] | None:
        """-dI/dV and its uncertainty, S, from another voltage that a load in CV was set to; None in other modes."""
        (v_before, i_before), (v_after, i_after) = self.around(samples)
        change_v = v_after - v_before
        if self.mode != "cv" or change_v == 0.0:
            return None
        siemens = -(i_after - i_before) / change_v
        return siemens, math.hypot(self.signal.sigma, siemens * self.held.sigma) * math.sqrt(1.0 / samples + 0.1) / abs(change_v)

    def same_point(self, held: float) -> bool:
        """The operating point is about where ``held`` was."""
        now = self.held.level
        if self.mode == "cv":
            return abs(now - held) <= 5.0 * self.held.sigma
        return abs(now - held) <= (0.1 * abs(held) if self.mode == "cc" else 0.1)


@dataclass(slots=True)
class Case:
    """A step that waits for what the group shows, at most ``wait`` more polls. ``before``, ``after``: (V, A); ``fallen_a``: current with
    the lead off; ``until_ns``: end of the sample that showed enough of it; ``real``: probability that there was a step at all;
    ``own_spread_v``: uncertainty of what our own voltage changed by; ``hand``: odds that another voltage was set."""

    step: Step
    mode: str
    before: tuple[float, float]
    after: tuple[float, float]
    fallen_a: float
    held: float
    wait: int
    until_ns: int = 0
    real: float = 1.0
    own_spread_v: float = 0.0
    hand: float = 0.0

    @property
    def size(self) -> float:
        """Of the step, without sign."""
        return abs(self.step.size)

    @property
    def moved_a(self) -> float:
        """How far our own current moved."""
        return abs(self.after[1]) - abs(self.before[1])

    @property
    def scale(self) -> float:
        """The largest step that the source could make."""
        return max(abs(self.before[1]), self.size) if self.mode == "cv" else max(abs(self.after[0]), self.size)

    @property
    def step_name(self) -> str:
        """Name of the step in the evidence."""
        return "step_a" if self.mode == "cv" else "step_v"

    def _densities(self, prior: PathPrior, is_towards_lead: bool) -> tuple[float, float]:
        """Of a step of this size that the source made, and of one that source or lead made, 1/unit."""
        source = source_density(self.size, self.scale)
        lead = prior.density(self.size, self.step.uncertainty, self.fallen_a) if is_towards_lead else source
        return source, PRIOR_LEAD * lead + (1.0 - PRIOR_LEAD) * source

    def doubt(self, prior: PathPrior, is_towards_lead: bool) -> float:
        """Odds that there was no step at all, with the sizes in mind that a lead or the source would give."""
        return self.step.doubt(self._densities(prior, is_towards_lead)[1])

    def prior_of_hand(self, prior: PathPrior, is_towards_lead: bool, is_ordered: bool) -> float:
        """Odds that another voltage was set, before that is looked at; it steps the current by any size, as the source does."""
        source, either = self._densities(prior, is_towards_lead)
        return (PRIOR_ORDERED if is_ordered else PRIOR_HAND) * source / max(either, 1e-300)

    def is_believed(self, prior: PathPrior, is_towards_lead: bool) -> bool:
        """It is hardly a burst or a ramp; where its size does not speak for the lead, its shape must be the surer."""
        is_told_by_shape = is_towards_lead and not prior.fits(self.size, self.step.uncertainty, self.fallen_a)
        return self.doubt(prior, is_towards_lead) <= (MOST_DOUBT_OF_SUSPECTED if is_told_by_shape else MOST_DOUBT)

    def causes(self, prior: PathPrior, seen: Iterable[PeerStep], source: tuple[float | None, float]) -> dict[str, float]:
        """Probabilities of lead and source, if it was a step."""
        of_lead = probability_of_lead(
            self.size, self.step.uncertainty, self.fallen_a, self.scale, prior, seen, self.at_source(source), self.own_spread_v,
            self.drift(source[0]),
        )  # fmt: skip
        return {LEAD: of_lead, DROOP: 1.0 - of_lead}

    def at_source(self, source: tuple[float | None, float]) -> AtSource:
        """What a device at the source must see. In CV the source is relieved; in CP and CR its change is R_s·dI, below what is seen."""
        if self.mode != "cv":
            return AtSource(NOTHING_SEEN, self.step.size)
        relieved_a = -self.step.size
        return AtSource([(share, ohm * relieved_a, deviation * self.size) for share, ohm, deviation in source_resistances(*source)], 0.0)

    def drift(self, source_ohm: float | None) -> float:
        """By how much a drifting source may have moved the signal while nobody looked, one deviation; 0 where somebody did."""
        step = self.step
        if not step.gap_s:
            return 0.0
        if self.mode != "cv":
            return drift_v(self.before[0], step.slope, step.gap_s)
        return math.hypot(drift_v(self.before[0], 0.0, step.gap_s) / (source_ohm or SMALLEST_SOURCE_OHM), step.slope * step.gap_s)

    def evidence(self, source_ohm: float | None) -> dict[str, Any]:
        """What was measured."""
        out: dict[str, Any] = {
            self.step_name: round(self.step.size, 6), self.step_name.replace("step", "step_uncertainty"): round(self.step.uncertainty, 6),
            "current_a": round(abs(self.after[1]), 6), "voltage_v": round(self.after[0], 6), "mode": self.mode,
            "samples": self.step.samples,
        }  # fmt: skip
        per_ohm = source_ohm if self.mode == "cv" else 1.0
        if per_ohm is not None:
            out["path_resistance_ohm"] = round(per_ohm * self.size / self.fallen_a, 6)
        return out


@dataclass(slots=True)
class Fallen:
    """The lead is off, or the source in its limit (``kind``): its coefficient (`sense_modes`), and the signal's levels on both sides of the
    step at ``held``. ``causes``: their probabilities; ``is_proved``: by dV/dI or by the group."""

    mode: str
    coefficient: float
    path_ohm: float | None
    suspected: bool
    kind: str
    causes: dict[str, float]
    onset: Onset
    held: float
    good: float
    fallen: float
    is_proved: bool
    evidence: dict[str, Any] = field(default_factory=dict)
    told: str = ""

    @classmethod
    def told_before(cls, event: Event, watch: ModeWatch) -> Self | None:
        """From what was told of it; ``watch``: of that mode. None where that says too little."""
        said = event.evidence
        mode = watch.mode
        size, voltage_v, current_a = (
            abs(float(said.get(k, 0.0))) for k in ("step_a" if mode == "cv" else "step_v", "voltage_v", "current_a")
        )
        if not (size > 0.0 and current_a > 0.0 and voltage_v > 0.0):
            return None
        after, held = watch.quantities(voltage_v, current_a)
        suspected, path_ohm = bool(said.get("suspected", False)), said.get("path_resistance_ohm")
        causes = {event.kind: event.confidence, **event.alternatives}
        return cls(mode, size / current_a, path_ohm, suspected, event.kind, causes, event.onset, held, after + size, after, False)

    def share_of_way_back(self, level: float) -> float:
        """0 at the fallen level of the signal, 1 at the good one."""
        return (level - self.fallen) / (self.good - self.fallen)

    def decide(self, siemens: float, uncertainty_s: float, least_s: float) -> bool:
        """What another voltage says, -dI/dV in a load in CV: less than ``least_s`` is a limit, more is none. True when it decides; then
        ``told`` is what was said before."""
        if self.is_proved or not self.causes.get(LIMIT):
            return False
        self.told = self.kind
        if siemens + 2.0 * uncertainty_s < least_s:
            self.kind, self.causes, self.is_proved = LIMIT, {LIMIT: 0.98, LEAD: 0.01, DROOP: 0.01}, True
        elif siemens - 2.0 * uncertainty_s > least_s:
            whole = math.fsum(p for cause, p in self.causes.items() if cause != LIMIT)
            self.causes = {cause: p / whole for cause, p in self.causes.items() if cause != LIMIT} if whole > 0.0 else {DROOP: 1.0}
            self.kind = LEAD if self.causes.get(LEAD, 0.0) >= 0.5 else DROOP
        else:
            return False
        return True
