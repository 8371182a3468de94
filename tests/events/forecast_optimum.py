"""What any forecast of a first climb can know: the exact posterior of a heatsink, given its readings and a prior.

`Drawn` knows all that `forecast` draws from (the ranges of resistances and time constants, the rise, the power) but not the heatsink; the
detector knows none of it. `Wide` knows what the detector takes for granted of any heatsink, so the difference between both is what the
ranges tell, and the difference between it and the detector what finer sums would gain. Both know the noise. Time constants stand on a fine
grid; given them the temperature is linear in the two amplitudes: the slow one stands on a grid, the fast one by quantiles of its cut normal
posterior. It decides by the detector's own rule.
Source: Bayesian linear regression (Bishop, Pattern Recognition and Machine Learning, 3.3, from memory).
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri

from loadlog.detectors import thermal_bank
from loadlog.detectors.heating import DROP_AT, MARGIN_K, NEAR_AT, TELL_AT, TELL_EARLY_AT, WAIT_SHARE
from loadlog.detectors.thermal_watch import FORECAST_GROWTH

Array = np.ndarray[tuple[int, ...], np.dtype[np.float64]]
FAST_K_PER_W, SLOW_K_PER_W = (0.02, 0.06), (0.1, 0.3)
FAST_S, SLOW_S = (3.0, 15.0), (80.0, 400.0)
RISE_K = (20.0, 45.0)
COUNT_K, NOISE_COUNTS = 0.1, 0.4
DEVIATION_K = COUNT_K * math.sqrt(NOISE_COUNTS**2 + 1.0 / 12.0)
_SHARES, _PARTS = (np.arange(11) + 0.5) / 11, (np.arange(3) + 0.5) / 3
FIRST_S, LATEST_SLOWS = 6.0, 2.5
OVER_K, BELOW_K, NEAR_K = (2.0, 15.0), 3.0, 0.5  # finals that are drawn, from the limit; half the width taken for one of them
SURE_RATIO = 1000.0  # not waited for
LEAST_S = 4.0  # from fewer readings no two amplitudes follow


class Drawn:
    """The ranges that heatsinks are drawn from, evenly."""

    # a third of a second apart: coarser than that bends the slow part
    fasts_s, slows_s = np.linspace(*FAST_S, 37), np.linspace(*SLOW_S, 61)
    log_density = np.zeros((37, 61))
    usual, unusual = 0.0, math.inf  # fast over slow amplitude: mean and deviation beforehand

    def slow_k(self, power_w: float) -> tuple[float, float]:
        """From, to."""
        return SLOW_K_PER_W[0] * power_w, SLOW_K_PER_W[1] * power_w

    def fast_k(self, slow_k: Array, power_w: float) -> tuple[Array, Array]:
        """From, to."""
        low = np.maximum(FAST_K_PER_W[0] * power_w, RISE_K[0] - slow_k)
        return low, np.minimum(FAST_K_PER_W[1] * power_w, RISE_K[1] - slow_k)

    def weight(self, fast_k: Array, slow_k: Array) -> Array:
        """Of the amplitudes: a rise drawn evenly makes large resistances likelier at a given power."""
        return fast_k + slow_k


class Wide:
    """The detector's own: `loadlog.detectors.thermal_bank`."""

    fasts_s, slows_s = np.geomspace(1.5, 370.0, 36), np.geomspace(*(math.exp(u) for u in thermal_bank.SLOW), 48)
    usual, unusual = thermal_bank.FAST_TO_SLOW, thermal_bank.FAST_TO_SLOW_DEVIATION

    def __init__(self) -> None:
        apart = np.log(self.fasts_s)[:, None] - np.log(self.slows_s)
        possible = (apart >= thermal_bank.APART[0]) & (apart <= thermal_bank.APART[1])
        off = np.log(self.slows_s / thermal_bank.SLOW_S) / thermal_bank.SLOW_DEVIATION
        self.log_density = np.where(possible, -0.5 * off**2, -np.inf)

    def slow_k(self, power_w: float) -> tuple[float, float]:
        """From, to."""
        return 0.01, 4.0 * thermal_bank.PRIOR_STORED_K

    def fast_k(self, slow_k: Array, power_w: float) -> tuple[Array, Array]:
        """From, to."""
        return np.zeros_like(slow_k), np.full_like(slow_k, np.inf)

    def weight(self, fast_k: Array, slow_k: Array) -> Array:
        """Of the amplitudes, but for the normal one of their ratio."""
        return np.exp(-0.5 * (slow_k / thermal_bank.PRIOR_STORED_K) ** 2) / slow_k


Prior = Drawn | Wide


@dataclass(frozen=True)
class Posterior:
    """``probability`` of reaching the limit, ``near`` of coming within the margin, median time left of those that reach it, and the
    deviation of where it settles. ``ratio``: likelihood of the readings under finals drawn above the limit over that under one below."""

    probability: float
    near: float
    left_s: float
    deviation_k: float
    ratio: float


def posterior(prior: Prior, power_w: float, limit_c: float, t_s: Array, readings_c: Array) -> Posterior:
    """From readings since the power came, at ``t_s``."""
    f, g = 1.0 - np.exp(-t_s / prior.fasts_s[:, None]), 1.0 - np.exp(-t_s / prior.slows_s[:, None])
    f_mean, g_mean, y_mean = f.mean(1), g.mean(1), float(readings_c.mean())
    fc, gc, y = f - f_mean[:, None], g - g_mean[:, None], readings_c - y_mean
    ff, gg, fg = (fc**2).sum(1)[:, None], (gc**2).sum(1)[None], fc @ gc.T
    fy, gy = (fc @ y)[:, None], (gc @ y)[None]
    # the slow amplitude's grid lies where readings and the prior of the ratio place it
    k = prior.usual
    stiff = (DEVIATION_K / (prior.unusual * np.maximum((gy + k * fy) / (gg + 2.0 * k * fg + k * k * ff), 0.5))) ** 2
    det = (ff + stiff) * (gg + k * k * stiff) - (fg - k * stiff) ** 2
    best = ((ff + stiff) * gy - (fg - k * stiff) * fy) / det
    wide = DEVIATION_K * np.sqrt((ff + stiff) / det)
    lowest_k, highest_k = prior.slow_k(power_w)
    low = np.maximum(lowest_k, best - 4.5 * wide)
    span = np.maximum(np.minimum(highest_k, best + 4.5 * wide) - low, 0.0)
    slow = low[..., None] + span[..., None] * _SHARES
    # the fast one's normal posterior, given the slow one
    seen, fft = (fy / ff)[..., None] - (fg / ff)[..., None] * slow, ff[..., None]
    rss = y @ y - 2.0 * slow * gy[..., None] + slow**2 * gg[..., None] - fft * seen**2
    known = 1.0 / np.maximum(prior.unusual * slow, 1e-9) ** 2
    read = fft / DEVIATION_K**2
    own = 1.0 / np.sqrt(read + known)
    mean = (read * seen + known * k * slow) * own**2
    from_k, to_k = prior.fast_k(slow, power_w)
    below, above = ndtr((from_k - mean) / own), ndtr((to_k - mean) / own)
    mass = np.where((to_k > from_k) & (span > 0.0)[..., None], np.maximum(above - below, 0.0), 0.0)
    fast = mean[..., None] + own[..., None] * ndtri(np.clip(below[..., None] + mass[..., None] * _PARTS, 1e-15, 1.0 - 1e-15))
    log = -0.5 * rss / DEVIATION_K**2 - 0.5 * read * known * own**2 * (seen - k * slow) ** 2 + np.log(own) + prior.log_density[..., None]
    weight = np.exp(log - log[mass > 0.0].max(initial=-np.inf)) * mass * span[..., None]
    slow = np.broadcast_to(slow[..., None], fast.shape)
    weights = weight[..., None] * prior.weight(fast, slow)
    settled = y_mean + fast * (1.0 - f_mean[:, None, None, None]) + slow * (1.0 - g_mean[None, :, None, None])
    weights = weights / weights.sum()
    reaches = settled > limit_c
    middle = float((weights * settled).sum())
    # where it settles is equally likely anywhere beforehand, so its density is the likelihood
    over_k = settled - limit_c
    above_share = float(weights[(over_k >= OVER_K[0]) & (over_k <= OVER_K[1])].sum()) / (OVER_K[1] - OVER_K[0])
    below_share = float(weights[np.abs(over_k + BELOW_K) <= NEAR_K].sum()) / (2.0 * NEAR_K)
    # by the end of what was seen the fast pole is over, or nearly so: the slow one decides when the limit is reached
    slow_s = np.broadcast_to(prior.slows_s[None, :, None, None], fast.shape)[reaches]
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
    """One climb. ``ahead``: told by the detector's own rule when three quarters of the time to the limit were left, or falsely; ``ratio``,
    ``probability``: the greatest until then, of those that it may tell; ``quarter``: the posterior at that time, None where the limit is
    not reached."""

    ahead: bool = False
    ratio: float = 0.0
    probability: float = 0.0
    quarter: Posterior | None = None


def known(rnd: random.Random, true_c: list[float], power_w: float, slow_s: float, limit_c: float, priors: Sequence[Prior]) -> list[Known]:
    """``true_c``: one a second from the moment on at which the power comes. For each of the priors, from the same readings."""
    t_s = np.arange(float(len(true_c)))
    readings_c = COUNT_K * np.array([round(t / COUNT_K + rnd.gauss(0.0, NOISE_COUNTS)) for t in true_c])
    crossing_s = next((float(n) for n, t in enumerate(true_c) if t >= limit_c), None)
    end_s = LATEST_SLOWS * slow_s if crossing_s is None else 0.25 * crossing_s
    return [_known(prior, power_w, limit_c, t_s, readings_c, end_s, crossing_s is not None) for prior in priors]


def _known(prior: Prior, power_w: float, limit_c: float, t_s: Array, readings_c: Array, end_s: float, rises: bool) -> Known:
    out = Known()
    if end_s < LEAST_S:
        return out
    now_s, before = min(FIRST_S, end_s), 1.0
    while now_s <= end_s:
        n = int(now_s) + 1
        seen = posterior(prior, power_w, limit_c, t_s[:n], readings_c[:n])
        has_waited = now_s >= WAIT_SHARE * (now_s + seen.left_s)
        if (has_waited or seen.probability >= TELL_EARLY_AT) and before >= DROP_AT:
            out.ahead = out.ahead or (seen.probability >= TELL_AT and seen.near >= NEAR_AT)
        if has_waited:
            out.probability = max(out.probability, seen.probability)
        if has_waited or seen.ratio >= SURE_RATIO:
            out.ratio = max(out.ratio, seen.ratio)
        out.quarter, before = seen if rises else None, seen.probability
        now_s = end_s if now_s < end_s < (1.0 + FORECAST_GROWTH) * now_s else (1.0 + FORECAST_GROWTH) * now_s
    return out


def tested(over: Sequence[float], below: Sequence[float], false: float, least: float) -> tuple[float, float]:
    """Shares told in time, of the climbs ``over`` the limit and of those ``below`` it, where what is asked of what they show is the least,
    from ``least`` on, that tells at most the share ``false`` of ``below``."""
    bound = max(sorted(below, reverse=True)[int(false * len(below))], least)
    return sum(shown > bound for shown in over) / len(over), sum(shown > bound for shown in below) / len(below)
