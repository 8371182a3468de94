"""A bank of two-pole thermal models, learned recursively from temperature and power.

Physics: the rise over ambient of a heated body is a sum of first-order responses to the power (Foster form), here two of them:
T = b + R_f·x_f + R_s·x_s + a_f·e_f + a_s·e_s, with x the power through a first-order lag of its time constant and e = exp(-t/τ), which
carries what was stored before anybody looked. Time constants stand on a grid; b, R and a follow by linear least squares.
Invariants: all models share one Gram matrix of the features at `TAUS_S`, updated once for each block of readings; any model is a part of
it, interpolated. So memory is fixed, an update costs the square of the grid, and a model is solved only when a forecast is wanted. The grid
lies over the posterior of the time constants and follows it, slanted as they hang together: a fixed one would be too coarse soon. While it
is coarser than the posterior its weights are flattened (`_resolved`): what the grid cannot tell apart counts as not known.
Priors, from what heatsinks are, not from what is measured here: a slow time constant around `SLOW_S` (0.3 to 2 kg of aluminium at 0.1 to
0.4 K/W), within a factor e; a fast one 4 to 150 times shorter; a fast share of the rise around 20 %, or a delay where the sensor is far
from the source of the heat (a transfer impedance: its Foster form has elements of either sign). Within a first climb they decide: what is
seen then is nearly a straight line after a bend.
Sources: first-order step response (any text on heat transfer, lumped capacitance); Bayesian linear regression (Bishop, Pattern Recognition
and Machine Learning, 3.3 to 3.5, from memory).
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Sequence
from dataclasses import dataclass

from loadlog.detectors.normal_equations import dot, own_square, solved, whitened
from loadlog.detectors.thermal_gram import TAUS_S, Gram

SLOW_S, SLOW_DEVIATION = 150.0, 1.0  # centre of the slow time constant, deviation of its logarithm
SLOW = (math.log(20.0), math.log(1480.0))  # logarithm of the slow time constant
APART = (math.log(1 / 150), math.log(1 / 4))  # of fast over slow
FAST_TO_SLOW, FAST_TO_SLOW_DEVIATION = 0.25, 0.25  # of the amplitudes
WELL_KNOWN = 0.3  # deviation of the logarithm of a time constant
PRIOR_K = 20.0  # deviation of b
PRIOR_STORED_K = 60.0  # of a
PRIOR_RISE_K = 150.0  # of R at the power's scale
PRIOR_BLOCKS = 10.0  # what the expected noise is worth
LEAST_MODELS = 2.0  # that must carry the weight in either direction, or the grid is coarser than the posterior
REACH = 2.5  # deviations of the posterior that the grid covers
LEAST_REACH = 0.02
_STEPS = (7, 5)  # models in either direction
FLATTEST, _HALVINGS = 1e-5, 9  # power to which weights are raised at least, halvings of its logarithm
_PASSES = 12  # moves of the grid at most, within one solution
LEAST_SPREAD = 0.02  # of a logarithm: no body is so much a two-pole model
ASTRAY, AGAIN, BETTER = 2.0, 1.5, 0.8  # of the variance that is expected; of the blocks; of the squares that are left
_LEAST_WEIGHT = 0.002
_RESTING = 5


@dataclass(frozen=True, slots=True)
class Solved:
    """One model: parameters (b, R_f, R_s, a_f, a_s), lower Cholesky factor of their information row by row, log of its evidence (but for
    its residuals) and the sum of their squares."""

    fast_s: float
    slow_s: float
    theta: array[float]
    factor: array[float]
    rss: float
    log_det: float


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of a time constant beforehand: centre, s, and the deviation of its logarithm."""

    tau_s: float
    deviation: float

    def log_density(self, log_tau: float) -> float:
        """But for a constant."""
        return -0.5 * ((log_tau - math.log(self.tau_s)) / self.deviation) ** 2


@dataclass(slots=True)
class _Grid:
    """Where the models stand: ``u`` is the logarithm of the slow time constant, ``v`` that of fast over slow, which is centred at
    ``v + slope·(u - centre)``."""

    u: float
    half_u: float
    v: float
    half_v: float
    slope: float = 0.0


_Cell = tuple[float, float, float]  # u, v, weight


class Bank:
    """``scale_w``: the rated power; ``deviation_k``: expected of one reading; ``fast_s``, ``slow_s``: time constants that are given."""

    __slots__ = (
        "_again_blocks", "_apart", "_fast_known", "_gram", "_grid", "_prior_slow", "_rss", "_scale", "_since_s", "_slow", "_taus",
        "blocks", "correlated", "deviation_k", "origin_c", "scale_w", "variance", "weights",
    )  # fmt: skip

    def __init__(self, scale_w: float, deviation_k: float, fast_s: float | None = None, slow_s: float | None = None) -> None:
        self._slow = SLOW if slow_s is None else (math.log(slow_s), math.log(slow_s))
        self._apart = APART if fast_s is None or slow_s is None else (math.log(fast_s / slow_s), math.log(fast_s / slow_s))
        self._prior_slow = Known(SLOW_S, SLOW_DEVIATION)
        self._fast_known: Known | None = None if fast_s is None or slow_s is not None else Known(fast_s, 0.02)
        self.scale_w = scale_w
        self.deviation_k = deviation_k
        self.correlated = 1.0  # so many readings carry what one would
        self._gram = Gram()
        self._grid = self._widest()
        self.variance = deviation_k**2
        self.blocks = 0
        self.origin_c = 0.0
        self.weights: list[tuple[float, Solved]] = []
        self._taus: tuple[Known, Known] | None = None
        self._since_s = self._rss = 0.0
        self._again_blocks = 0
        self._scale: tuple[float, float] | None = None  # slow amplitude at the step, K, and its time constant, s

    def expect(self, fast: Known, slow: Known) -> None:
        """Time constants of the same body are known from before."""
        if self._slow[1] > self._slow[0]:
            self._prior_slow = slow
        if self._apart[1] > self._apart[0]:
            self._fast_known = fast
        self._grid = self._widest()

    @property
    def is_known(self) -> bool:
        """Both time constants are given, or well known from before."""
        slow = self._slow[0] == self._slow[1] or self._prior_slow.deviation <= WELL_KNOWN
        fast = self._apart[0] == self._apart[1] or (self._fast_known is not None and self._fast_known.deviation <= WELL_KNOWN)
        return slow and fast

    def _widest(self) -> _Grid:
        """Over all that is possible beforehand."""
        u, half_u = _middle(*self._slow)
        v, half_v = _middle(*self._apart)
        if half_u and self._prior_slow.deviation < 0.5:
            u, half_u = math.log(self._prior_slow.tau_s), 3.0 * self._prior_slow.deviation
        slope = 0.0
        if half_v and self._fast_known is not None and self._fast_known.deviation < 0.5:
            v, half_v, slope = math.log(self._fast_known.tau_s) - u, 3.0 * self._fast_known.deviation, -1.0
        return _Grid(u, half_u, v, half_v, slope)

    def restart(self, temperature_c: float, power_w: float) -> None:
        """Nothing is known but the present state, taken as settled at this power."""
        self._gram.settle(power_w / self.scale_w)
        self.relearn(temperature_c)

    def relearn(self, temperature_c: float) -> None:
        """The body is another one from here on (its cooling changed); the powers of the past still count."""
        self._gram.forget()
        self._grid = self._widest()
        self.variance = self.deviation_k**2
        self.blocks = self._again_blocks = 0
        self._since_s = 0.0
        self.origin_c = temperature_c
        self.weights, self._taus = [], None
        self._scale = None

    def stepped(self, within_s: float = 0.0) -> None:
        """Power is another one from here on, or was already at most so long ago."""
        self._gram.stepped(within_s, self.variance)
        self._grid = self._widest()  # a grid that closed in on the slow pole as the fast one would not find back
        self._since_s = 0.0
        self._scale = None

    @property
    def power(self) -> float:
        """The present one, of the rated."""
        return self._gram.power

    def advance(self, dt_s: float, power_w: float) -> None:
        """Time goes by at this mean power."""
        self._since_s += dt_s
        self._gram.advance(dt_s, power_w / self.scale_w)

    def observe(self, temperature_c: float, weight: float = 1.0) -> None:
        """The mean of a block at the present instant, worth ``weight`` readings."""
        self._gram.observe(temperature_c - self.origin_c, weight)
        self.blocks += 1

    def solve(self) -> bool:
        """Weigh the models anew, on a grid that moves until it lies over them; False when none can be solved."""
        self._gram.open(self.variance)
        if not self._search():
            return False
        scatter = self._rss / (PRIOR_BLOCKS + self.blocks)
        if self.blocks >= self._again_blocks and scatter > ASTRAY * self.deviation_k**2:
            self._search_elsewhere()
        return True

    def _search(self) -> bool:
        """Weigh the models until the grid lies over them."""
        for _ in range(_PASSES):
            cells = self._weigh()
            if not cells:
                return False
            if self._follow(cells):
                break
        return True

    def _search_elsewhere(self) -> None:
        """What is read scatters far more about the models than readings do: the grid may have closed in on the slow pole as the fast one,
        whose true place is too narrow to be met by chance. Looked for there, and the better fit is kept; where it is the noise that is
        larger than expected, that costs as much again each time that the blocks have grown by `AGAIN`."""
        self._again_blocks = math.ceil(AGAIN * self.blocks)
        found = (self._grid, self.variance, self.weights, self._scale, self._rss)
        grid = self._widest()
        u = math.fsum(w * math.log(s.fast_s) for w, s in self.weights)
        self._grid = _Grid(u, 0.5, grid.v, grid.half_v, grid.slope) if grid.half_u and u > self._slow[0] else grid
        self._scale, self.variance = None, self.correlated * self.deviation_k**2
        if not self._search() or self._rss > BETTER * found[-1]:
            self._grid, self.variance, self.weights, self._scale, self._rss = found

    def _weigh(self) -> list[_Cell]:
        """Place and weight of each model."""
        grid = self._grid
        nu = _STEPS[0] if grid.half_u else 1
        nv = _STEPS[1] if grid.half_v else 1
        if self._scale is None:
            self._scale = (2.0 * math.sqrt(self._gram.square / max(self._gram.weight, 1.0)) + 1.0, SLOW_S)
        places: list[tuple[float, float]] = []
        models: list[Solved] = []
        for i in range(nu):
            u = grid.u + _place(i, nu) * grid.half_u
            if self._slow[1] > self._slow[0] and not self._slow[0] <= u <= self._slow[1]:
                continue
            for j in range(nv):
                v = grid.v + grid.slope * (u - grid.u) + _place(j, nv) * grid.half_v
                inside = self._apart[0] - 1e-9 <= v <= self._apart[1] + 1e-9 and u + v >= math.log(TAUS_S[0])
                one = self._solve(math.exp(u + v), math.exp(u)) if inside or nv == 1 else None
                if one is not None:
                    places.append((u, v))
                    models.append(one)
        self.weights, self._taus = [], None
        if not models:
            return []
        best = self._rss = min(s.rss for s in models)
        expected = self.deviation_k**2
        self.variance = self.correlated * max((PRIOR_BLOCKS * expected + best) / (PRIOR_BLOCKS + self.blocks), 0.25 * expected)
        logs = [self._log_weight(s, u, v) for s, (u, v) in zip(models, places, strict=True)]
        weights = _resolved(logs, (LEAST_MODELS if nu > 1 else 1.0) * (LEAST_MODELS if nv > 1 else 1.0))
        total = math.fsum(weights)
        cells = [(u, v, w / total) for (u, v), w in zip(places, weights, strict=True)]
        kept = [(w, s) for w, s in zip(weights, models, strict=True) if w > _LEAST_WEIGHT * total]
        total = math.fsum(w for w, _ in kept)
        self.weights = [(w / total, s) for w, s in kept]
        self._scale = self._amplitude()
        return cells

    def _log_weight(self, s: Solved, u: float, v: float) -> float:
        out = s.log_det - 0.5 * s.rss / self.variance + self._prior_slow.log_density(u) + self._log_signs(s)
        return out if self._fast_known is None else out + self._fast_known.log_density(u + v)

    def _follow(self, cells: list[_Cell]) -> bool:
        """Lay the grid over the weights; True when what was solved stood well."""
        grid = self._grid
        step_u, step_v = 2.0 * grid.half_u / (_STEPS[0] - 1), 2.0 * grid.half_v / (_STEPS[1] - 1)
        u = math.fsum(c[0] * c[2] for c in cells)
        v = math.fsum(c[1] * c[2] for c in cells)
        uu = math.fsum((c[0] - u) ** 2 * c[2] for c in cells)
        uv = math.fsum((c[0] - u) * (c[1] - v) * c[2] for c in cells)
        vv = math.fsum((c[1] - v) ** 2 * c[2] for c in cells)
        slope = uv / (uu + 0.1 * step_u**2) if grid.half_u and grid.half_v else 0.0
        across = max(vv - 2.0 * slope * uv + slope**2 * uu, 0.0)
        half_u, in_u = _reach(uu, step_u, u - grid.u, grid.half_u)
        half_v, in_v = _reach(across, step_v, v - grid.v - grid.slope * (u - grid.u), grid.half_v)
        self._grid = _Grid(u, half_u, v, half_v, slope)
        return in_u and in_v

    def _solve(self, fast: float, slow: float) -> Solved | None:
        matrix, right_side = self._gram.system(fast, slow)
        log_prior = self._add_prior(matrix, slow)
        solution = solved(matrix, right_side)
        if solution is None:
            return None
        theta, factor, explained, log_root = solution
        return Solved(fast, slow, theta, factor, max(self._gram.square - explained, 0.0), log_prior - log_root)

    def _add_prior(self, matrix: list[list[float]], slow_s: float) -> float:
        """Information of the priors, in units of the readings'; returns what its determinant gives to the evidence. How far the fast share
        may be from its usual one goes with the slow amplitude; that of a model is the last mean's, scaled to the rise that was seen."""
        assert self._scale is not None
        amplitude_k, tau_s = self._scale
        seen = max(self._since_s, 1.0)
        amplitude_k *= math.expm1(-seen / tau_s) / math.expm1(-seen / slow_s)
        variance, k = self.variance, FAST_TO_SLOW
        stored_k = FAST_TO_SLOW_DEVIATION * max(amplitude_k, 1.0)
        rise_k = stored_k / max(self.power, 0.05)
        matrix[0][0] += variance / PRIOR_K**2
        for at, coupled_k, own_k in ((1, rise_k, PRIOR_RISE_K), (3, stored_k, PRIOR_STORED_K)):
            part = variance / coupled_k**2
            matrix[at][at] += part
            matrix[at + 1][at] -= k * part
            matrix[at + 1][at + 1] += k * k * part + variance / own_k**2
        return -math.log(stored_k) - math.log(rise_k)

    def _log_signs(self, s: Solved) -> float:
        """A body that is heated warms, and what is stored in both poles comes of the same past. The fast part may be negative, as far from
        the source of the heat, where it is a delay: only so much that the temperature does not fall at first."""
        ratio, sign = s.fast_s / s.slow_s, math.copysign(1.0, s.theta[4])
        t, f, variance = s.theta, s.factor, self.variance
        total = _log_positive(t[1] + ratio * t[2], variance * own_square(f, 1, ratio)) + _log_positive(t[2], variance * own_square(f, 2))
        return total + _log_positive(sign * (t[3] + ratio * t[4]), variance * own_square(f, 3, ratio))

    def _amplitude(self) -> tuple[float, float]:
        """Of the slow response at the last step, K, and its time constant (means of the models)."""
        amplitude = log_tau = 0.0
        for w, s in self.weights:
            features = self.features(s)
            left_k = s.theta[2] * (features[2] - self.power) + s.theta[4] * features[4]
            amplitude += w * abs(left_k) * math.exp(min(self._since_s / s.slow_s, 20.0))
            log_tau += w * math.log(s.slow_s)
        return min(amplitude, 500.0), math.exp(log_tau)

    def now_c(self) -> float | None:
        """The models' temperature at this instant."""
        if not self.weights:
            return None
        return self.origin_c + math.fsum(w * dot(s.theta, self.features(s)) for w, s in self.weights)

    def now_variance(self) -> float:
        """Of the models' temperature at this instant, K²: that of each, and how far they are apart."""
        mean = square = 0.0
        for w, s in self.weights:
            features = self.features(s)
            value, z = dot(s.theta, features), whitened(s.factor, features)
            mean += w * value
            square += w * (value * value + self.variance * dot(z, z))
        return max(square - mean * mean, 0.0)

    def features(self, s: Solved) -> tuple[float, ...]:
        """At this instant."""
        return self._gram.features(s.fast_s, s.slow_s)

    def rest(self) -> None:
        """Until it is solved again: keep the likeliest models alone, for the temperature and, of all of them, the time constants."""
        self._taus = self.time_constants()
        kept = sorted(self.weights, key=lambda one: -one[0])[:_RESTING]
        total = math.fsum(w for w, _ in kept)
        self.weights = [(w / total, s) for w, s in kept]
        self._gram.rest()

    def time_constants(self) -> tuple[Known, Known] | None:
        """Fast and slow one."""
        if self._taus is not None:
            return self._taus
        if not self.weights:
            return None
        logs = [(w, math.log(s.fast_s), math.log(s.slow_s)) for w, s in self.weights]
        fast, slow = math.fsum(w * f for w, f, _ in logs), math.fsum(w * u for w, _, u in logs)
        fast_spread = math.sqrt(math.fsum(w * (f - fast) ** 2 for w, f, _ in logs))
        slow_spread = math.sqrt(math.fsum(w * (u - slow) ** 2 for w, _, u in logs))
        return Known(math.exp(fast), math.hypot(fast_spread, LEAST_SPREAD)), Known(math.exp(slow), math.hypot(slow_spread, LEAST_SPREAD))


def _log_positive(mean: float, variance: float) -> float:
    """Logarithm of the probability that it is, of a normal distribution."""
    return math.log(max(0.5 * math.erfc(-mean / math.sqrt(2.0 * variance)), 1e-12))


def _resolved(logs: Sequence[float], least: float) -> list[float]:
    """Weights from their logarithms, flattened until at least so many models carry them (the inverse of the sum of their squares). Where
    the posterior is a ridge between the places of a coarse grid, which of them lies nearest it is chance: one would have all the weight
    and the grid would close in on it. Flattened, they show where the ridge lies and how it runs; on a grid that resolves it they are as
    they are."""
    beside = [g - max(logs) for g in logs]
    weights = [math.exp(g) for g in beside]
    low, high = math.log(FLATTEST), 0.0
    for _ in range(_HALVINGS if not _carried(weights, least) else 0):
        middle = 0.5 * (low + high)
        weights = [math.exp(g * math.exp(middle)) for g in beside]
        low, high = (middle, high) if _carried(weights, least) else (low, middle)
    return weights


def _carried(weights: Sequence[float], least: float) -> bool:
    return math.fsum(weights) ** 2 >= min(least, 0.5 * len(weights)) * math.fsum(w * w for w in weights)


def _reach(square: float, step: float, off: float, half: float) -> tuple[float, bool]:
    """How far a grid must reach from the centre of weights of that ``square`` deviation, and whether the last one, whose middle was ``off``
    it, did well: it resolved them, and they did not lie at its edge. What lies at an edge may go on beyond it: the grid widens."""
    if half == 0.0:
        return 0.0, True
    deviation = math.sqrt(square)
    at_edge = abs(off) + 0.8 * deviation > half
    reach = max(REACH * math.sqrt(square + 0.15 * step**2), LEAST_REACH)
    return max(reach, 1.5 * half) if at_edge else reach, not at_edge and (step < 1.6 * deviation or reach == LEAST_REACH)


def _middle(low: float, high: float) -> tuple[float, float]:
    return 0.5 * (low + high), 0.5 * (high - low)


def _place(i: int, n: int) -> float:
    """-1 to 1."""
    return 2.0 * i / (n - 1) - 1.0 if n > 1 else 0.0
