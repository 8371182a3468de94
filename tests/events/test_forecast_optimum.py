"""The optimum that the detector's forecast is held against, on drawn heatsinks whose end is known."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.checklists.traces import fresh_random
from tests.events.forecast_optimum import COUNT_K, NOISE_COUNTS, Drawn, Prior, Wide, posterior

AIR_C, POWER_W = 23.0, 150.0


def read(seconds: float, form: tuple[float, float, float, float]) -> tuple[np.ndarray, np.ndarray]:
    """Times and readings of a heatsink (fast and slow resistance, fast and slow time constant) that is switched on at 0."""
    rnd, (fast_r, slow_r, fast_s, slow_s) = fresh_random(), form
    t_s = np.arange(seconds)
    rise_k = POWER_W * (fast_r * (1.0 - np.exp(-t_s / fast_s)) + slow_r * (1.0 - np.exp(-t_s / slow_s)))
    return t_s, COUNT_K * np.array([round((AIR_C + rise) / COUNT_K + rnd.gauss(0.0, NOISE_COUNTS)) for rise in rise_k])


@pytest.mark.parametrize("prior", [Drawn(), Wide()])
def test_where_it_settles_is_certain_at_the_end_of_a_climb_and_when_it_reaches_a_limit_after_two_thirds(prior: Prior) -> None:
    rnd = fresh_random()
    for _ in range(3):
        fast_r, slow_r, fast_s, slow_s = rnd.uniform(0.03, 0.05), rnd.uniform(0.12, 0.2), rnd.uniform(4.0, 12.0), rnd.uniform(100.0, 300.0)
        final_c = AIR_C + POWER_W * (fast_r + slow_r)
        late = read(2.5 * slow_s, (fast_r, slow_r, fast_s, slow_s))
        assert posterior(prior, POWER_W, final_c - 1.5, *late).probability > 0.95
        assert posterior(prior, POWER_W, final_c + 1.5, *late).probability < 0.05
        limit_c = final_c - 0.1 * POWER_W * slow_r
        seen = posterior(prior, POWER_W, limit_c, *read(1.5 * slow_s, (fast_r, slow_r, fast_s, slow_s)))
        assert seen.left_s == pytest.approx((math.log(10.0) - 1.5) * slow_s, rel=0.15)


def test_less_is_known_with_the_wider_prior() -> None:
    """After a tenth of the slow time constant nothing but the prior says how long the rise goes on."""
    early = read(15.0, (0.04, 0.16, 6.0, 150.0))
    assert posterior(Wide(), POWER_W, 45.0, *early).deviation_k > 2.0 * posterior(Drawn(), POWER_W, 45.0, *early).deviation_k
