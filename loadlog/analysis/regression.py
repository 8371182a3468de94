"""Least squares, streaming and without normal equations.

`LineFit` keeps centred sums and merges chunks as `moments` does: against epoch seconds or a large offset raw sums lose the slope.
`LeastSquares` keeps the triangular factor of a QR decomposition and reduces it with each chunk, which is as accurate as one decomposition
of all rows (Golub and Van Loan, Matrix Computations, 5.3).

Uncertainties are of type A: they follow from the scatter about the line (JCGM 100, H.3). Successive samples of one instrument are seldom
independent; `autocorrelation_factor` widens them (effective number n (1 − r) / (1 + r), Santer et al. 2000, J. Geophys. Res. 105, 7337;
citation from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from loadlog.analysis.chunk import Floats, inner
from loadlog.model.errors import UsageError

ENOUGH_GROUPS = 10


@dataclass(frozen=True, slots=True)
class Line:
    """y = intercept + slope · x. ``u_slope``, ``u_intercept``: standard uncertainties from the scatter, None for fewer than three points.

    ``residual``: standard deviation about the line (n − 2); ``r``: correlation of intercept and slope; ``correlation``: of x and y.
    """

    n: int
    slope: float
    intercept: float
    residual: float | None
    u_slope: float | None
    u_intercept: float | None
    r: float
    correlation: float
    x_mean: float

    def at(self, x: float) -> tuple[float, float | None]:
        """(y, standard uncertainty from the scatter) at x (JCGM 100, H.3.5)."""
        y = self.intercept + self.slope * x
        if self.u_slope is None or self.u_intercept is None:
            return y, None
        variance = self.u_intercept**2 + (x * self.u_slope) ** 2 + 2 * x * self.u_intercept * self.u_slope * self.r
        return y, math.sqrt(max(0.0, variance))


class LineFit:
    """Centred sums of x and y over any number of chunks."""

    def __init__(self) -> None:
        self.n = 0
        self._x = self._y = self._xx = self._xy = self._yy = 0.0
        self.x_low, self.x_high = math.inf, -math.inf

    def add(self, x: Floats, y: Floats) -> None:
        """Take in pairs of finite numbers."""
        n = len(x)
        if not n:
            return
        mx, my = float(x[0] + np.mean(x - x[0])), float(y[0] + np.mean(y - y[0]))
        dx, dy = x - mx, y - my
        total = self.n + n
        ax, ay, share = mx - self._x, my - self._y, self.n * n / total
        sx, sy = float(dx.sum()), float(dy.sum())
        self._xx += inner(dx, dx) - sx * sx / n + ax * ax * share
        self._xy += inner(dx, dy) - sx * sy / n + ax * ay * share
        self._yy += inner(dy, dy) - sy * sy / n + ay * ay * share
        self._x += ax * n / total
        self._y += ay * n / total
        self.n = total
        self.x_low, self.x_high = min(self.x_low, float(x.min())), max(self.x_high, float(x.max()))

    @classmethod
    def of_groups(cls, n: Floats, x: Floats, y: Floats, xx: Floats, xy: Floats, yy: Floats) -> LineFit:
        """From groups of pairs [k]: sizes, means, and sums of squares and products about the means. `x_low` and `x_high` are those of the
        means."""
        out = cls()
        out.add(x, y)
        total = float(n.sum())
        if not total:
            return out
        out.n = round(total)
        out._x, out._y = float(x[0]) + inner(n, x - x[0]) / total, float(y[0]) + inner(n, y - y[0]) / total
        dx, dy = x - out._x, y - out._y
        out._xx, out._xy, out._yy = (float((s + n * a * b).sum()) for s, a, b in ((xx, dx, dx), (xy, dx, dy), (yy, dy, dy)))
        return out

    def line(self) -> Line | None:
        """The line, or None when x never varied."""
        if self.n < 2 or self._xx <= 0:
            return None
        slope = self._xy / self._xx
        intercept = self._y - slope * self._x
        correlation = self._xy / math.sqrt(self._xx * self._yy) if self._yy > 0 else 0.0
        root = math.sqrt(self._x**2 + self._xx / self.n)
        r = -self._x / root if root else 0.0
        if self.n < 3:
            return Line(self.n, slope, intercept, None, None, None, r, correlation, self._x)
        residual = math.sqrt(max(0.0, self._yy - slope * self._xy) / (self.n - 2))
        u_slope = residual / math.sqrt(self._xx)
        return Line(self.n, slope, intercept, residual, u_slope, u_slope * root, r, correlation, self._x)


@dataclass(frozen=True, slots=True)
class Solution:
    """``coefficients`` [p] and their ``covariance`` [p, p] from the scatter (NaN without degrees of freedom); ``residual``: standard
    deviation about the fit; ``degrees``: of freedom."""

    coefficients: Floats
    covariance: Floats
    residual: float
    degrees: int

    @property
    def uncertainties(self) -> Floats:
        """Standard uncertainties [p]."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))


class LeastSquares:
    """y = X b over any number of chunks of rows, ``columns`` regressors; the caller supplies a column of ones where one is wanted.

    Regressors of very different size should be scaled to about 1; that is the caller's, who knows them.
    """

    def __init__(self, columns: int) -> None:
        self._p = columns
        self._triangle: Floats = np.zeros((0, columns + 1))
        self.n = 0

    def add(self, x: Floats, y: Floats) -> None:
        """``x`` [n, columns], ``y`` [n]."""
        if x.shape != (len(y), self._p):
            raise UsageError(f"regressors {x.shape} do not fit {len(y)} values and {self._p} columns")
        self.n += len(y)
        self._triangle = np.asarray(np.linalg.qr(np.vstack((self._triangle, np.column_stack((x, y)))), mode="r"))

    def solve(self) -> Solution | None:
        """The fit, or None when the rows do not determine it (too few, or regressors that depend on each other)."""
        p, r = self._p, self._triangle
        if self.n < p or r.shape[0] < p:
            return None
        square, right = r[:p, :p], r[:p, p]
        sizes = np.linalg.norm(square, axis=0)
        if np.any(sizes == 0) or np.any(np.abs(np.diag(square)) < 1e-12 * sizes):
            return None
        inverse = np.linalg.inv(square)
        degrees = self.n - p
        left = abs(float(r[p, p])) if r.shape[0] > p else 0.0
        variance = left * left / degrees if degrees else math.nan
        return Solution(inverse @ right, inverse @ inverse.T * variance, math.sqrt(variance) if degrees else math.nan, degrees)


def fit(x: Floats, y: Floats) -> Solution | None:
    """`LeastSquares` of one table."""
    rows = LeastSquares(x.shape[1])
    rows.add(x, y)
    return rows.solve()


def autocorrelation_factor(residuals: Floats) -> float:
    """By how much a standard uncertainty from scatter must be widened for residuals that follow each other: √((1 + r) / (1 − r)), r their
    lag-1 autocorrelation, at least 1 and at most √n."""
    n = len(residuals)
    power = inner(residuals, residuals)
    if n < 3 or power <= 0:
        return 1.0
    r = inner(residuals[:-1], residuals[1:]) / power
    if r <= 0:
        return 1.0
    return min(math.sqrt(n), math.sqrt((1 + r) / max(1e-12, 1 - r)))


def grouped_u_slope(line: Line, y_mean: float, n: Floats, x: Floats, y: Floats, xx: Floats, xy: Floats) -> float | None:
    """Standard uncertainty of a line's slope that leaves the residuals within a group (as `LineFit.of_groups`) free to follow each other:
    from the scatter of the groups' scores (Liang and Zeger 1986, Biometrika 73, 13; from memory), widened where those of successive groups
    are alike. None for fewer than `ENOUGH_GROUPS` groups, whose scatter says too little."""
    if len(n) < ENOUGH_GROUPS:
        return None
    dx, dy = x - line.x_mean, y - y_mean
    own = xx + n * dx * dx
    scores = xy + n * dx * dy - line.slope * own
    squares = float(own.sum())
    if squares <= 0:
        return None
    return math.sqrt(inner(scores, scores) * len(n) / (len(n) - 1)) / squares * autocorrelation_factor(scores)
