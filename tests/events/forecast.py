"""Forecast of a heatsink's temperature: how early and how truly an excess is announced, and how often falsely.

The heatsinks are the simulator's, of two time constants drawn afresh, at constant power from cold. The limit lies below the final
temperature (an excess), or 3 K above it. Truth is the simulator's noiseless temperature, stepped beforehand on a bench of its own. Each
heatsink climbs twice: the first time nothing is known of it, the second time what was learned in the first climb is recalled. The error of
the forecast is that of every climb at that share of its way, told by then or not; intervals are those that were told.
"""

from __future__ import annotations

import copy
import math
import random
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from loadlog.detectors.heating import TemperatureRising
from loadlog.detectors.thermal_forecast import Forecast
from loadlog.model.event import Event
from loadlog.model.learned import Understanding
from tests.events.figure import Figure, Study, at_least
from tests.events.forecast_optimum import BELOW_K, OVER_K, Drawn, Known, Prior, Wide, known, tested
from tests.events.judge import Statement
from tests.events.score import grid
from tests.events.world import Setting, World

POLL_HZ = 1.0
AIR_C = 23.0  # of the simulated bench
SHARES = (0.2, 0.35, 0.5)
MOST_FALSE = 0.05  # warnings where the final temperature lies below the limit
# where a forecast stands in the evidence: seconds from the event's state to the limit, and its 90 % interval
TIME_KEYS = ("time_to_limit_s", "limit_in_s", "reaches_limit_in_s")
INTERVAL_KEYS = (("time_to_limit_low_s", "time_to_limit_high_s"), ("limit_in_low_s", "limit_in_high_s"), ("earliest_s", "latest_s"))


@dataclass
class Climb:
    """One climb. ``crossing_s``: when the true temperature reaches the limit, None when it never does. ``told``: (bench time, evidence) of
    each state of the event. ``asked``: share of the way -> bench time and forecast then, told or not. ``confidence``: of the first state.
    ``learned``: what was known at the end."""

    crossing_s: float | None
    told: list[tuple[float, Mapping[str, Any]]] = field(default_factory=list)
    asked: dict[float, tuple[float, Forecast]] = field(default_factory=dict)
    confidence: float | None = None
    learned: Understanding | None = None

    @property
    def ahead(self) -> float:
        """Share of the time to the limit that was left when it was first told; 0 when it was not."""
        first = next((t for t, _ in self.told if self.crossing_s is not None and t < self.crossing_s), None)
        return 0.0 if first is None or self.crossing_s is None else 1.0 - first / self.crossing_s

    def error_at(self, share: float) -> float:
        """Relative error of the forecast time to the limit at that share of the way; infinite where there is none."""
        if share not in self.asked or self.crossing_s is None:
            return math.inf
        t_s, seen = self.asked[share]
        return abs(seen.time_s - (self.crossing_s - t_s)) / (self.crossing_s - t_s)

    def covered_at(self, share: float) -> bool | None:
        """The stated interval contains the truth."""
        found = self._forecast(share)
        if found is None or self.crossing_s is None or found[3] is None:
            return None
        low, high = found[3]
        return low <= self.crossing_s - found[0] <= high

    def _forecast(self, share: float) -> tuple[float, Mapping[str, Any], float, tuple[float, float] | None] | None:
        if self.crossing_s is None:
            return None
        states = [(t, e) for t, e in self.told if t <= share * self.crossing_s + 1.0]
        for t_s, evidence in reversed(states):
            left = next((evidence[k] for k in TIME_KEYS if evidence.get(k) is not None), None)
            if left is not None:
                pair = next(((evidence[a], evidence[b]) for a, b in INTERVAL_KEYS if evidence.get(a) is not None), None)
                return t_s, evidence, float(left), pair
        return None


def bench(rnd: random.Random, excess_k: float) -> tuple[Setting, float]:
    """A drawn heatsink and the setting whose limit lies ``excess_k`` below the final temperature."""
    fast_r, slow_r = rnd.uniform(0.02, 0.06), rnd.uniform(0.1, 0.3)
    heatsink = {
        "fast_k_per_w": fast_r, "fast_tau_s": rnd.uniform(3.0, 15.0), "slow_k_per_w": slow_r, "slow_tau_s": rnd.uniform(80.0, 400.0),
    }  # fmt: skip
    setting = Setting(rate_hz=POLL_HZ, slow_channels=1, heatsink=heatsink, ambient=rnd.random() < 0.5)
    setting.level = round(rnd.uniform(20.0, 45.0) / (fast_r + slow_r) / setting.emf_v, 2)
    setting.temperature_limit_c = 80.0
    final_c = _climb(setting, 12.0 * heatsink["slow_tau_s"])[-1]
    setting.temperature_limit_c = round(final_c - excess_k, 2)
    return setting, heatsink["slow_tau_s"]


def _climb(setting: Setting, until_s: float) -> list[float]:
    """The true temperature, one a second."""
    world = World(random.Random(1), setting)
    out = []
    for _ in range(int(until_s)):
        world.bench.advance(1.0)
        out.append(world.bench.state_of("load-1").heatsink_c)
    return out


def climb(rnd: random.Random, setting: Setting, tau_s: float, known: Understanding | None = None) -> Climb:
    """One run from cold, with what is ``known`` of the device."""
    limit_c = setting.temperature_limit_c
    assert limit_c is not None
    world = World(rnd, setting)
    instrument = world.instruments["load-1", "temperature_c"]
    instrument.gain, instrument.offset = 0.0, 0.0  # the limit is one of the reading
    true_c = _climb(setting, 6.0 * tau_s)
    crossing = next((float(n + 1) for n, t in enumerate(true_c) if t >= limit_c), None)
    out = Climb(crossing)
    begin_ns = world.utc_ns(0)
    remember = world.remember
    if known is not None:
        world.pipeline.recall("load-1", known)

    def watch(sample: Any, events: list[Event]) -> None:
        remember(sample, events)
        told = [e for e in events if e.kind == "temperature_rising"]
        out.told += [(sample.stamp.t_utc_ns / 1e9 - begin_ns / 1e9, e.evidence) for e in told]
        if told and out.confidence is None:
            out.confidence = told[0].confidence

    def ask(share: float) -> None:
        seen = copy.deepcopy(_detector(world)).forecasts().get("temperature_c.high")
        if seen is not None:
            out.asked[share] = (world.now_s, seen)

    for share in SHARES if crossing is not None else ():
        world.at(share * (crossing or 0.0), lambda s=share: ask(s))  # type: ignore[misc]
    world.remember = watch  # type: ignore[method-assign]
    world.run(6.0 * tau_s if crossing is None else crossing + 5.0)
    out.learned = world.pipeline.learned("load-1")
    return out


def _detector(world: World) -> TemperatureRising:
    return next(d for d in world.pipeline._lanes["load-1"].detectors if isinstance(d, TemperatureRising))


def twice(rnd: random.Random, excess_k: float) -> tuple[Climb, Climb]:
    """The first climb of a drawn heatsink, and its second."""
    setting, tau_s = bench(rnd, excess_k)
    first = climb(rnd, setting, tau_s)
    return first, climb(rnd, setting, tau_s, first.learned)


def said(rnd: random.Random) -> Statement | None:
    """What was told first in a climb whose final temperature lies anywhere near its limit; None when nothing was."""
    one = climb(rnd, *bench(rnd, rnd.uniform(-10.0, 15.0)))
    if one.confidence is None:
        return None
    return Statement("temperature_rising", "temperature_rising", one.confidence, one.crossing_s is not None)


def forecast_study(seed: int, climbs: int) -> Study:
    """Excesses of 2 to 15 K, and finals of 3 K below the limit."""
    rnd = random.Random(f"forecast:{seed}")
    over = [twice(rnd, rnd.uniform(*OVER_K)) for _ in range(climbs)]
    below = [twice(rnd, -BELOW_K) for _ in range(climbs)]
    lines: list[list[str]] = []
    figures: list[Figure] = []
    for n, name in enumerate(("first climb", "second climb")):
        rose, stayed = [pair[n] for pair in over if pair[n].crossing_s is not None], [pair[n] for pair in below]
        lines.append([name, *_line(rose, stayed)])
        figures += _figures(name, rose, stayed)
    head = ["", "told 3/4 ahead", "1/2 ahead", "at all", "false", *(f"error after {part:g}" for part in SHARES), "interval covers"]
    possible, remark = _possible(seed, climbs)
    lines += [[*line, *[""] * (len(head) - len(line))] for line in possible]
    lines.append(["asked", "100 %", "", "", f"at most {100 * MOST_FALSE:.0f} %", "20 %", "", "5 %", "85 to 97 %"])
    text = f"{grid(head, lines)}\n\n{remark}"
    return Study("forecast of the time to a temperature limit", text, figures)


def _possible(seed: int, climbs: int) -> tuple[list[list[str]], str]:
    """Lines of the table, and what is known after a quarter of the time: what the information in a first climb allows."""
    rnd = random.Random(f"possible:{seed}")
    excesses = [rnd.uniform(*OVER_K) for _ in range(climbs)]
    priors = (Drawn(), Wide())
    over, below = [_known(rnd, excess_k, priors) for excess_k in excesses], [_known(rnd, -BELOW_K, priors) for _ in range(climbs)]
    drawn, wide = ([[each[n] for each in side] for side in (over, below)] for n in range(2))
    rows = [
        ("likelihood ratio", tested(*([k.ratio for k in side] for side in drawn), MOST_FALSE, 1.0)),
        ("exact posterior", tuple(statistics.fmean(k.ahead for k in side) for side in drawn)),
        ("exact, detector's prior", tuple(statistics.fmean(k.ahead for k in side) for side in wide)),
        ("the same, other odds", tested(*([k.probability for k in side] for side in wide), MOST_FALSE, 0.5)),
    ]
    lines = [[f"first climb, {name}", f"{100 * early:.0f} %", "", "", f"{100 * false:.0f} %"] for name, (early, false) in rows]
    seen = [(excess_k, k.quarter) for excess_k, k in zip(excesses, wide[0], strict=True) if k.quarter is not None]
    within_k = statistics.median(q.deviation_k for _, q in seen)
    unsure = sum(excess_k < 1.64 * q.deviation_k for excess_k, q in seen)
    return lines, (
        "Likelihood ratio of the finals that are drawn above the limit over that below it, heatsinks drawn from a known range: told at\n"
        f"most {100 * MOST_FALSE:.0f} % falsely. It knows more than any forecast can. "
        "Exact posterior: the same heatsinks, the detector's own rule.\n"
        "Exact, detector's prior: it knows no more of heatsinks than the detector does, but takes all from the readings; the same with\n"
        f"odds that tell at most {100 * MOST_FALSE:.0f} % falsely. The difference to these two is what coarser sums cost.\n"
        f"After a quarter of the time it then knows where the temperature settles within {within_k:.1f} K (median deviation); in "
        f"{100 * unsure / len(seen):.0f} % the excess is less than 1.64 deviations: not certain at 95 %. {climbs} climbs of each."
    )


def _known(rnd: random.Random, excess_k: float, priors: Sequence[Prior]) -> list[Known]:
    setting, tau_s = bench(rnd, excess_k)
    true_c = [AIR_C, *_climb(setting, 12.0 * tau_s)]
    limit_c = setting.temperature_limit_c
    assert limit_c is not None
    power_w = (true_c[-1] - AIR_C) / (setting.heatsink["fast_k_per_w"] + setting.heatsink["slow_k_per_w"])
    return known(rnd, true_c, power_w, tau_s, limit_c, priors)


def _line(rose: list[Climb], stayed: list[Climb]) -> list[str]:
    shares = [f"{100 * sum(c.ahead >= least for c in rose) / len(rose):.0f} %" for least in (0.75, 0.5, 1e-9)]
    shares.append(f"{100 * sum(bool(c.told) for c in stayed) / len(stayed):.0f} %")
    medians = [f"{100 * statistics.median(c.error_at(part) for c in rose):.1f} %" for part in SHARES]
    return [*shares, *medians, f"{100 * statistics.fmean(_covered(rose)):.0f} %" if _covered(rose) else "-"]


def _covered(rose: list[Climb]) -> list[bool]:
    return [v for c in rose for part in SHARES if (v := c.covered_at(part)) is not None]


def _figures(name: str, rose: list[Climb], stayed: list[Climb]) -> list[Figure]:
    what = f"{name}: excess of 2 K and more announced three quarters ahead"
    figures = [
        at_least(what, 1.0, sum(c.ahead >= 0.75 for c in rose), len(rose)),
        at_least(f"{name}: no false warning, final 3 K below the limit", 1.0 - MOST_FALSE, sum(not c.told for c in stayed), len(stayed)),
    ]
    for part, asked in ((0.2, 0.20), (0.5, 0.05)):
        errors = [c.error_at(part) for c in rose]
        median = statistics.median(errors)
        reached = f"{100 * median:.1f} % (there in {sum(map(math.isfinite, errors))} of {len(errors)})"
        what = f"{name}: time to the limit, median error after {part:g} of it"
        figures.append(Figure(what, f"at most {100 * asked:g} %", reached, median <= asked))
    covered = _covered(rose)
    rate = sum(covered) / len(covered) if covered else float("nan")
    met = None if len(covered) < 30 else 0.85 <= rate <= 0.97
    figures.append(Figure(f"{name}: 90 % interval covers the truth", "85 to 97 %", f"{100 * rate:.1f} % of {len(covered)}", met))
    return figures
