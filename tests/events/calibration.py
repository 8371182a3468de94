"""Whether stated probabilities are the shares that are right: leads that fall off and steps of the source, as often and as large as the
detector says that it expects them; and heatsinks that climb towards a limit, anywhere near it.

What a posterior probability can be held against is the population that its prior describes (`sense_causes`): seven leads to three steps of
the source; R_path as configured within its deviation, sometimes grown since or wrong, or unknown; steps of the source of any size. The
bench, its noise and its faults are those of the simulator. Nothing of the group bears witness, since a witness makes all statements nearly
certain. Each event counts with the probability that it stated first, once for the lead and once for the alternative.
"""

from __future__ import annotations

import math
import random

from loadlog.detectors.sense_causes import (
    CONFIGURED_SHARE,
    GROWN,
    GROWN_BY,
    PRIOR_LEAD,
    SMALLEST_SOURCE_STEP_V,
    UNKNOWN_LOG_DEVIATION,
    UNKNOWN_OHM,
    WRONG_CONFIGURATION,
)
from tests.events.figure import Figure, Study, wilson
from tests.events.forecast import said as rising
from tests.events.judge import Statement
from tests.events.score import grid, reliability
from tests.events.world import Setting, World

ENOUGH, WITHIN = 100, 0.05
RATE_HZ, BEFORE, AFTER = 10.0, (150, 300), 25


def _unknown_ohm(rnd: random.Random) -> float:
    return UNKNOWN_OHM * math.exp(rnd.gauss(0.0, UNKNOWN_LOG_DEVIATION))


def bench_of_leads(rnd: random.Random) -> Setting:
    """R_path as the detector expects it: configured within its deviation, grown since, wrong, or unknown."""
    setting = Setting(rate_hz=RATE_HZ, noise=rnd.uniform(0.4, 1.2), source_noise_v=1e-5, path_known=rnd.random() < 0.5)
    setting.level = round(rnd.uniform(2.0, 8.0), 3)
    setting.path_ohm = _unknown_ohm(rnd)
    if setting.path_known:
        setting.configured_ohm = rnd.uniform(0.006, 0.04)
        standing = rnd.random()
        if standing >= WRONG_CONFIGURATION + GROWN:
            setting.path_ohm = setting.configured_ohm * max(1.0 + CONFIGURED_SHARE * rnd.gauss(0.0, 1.0), 0.1)
        elif standing >= WRONG_CONFIGURATION:
            setting.path_ohm = setting.configured_ohm * (1.0 + rnd.expovariate(1.0 / GROWN_BY))
    return setting


def statement(rnd: random.Random) -> Statement | None:
    """One bench on which one of the two happens; None when nothing was told of it."""
    setting = bench_of_leads(rnd)
    world = World(rnd, setting)
    onset_s = (rnd.randint(*BEFORE) + rnd.random()) * setting.period_s
    is_lead = rnd.random() < PRIOR_LEAD
    if is_lead:
        world.fault(onset_s, "sense_lead_off")
    else:
        largest_v = setting.emf_v / SMALLEST_SOURCE_STEP_V
        world.fault(onset_s, "supply_droop", "source", None, volts=SMALLEST_SOURCE_STEP_V * largest_v ** rnd.random())
    trace = world.run(onset_s + AFTER * setting.period_s)
    told = [e for e in trace.events if e.kind == "sense_fallback"]
    return Statement("sense_fallback", "sense_fallback", told[0].confidence, is_lead) if told else None


def calibration_study(seed: int, trials: int) -> Study:
    """Bins with `ENOUGH` statements are judged; the share right may lie `WITHIN` and what chance explains (Wilson, 95 %)."""
    rnd = random.Random(f"calibration:{seed}")
    said = [s for s in (statement(rnd) for _ in range(trials)) if s is not None]
    said += [Statement(s.kind, "supply_droop", 1.0 - s.probability, not s.is_so) for s in said]
    text, figures = judged(said, "lead against source")
    return Study("calibration: leads and steps of the source as often as expected", text + f"\n{trials} benches", figures)


def rising_study(seed: int, trials: int) -> Study:
    """The same of first climbs towards a limit, 15 K below to 10 K above the final temperature."""
    rnd = random.Random(f"rising:{seed}")
    text, figures = judged([s for s in (rising(rnd) for _ in range(trials)) if s is not None], "a temperature that will reach its limit")
    return Study("calibration: climbs towards a limit", text + f"\n{trials} climbs", figures)


def judged(said: list[Statement], subject: str) -> tuple[str, list[Figure]]:
    """The table for people and a figure for each bin that has enough, of all causes together and of each."""
    lines, figures = [], []
    causes = sorted({s.cause for s in said})
    for cause in ("", *causes) if len(causes) > 1 else ("",):
        for b in reliability(s for s in said if cause in ("", s.cause)):
            low, high = wilson(round(b.right * b.n), b.n)
            cells = [cause or "all", f"{b.low:g} to {b.high:g}", str(b.n), f"{b.stated:.3f}", f"{b.right:.3f}", f"{low:.3f} to {high:.3f}"]
            lines.append(cells)
            if b.n >= ENOUGH:
                off = abs(b.right - b.stated)
                met = True if off <= WITHIN else False if low > b.stated + WITHIN or high < b.stated - WITHIN else None
                what = f"calibration of {subject}{', ' * bool(cause)}{cause}, stated {b.low:g} to {b.high:g}"
                figures.append(Figure(what, f"within {WITHIN:g}", f"{off:.3f} off (n {b.n})", met))
    return grid(["cause", "stated", "n", "mean stated", "share right", "95 %"], lines), figures
