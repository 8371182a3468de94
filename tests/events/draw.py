"""Drawing of benches: a `Setting` with everything drawn except what the scenario fixes."""

from __future__ import annotations

import math
import random
from typing import Any

from tests.events.world import Setting

RATES_HZ = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)


def draw(rnd: random.Random, **fixed: Any) -> Setting:
    """A bench within the ratings of a load of 150 V, 40 A, 400 W."""
    setting = Setting()
    for name, value in _drawn(rnd).items():
        setattr(setting, name, value)
    for name, value in fixed.items():
        setattr(setting, name, value)
    if "coarse" in fixed or setting.coarse:
        setting.noise = rnd.uniform(0.05, 0.4) if setting.coarse else rnd.uniform(0.3, 1.5)
    if setting.source == "battery" and setting.mode == "CV":
        setting.mode, setting.source = ("CC", "battery") if "source" in fixed else ("CV", "supply")
    if setting.source == "battery":
        setting.emf_v, setting.output_ohm, setting.source_noise_v = 40.0, 0.11, 0.0
        setting.capacity_ah = rnd.uniform(20.0, 60.0)
    elif setting.mode == "CV":
        setting.output_ohm = rnd.uniform(0.1, 0.3)
    current_a = rnd.uniform(2.0, 8.0)
    setting.second_level = round(rnd.uniform(2.0, 5.0), 2)
    setting.level = level_for(setting, current_a)
    return setting


def _drawn(rnd: random.Random) -> dict[str, Any]:
    slow = rnd.random() < 0.35
    noise = rnd.uniform(0.3, 1.5)
    return {
        "rate_hz": rnd.choice(RATES_HZ), "coarse": rnd.random() < 0.3, "mode": rnd.choice(["CC", "CC", "CC", "CV", "CP", "CR"]),
        "remote": rnd.random() < 0.7, "path_ohm": rnd.uniform(0.006, 0.04), "path_known": rnd.random() < 0.6,
        "status": rnd.random() < 0.85, "slow_channels": rnd.choice([1, 5, 10]), "noise": noise,
        "slow_noise": noise * rnd.uniform(0.2, 0.8) if slow else 0.0, "slow_samples": math.exp(rnd.uniform(math.log(3), math.log(40))),
        "source": "battery" if rnd.random() < 0.2 else "supply", "emf_v": rnd.choice([12.0, 24.0, 36.0]) * rnd.uniform(0.98, 1.02),
        "output_ohm": rnd.uniform(0.002, 0.05), "source_noise_v": 10 ** rnd.uniform(-4.5, -3.3), "meter": rnd.random() < 0.25,
        "second": rnd.random() < 0.15, "late_share": rnd.choice([0.0, 0.0, 0.02]),
    }  # fmt: skip


def level_for(setting: Setting, current_a: float) -> float:
    """The set-point that draws about this current."""
    if setting.mode == "CC":
        return round(current_a, 3)
    if setting.mode == "CV":
        return round(setting.emf_v - (current_a + _others_a(setting)) * setting.output_ohm, 3)
    if setting.mode == "CP":
        return round(min(current_a * setting.emf_v, 250.0), 2)
    return round(setting.emf_v / current_a, 3)


def _others_a(setting: Setting) -> float:
    """What a load in CV leaves to the other one: the source's current at that voltage is shared."""
    return setting.second_level if setting.second else 0.0


def current_of(setting: Setting) -> float:
    """What the load draws, about; in CV with local sense the path is a part of the source."""
    if setting.mode == "CV":
        source_a = (setting.emf_v - setting.level) / (setting.output_ohm + (0.0 if setting.remote else setting.path_ohm))
        return source_a - _others_a(setting)
    return {"CC": setting.level, "CP": setting.level / setting.emf_v, "CR": setting.emf_v / setting.level}[setting.mode]


def at_step(rnd: random.Random, setting: Setting, deviations: float) -> Setting:
    """Current and path such that I·R_path is so many deviations of one reading (in CV: of the current's)."""
    current_a = rnd.uniform(3.0, 8.0)
    setting.level = level_for(setting, current_a)
    if setting.mode == "CV":
        # I falls from E/r to E/(r + R_path), E being what the source has above the set level
        share = min(0.7, deviations * setting.sigma_in_cv / current_a)
        setting.path_ohm = setting.output_ohm * share / (1.0 - share)
        return setting
    setting.path_ohm = deviations * setting.sigma_v / current_of(setting)
    return setting


def supply_with(rnd: random.Random, **fixed: Any) -> Setting:
    """A bench on a supply."""
    return draw(rnd, source="supply", second=False, **fixed)
