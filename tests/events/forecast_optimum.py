"""What any forecast of a first climb can know: the exact posterior of the drawn heatsinks, given their readings.

It knows all that `forecast` draws from (the ranges of resistances and time constants, the rise, the power, the noise) but not the heatsink,
and the detector knows none of it. Time constants stand on a fine grid; given them the temperature is linear in the two amplitudes, whose
normal posterior is cut to what can be drawn: the slow one on a grid, the fast one by quantiles of a cut normal distribution. It decides by
the detector's own rule, so the difference between both is what knowledge of the heatsinks in general and finer sums would gain.
Source: Bayesian linear regression (Bishop, Pattern Recognition and Machine Learning, 3.3, from memory).
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri

from loadlog.detectors.heating import MARGIN_K, NEAR_AT, TELL_AT, TELL_EARLY_AT, WAIT_SHARE
from loadlog.detectors.thermal_watch import FORECAST_GROWTH

Array = np.ndarray[tuple[int, ...], np.dtype[np.float64]]
FAST_K_PER_W, SLOW_K_PER_W = (0.02, 0.06), (0.1, 0.3)
FAST_S, SLOW_S = (3.0, 15.0), (80.0, 400.0)
RISE_K = (20.0, 45.0)
COUNT_K, NOISE_COUNTS = 0.1, 0.4
DEVIATION_K = COUNT_K * math.sqrt(NOISE_COUNTS**2 + 1.0 / 12.0)
_FASTS, _SLOWS = np.linspace(*FAST_S, 37), np.linspace(*SLOW_S, 61)  # a third of a second: coarser than that bends the slow part
_SHARES, _PARTS = (np.arange(9) + 0.5) / 9, (np.arange(3) + 0.5) / 3
FIRST_S, LATEST_SLOWS = 6.0, 2.5
OVER_K, BELOW_K, NEAR_K = (2.0, 15.0), 3.0, 0.5  # finals that are drawn, from the limit; half the width taken for one of them
SURE_RATIO = 1000.0  # not waited for
LEAST_S = 4.0  # from fewer readings no two amplitudes follow


@dataclass(frozen=True)
class Posterior:
    """``probability`` of reaching the limit, ``near`` of coming within the margin, median time left of those that reach it, and the
    deviation of where it settles. ``ratio``: likelihood of the readings under finals drawn above the limit over that under one below."""

    probability: float
    near: float
    left_s: float
    deviation_k: float
    ratio: float


def posterior(power_w: float, limit_c: float, t_s: Array, readings_c: Array) -> Posterior:
    """From readings since the power came, at ``t_s``."""
    f, g = 1.0 - np.exp(-t_s / _FASTS[:, None]), 1.0 - np.exp(-t_s / _SLOWS[:, None])
    f_mean, g_mean, y_mean = f.mean(1), g.mean(1), float(readings_c.mean())
    fc, gc, y = f - f_mean[:, None], g - g_mean[:, None], readings_c - y_mean
    ff, gg, fg = (fc**2).sum(1)[:, None], (gc**2).sum(1)[None], fc @ gc.T
    fy, gy = (fc @ y)[:, None], (gc @ y)[None]
    det = ff * gg - fg**2
    best = (ff * gy - fg * fy) / det
    rss = y @ y - best * gy - (gg * fy - fg * gy) / det * fy
    wide = DEVIATION_K * np.sqrt(ff / det)
    low = np.maximum(SLOW_K_PER_W[0] * power_w, best - 4.5 * wide)
    span = np.minimum(SLOW_K_PER_W[1] * power_w, best + 4.5 * wide) - low
    slow = low[..., None] + np.maximum(span, 0.0)[..., None] * _SHARES
    own = DEVIATION_K / np.sqrt(ff)[..., None]
    mean = (fy / ff)[..., None] - (fg / ff)[..., None] * slow
    from_k, to_k = np.maximum(FAST_K_PER_W[0] * power_w, RISE_K[0] - slow), np.minimum(FAST_K_PER_W[1] * power_w, RISE_K[1] - slow)
    below, above = ndtr((from_k - mean) / own), ndtr((to_k - mean) / own)
    mass = np.where((to_k > from_k) & (span > 0.0)[..., None], np.maximum(above - below, 0.0), 0.0)
    fast = mean[..., None] + own[..., None] * ndtri(np.clip(below[..., None] + mass[..., None] * _PARTS, 1e-15, 1.0 - 1e-15))
    log = -0.5 * ((slow - best[..., None]) / wide[..., None]) ** 2 - (0.5 * rss / DEVIATION_K**2 + 0.5 * np.log(ff))[..., None]
    weight = np.exp(log - log[mass > 0.0].max(initial=-np.inf)) * mass * np.maximum(span, 0.0)[..., None]
    slow = np.broadcast_to(slow[..., None], fast.shape)
    weights = weight[..., None] * (fast + slow)  # a rise drawn evenly makes large resistances likelier at a given power
    settled = y_mean + fast * (1.0 - f_mean[:, None, None, None]) + slow * (1.0 - g_mean[None, :, None, None])
    weights = weights / weights.sum()
    reaches = settled > limit_c
    middle = float((weights * settled).sum())
    # where it settles is equally likely anywhere beforehand, so its density is the likelihood
    over_k = settled - limit_c
    above_share = float(weights[(over_k >= OVER_K[0]) & (over_k <= OVER_K[1])].sum()) / (OVER_K[1] - OVER_K[0])
    below_share = float(weights[np.abs(over_k + BELOW_K) <= NEAR_K].sum()) / (2.0 * NEAR_K)
    # by the end of what was seen the fast pole is over, or nearly so: the slow one decides when the limit is reached
    slow_s = np.broadcast_to(_SLOWS[None, :, None, None], fast.shape)[reaches]
    left = slow_s * np.log(slow[reaches] / (settled[reaches] - limit_c)) - t_s[-1]
    return Posterior(
        float(weights[reaches].sum()), float(weights[settled > limit_c - MARGIN_K].sum()), _median(left, weights[reaches]),
        math.sqrt(max(float((weights * (settled - middle) ** 2).sum()), 0.0)), above_share / max(below_share, 1e-12),
    )  # fmt: skip


def _median(values: Array, weights: Array) -> float:
    if not len(values) or weights.sum() <= 0.0:
        return math.inf
    order = np.argsort(values)
    return float(values[order][np.searchsorted(np.cumsum(weights[order]), 0.5 * weights.sum())])


@dataclass
class Known:
    """One climb. ``ahead``: told by the detector's own rule when three quarters of the time to the limit were left, or falsely; ``ratio``:
    greatest likelihood ratio until then; ``quarter``: the posterior at that time, None where the limit is not reached."""

    ahead: bool = False
    ratio: float = 0.0
    quarter: Posterior | None = None


def known(rnd: random.Random, true_c: list[float], power_w: float, slow_s: float, limit_c: float) -> Known:
    """``true_c``: one a second from the moment on at which the power comes."""
    crossing_s = next((float(n) for n, t in enumerate(true_c) if t >= limit_c), None)
    t_s = np.arange(float(len(true_c)))
    readings_c = COUNT_K * np.array([round(t / COUNT_K + rnd.gauss(0.0, NOISE_COUNTS)) for t in true_c])
    out = Known()
    end_s = LATEST_SLOWS * slow_s if crossing_s is None else 0.25 * crossing_s
    if end_s < LEAST_S:
        return out
    now_s = min(FIRST_S, end_s)
    while now_s <= end_s:
        n = int(now_s) + 1
        seen = posterior(power_w, limit_c, t_s[:n], readings_c[:n])
        has_waited = now_s >= WAIT_SHARE * (now_s + seen.left_s)
        if has_waited or seen.probability >= TELL_EARLY_AT:
            out.ahead = out.ahead or (seen.probability >= TELL_AT and seen.near >= NEAR_AT)
        if has_waited or seen.ratio >= SURE_RATIO:
            out.ratio = max(out.ratio, seen.ratio)
        out.quarter = None if crossing_s is None else seen
        now_s = end_s if now_s < end_s < (1.0 + FORECAST_GROWTH) * now_s else (1.0 + FORECAST_GROWTH) * now_s
    return out


def tested(over: Sequence[Known], below: Sequence[Known], false: float) -> tuple[float, float]:
    """Shares of ``over`` told in time and of ``below`` told by a likelihood-ratio test that waits as the detector does, at the lowest
    threshold from 1 on that tells at most the share ``false`` of ``below``."""
    bound = max(sorted((k.ratio for k in below), reverse=True)[int(false * len(below))], 1.0)
    return sum(k.ratio > bound for k in over) / len(over), sum(k.ratio > bound for k in below) / len(below)
