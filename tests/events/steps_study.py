"""Sense fallback over the size of its step: found, delay beside the optimum, cause against droops of equal size, and the ROC.

One load at constant current, white noise, fine instrument, 10 Hz; the step is I·R_path = k deviations of one voltage reading. Delay is
that of the event, the first sample after the onset counting 1. The optimum (see `optimum`) knows the size of the step and its noise just;
the detector knows the size within contacts and copper at best, and learns the noise.
"""

from __future__ import annotations

import random
import statistics
from collections.abc import Callable
from dataclasses import dataclass

from loadlog.detectors.sense_feed import FALSE_ALARMS_PER_1000_H
from tests.events.figure import Figure, Study, at_least
from tests.events.optimum import optimum
from tests.events.score import grid, quantile, share
from tests.events.world import Setting, World

RATE_HZ, BEFORE, AFTER = 10.0, 400, 60
SIZES = (3.0, 4.0, 5.0, 6.0, 8.0, 12.0)
SHARES = (0.0, 0.3, 0.5, 0.7, 0.9, 0.97)


@dataclass
class Trial:
    """``score``: greatest confidence of a sense fallback after the onset, 0 without. ``delay``: samples to the first event."""

    score: float
    delay: int
    suspected: bool
    before: int


def setting_for(rnd: random.Random, k: float, known: bool, meter: bool) -> Setting:
    """The bench of a step of ``k`` deviations."""
    setting = Setting(rate_hz=RATE_HZ, path_known=known, meter=meter, noise=rnd.uniform(0.5, 1.2), source_noise_v=1e-5)
    setting.level = round(rnd.uniform(3.0, 8.0), 3)
    setting.path_ohm = k * setting.sigma_v / setting.level
    return setting


def trial(rnd: random.Random, k: float, known: bool, fault: str, meter: bool = False) -> Trial:
    """One run. ``fault``: ``sense_lead_off``, ``supply_droop`` of equal size, or none."""
    setting = setting_for(rnd, k, known, meter)
    world = World(rnd, setting)
    onset_s = (BEFORE + rnd.random()) * setting.period_s
    if fault == "supply_droop":
        world.fault(onset_s, fault, "source", None, volts=setting.level * setting.path_ohm)
    elif fault:
        world.fault(onset_s, fault)
    trace = world.run(onset_s + AFTER * setting.period_s)
    onset_ns = world.utc_ns(round(onset_s * 1e9))
    told = [e for e in trace.events if e.kind == "sense_fallback"]
    after = [e for e in told if e.detected_utc_ns >= onset_ns]
    delay = 0
    if after:
        delay = sum(1 for s in trace.seen["load-1"] if s.t_s >= onset_s and s.end_utc_ns <= after[0].detected_utc_ns)
    suspected = bool(after and after[0].evidence.get("suspected"))
    return Trial(max((e.confidence for e in after), default=0.0), delay, suspected, len(told) - len(after))


def step_study(seed: int, trials: int) -> Study:
    """Sizes, with the path's resistance known and unknown."""
    arl0 = 1000.0 * 3600.0 * RATE_HZ / FALSE_ALARMS_PER_1000_H
    lines, figures = [], []
    for known in (True, False):
        for k in SIZES:
            rnd = random.Random(f"steps:{seed}:{known}:{k}")
            some = [trial(rnd, k, known, "sense_lead_off") for _ in range(trials if k in (5.0, 8.0) else max(5, trials // 4))]
            found = [t for t in some if t.score > 0.0]
            delays = [t.delay for t in found]
            best_mean, best_median = optimum(k, arl0)
            lines.append([
                f"{'known' if known else 'unknown'}, {k:g} σ", str(len(some)), share(len(found), len(some)),
                f"{statistics.median(delays):g}" if delays else "-", f"{statistics.fmean(delays):.2f}" if delays else "-",
                f"{quantile(delays, 0.95):g}" if delays else "-", str(best_median), f"{best_mean:.2f}",
                share(sum(t.suspected for t in found), len(found)),
            ])  # fmt: skip
            if known and k == 5.0:
                figures.append(at_least("sense fallback of 5 σ found, path known", 0.99, len(found), len(some)))
                figures.append(_delay(delays, best_median))
            if not known and k == 8.0:
                figures.append(at_least("sense fallback of 8 σ found, path unknown", 0.95, len(found), len(some)))
                figures.append(at_least("... and named suspected", 1.0, sum(t.suspected for t in found), len(found)))
    head = ["path, step", "n", "found", "median delay", "mean", "95 %", "optimum median", "mean", "suspected"]
    note = f"false-alarm rate {FALSE_ALARMS_PER_1000_H:g} per 1,000 h: a mean of {arl0:.3g} samples without a step"
    return Study("sense fallback over the step's size", grid(head, lines) + f"\n{note}", figures)


def _delay(delays: list[int], best: int) -> Figure:
    if not delays:
        return Figure("median delay at 5 σ", f"at most {best} + 2", "none found", False)
    median = statistics.median(delays)
    return Figure("median delay at 5 σ, samples", f"at most {best} + 2", f"{median:g}", median <= best + 2)


def roc_study(seed: int, trials: int) -> Study:
    """Positive: a lead falls off. Negative: the same bench with a droop of equal size that a meter sees, and with nothing."""
    lines = []
    causes_right = causes = 0
    for k in SIZES:
        rnd = random.Random(f"roc:{seed}:{k}")
        many: Callable[[str], list[Trial]] = lambda fault, k=k, rnd=rnd: [  # type: ignore[misc]  # noqa: E731
            trial(rnd, k, True, fault, meter=True) for _ in range(trials)
        ]
        lead, droop, nothing = many("sense_lead_off"), many("supply_droop"), many("")
        negative = [*droop, *nothing]
        points = [(sum(t.score > s for t in negative) / len(negative), sum(t.score > s for t in lead) / len(lead)) for s in SHARES]
        lines.append([f"{k:g} σ", *(f"{hit:.2f} / {false:.3f}" for false, hit in points), f"{area(lead, negative):.3f}"])
        if k >= 5.0:
            told = [t for t in lead if t.score > 0.0]
            causes += len(told) + len(droop)
            causes_right += sum(t.score > 0.5 for t in told) + sum(t.score <= 0.5 for t in droop)
    head = ["I·R_path", *(f"p > {s:g}" for s in SHARES), "area"]
    figures = [at_least("cause of steps of 5 σ and more right, droops of equal size included", 0.97, causes_right, causes)]
    return Study("ROC of the sense fallback over I·R_path/σ, with a meter: hits / false", grid(head, lines), figures)


def area(positive: list[Trial], negative: list[Trial]) -> float:
    """Area under the ROC: chance that a true one scores higher (Mann-Whitney)."""
    wins = sum((p.score > n.score) + 0.5 * (p.score == n.score) for p in positive for n in negative)
    return wins / (len(positive) * len(negative))
