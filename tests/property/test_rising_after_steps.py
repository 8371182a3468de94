"""A forecast shortly after a step of power: the slow pole is not identified yet, and the posterior says so.

Drawn loads that are switched on cold and stepped to another power half a minute later; settled temperatures by the simulator's closed form.
"""

from __future__ import annotations

import math
import random

from loadlog.detectors.thermal_bank import Bank
from loadlog.detectors.thermal_forecast import forecast
from loadlog.sim.thermal import Heatsink, HeatsinkForm
from tests.checklists.traces import fresh_random

AIR_C, SCALE_W, COUNT_K = 25.0, 400.0, 0.1
RUNS = 40


def settled_c(form: HeatsinkForm, power_w: float) -> float:
    """At constant power."""
    return AIR_C + power_w * (form.fast_k_per_w + form.slow_k_per_w)


def stepped(rnd: random.Random, form: HeatsinkForm, powers_w: tuple[float, float], seen_s: int) -> Bank:
    """Readings once a second for ``seen_s`` after the step."""
    sink, bank = Heatsink(form), Bank(SCALE_W, COUNT_K / math.sqrt(6.0))
    bank.restart(AIR_C, powers_w[0])  # as with any load that was already on when it was first seen
    before_s = rnd.randint(15, 40)
    for t_s in range(before_s + seen_s):
        power_w = powers_w[t_s >= before_s]
        if t_s == before_s:
            bank.stepped()
        sink.step(power_w, 1.0)
        bank.advance(1.0, power_w)
        bank.observe(round((AIR_C + sink.rise_k + rnd.gauss(0.0, 0.03)) / COUNT_K) * COUNT_K)
    return bank


def test_a_limit_far_above_where_it_settles_is_never_certain() -> None:
    rnd = fresh_random()
    stated = []
    for _ in range(RUNS):
        form = HeatsinkForm(rnd.uniform(0.02, 0.05), rnd.uniform(3.0, 8.0), rnd.uniform(0.08, 0.2), rnd.uniform(60.0, 200.0))
        powers_w = rnd.uniform(60.0, 180.0), rnd.uniform(180.0, 350.0)
        bank = stepped(rnd, form, powers_w, rnd.randint(10, 40))
        assert bank.solve()
        seen = forecast(bank, settled_c(form, powers_w[1]) + 15.0)
        assert seen is not None
        stated.append((round(seen.probability, 4), seen.final_c - settled_c(form, powers_w[1]), seen.final_deviation_k))
    assert [s for s in stated if s[0] >= 0.999] == []
    # and where it settles is told as well as it is known
    assert sum(abs(off) < 3.0 * deviation for _, off, deviation in stated) >= 0.9 * RUNS, stated
