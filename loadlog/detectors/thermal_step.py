"""What is not known of the instant at which power stepped: it lies anywhere between two readings of the power.

Physics: a step that came later by δ than the models take it moves the response by -δ·dT/dt. That is R_f·ΔP·δ/τ_f of the fast pole, which
decays with it: a few tenths of a kelvin where power is read once a second, ten times a reading's noise. Taken for heat under way it bends
the first part of the climb, and the slow part is drawn on far beyond where it settles. Of the slow pole it is the same heat, some two
hundred times smaller: nothing.
Rule: the fast pole's time constant is not known then, so the error is taken as a sum of decays of some time constants (`SHAPES_S`), each
with an amplitude of its own, known beforehand to within the deviation of the instant times the mean slope until that time constant. Sums of
products of the decays with what is fitted are kept, and the amplitudes are eliminated from the normal equations before a system is taken
from them: the readings count as what they are, errors that hang together.
Units: s, K. Source: marginal likelihood of a linear model, Schur complement (Bishop, Pattern Recognition and Machine Learning, 2.3, from
memory); a uniform distribution deviates by its width over sqrt(12).
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Sequence

SHAPES_S = (2.5, 7.0, 20.0)
NO_SHAPE = 1e-3  # of the longest decay: no more is gathered
NOTHING_LOST = 0.05  # of the noise's variance, seen in all readings together
NOT_MORE = 1e-6  # of what the readings tell of an amplitude is known beforehand: they can be wild
_N = len(SHAPES_S)


class StepTime:
    """Of the last step. ``size``: of what is fitted, the readings among it."""

    __slots__ = ("_deviation_s", "_is_first", "_own", "_rates", "_rows", "_since_s")

    def __init__(self, size: int) -> None:
        self._rows = array("d", bytes(8 * _N * size))  # Σ w·s·f, one shape after the other
        self._own = array("d", bytes(8 * _N * _N))  # Σ w·s·s
        self._rates = array("d", bytes(8 * _N))  # K/s
        self._since_s = self._deviation_s = 0.0
        self._is_first = True

    def stepped(self, within_s: float) -> None:
        """Power stepped within so long before this instant; what was gathered is gone, unless nothing was."""
        if self._is_first and self._since_s < SHAPES_S[0]:
            within_s = max(within_s, math.sqrt(12.0) * self._deviation_s)
        self.forget()
        self._deviation_s = within_s / math.sqrt(12.0)

    def forget(self) -> None:
        """Nothing is in doubt."""
        for part in (self._rows, self._own, self._rates):
            part[:] = array("d", bytes(8 * len(part)))
        self._since_s = self._deviation_s = 0.0
        self._is_first = True

    def advance(self, dt_s: float, keep: float = 1.0) -> None:
        """Time goes by; ``keep``: so much of what was gathered."""
        self._since_s += dt_s
        if keep < 1.0:
            self._rows = array("d", [keep * one for one in self._rows])
            self._own = array("d", [keep * one for one in self._own])

    def observe(self, features: Sequence[float], weight: float, risen_k: float) -> None:
        """A reading, so much above the one before the step."""
        t_s, size = self._since_s, len(features)
        if self._deviation_s == 0.0 or math.exp(-t_s / SHAPES_S[-1]) < NO_SHAPE:
            return
        shapes = [math.exp(-t_s / tau_s) for tau_s in SHAPES_S]
        for k, shape in enumerate(shapes):
            if self._is_first or t_s <= SHAPES_S[k]:
                self._rates[k] = max(self._rates[k], abs(risen_k) / SHAPES_S[k])
            part, begin = weight * shape, k * size
            row = self._rows[begin : begin + size]
            self._rows[begin : begin + size] = array("d", [r + part * f for r, f in zip(row, features, strict=True)])
            for m in range(k + 1):
                self._own[k * _N + m] += part * shapes[m]
        self._is_first = False

    def lost(self, variance: float) -> list[list[float]]:
        """Vectors whose outer products are what the doubt takes from the normal equations of all that is fitted; ``variance``: of one
        reading, K². None where it takes next to nothing."""
        size, active, squares = len(self._rows) // _N, [], []
        for k, rate in enumerate(self._rates):
            known_k = rate * self._deviation_s
            if known_k * known_k * self._own[k * _N + k] > NOTHING_LOST * variance:
                active.append(k)
                squares.append(known_k * known_k)
        rows = [list(self._rows[k * size : (k + 1) * size]) for k in active]
        own = [[self._own[max(k, m) * _N + min(k, m)] for m in active] for k in active]
        for n, square in enumerate(squares):
            own[n][n] += max(variance / square, NOT_MORE * own[n][n])
        for n, row in enumerate(rows):
            root = math.sqrt(own[n][n])
            row[:] = [r / root for r in row]
            for later in range(n + 1, len(rows)):
                part = own[later][n] / root
                rows[later] = [r - part * f for r, f in zip(rows[later], row, strict=True)]
                for m in range(n + 1, later + 1):
                    own[later][m] -= part * own[m][n] / root
        return rows
