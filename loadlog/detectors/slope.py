"""How far a voltage falls for each ampere more, as steps of the current have shown it. Source: weighted means, any text on statistics."""

from __future__ import annotations

import math


class Slope:
    """-dV/dI with its uncertainty, Ω: steps of the current combined by their weights; 2 % a step is let in for what changes with the
    operating point."""

    __slots__ = ("n", "ohm", "uncertainty_ohm")

    def __init__(self) -> None:
        self.ohm, self.uncertainty_ohm = 0.0, math.inf
        self.n = 0

    @property
    def known_ohm(self) -> float | None:
        """The value, when it is known within 20 %."""
        return self.ohm if self.uncertainty_ohm <= 0.2 * self.ohm else None

    def update(self, ohm: float, uncertainty_ohm: float) -> None:
        """Another step."""
        self.n += 1
        new = uncertainty_ohm * uncertainty_ohm
        if self.uncertainty_ohm == math.inf:
            self.ohm, variance = ohm, new
        else:
            old = self.uncertainty_ohm * self.uncertainty_ohm
            self.ohm += old / (old + new) * (ohm - self.ohm)
            variance = old * new / (old + new)
        self.uncertainty_ohm = math.hypot(math.sqrt(variance), 0.02 * self.ohm)
