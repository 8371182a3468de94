"""A battery pack under discharge: open-circuit voltage over the state of charge, an ohmic and a slow (RC) part of the internal resistance,
and a protection circuit that opens at the pack's lowest voltage.

The curve is of the general shape of a lithium-ion cell with a layered-oxide cathode; its figures are common practice, not a product's.
First-order model: V = OCV(soc) - U1 - R0·I, dU1/dt = (R1·I - U1)/tau1, solved exactly for constant I over a step.
"""

from __future__ import annotations

import bisect
import math
from dataclasses import dataclass

from loadlog.sim.circuit import SourceLine
from loadlog.sim.thermal import Pole

_SOC = (0.0, 0.02, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)
_CELL_V = (2.80, 3.08, 3.28, 3.41, 3.52, 3.58, 3.62, 3.67, 3.75, 3.85, 3.95, 4.06, 4.18)


def open_circuit_v(soc: float) -> float:
    """Open-circuit voltage of one cell; linear between the points of the curve, constant outside."""
    if soc <= 0.0:
        return _CELL_V[0]
    if soc >= 1.0:
        return _CELL_V[-1]
    k = bisect.bisect_right(_SOC, soc)
    share = (soc - _SOC[k - 1]) / (_SOC[k] - _SOC[k - 1])
    return _CELL_V[k - 1] + share * (_CELL_V[k] - _CELL_V[k - 1])


@dataclass(frozen=True, slots=True)
class BatteryForm:
    """Data of one pack, per pack. ``soc``: state of charge at the start, 0 to 1. ``protect_v``: the pack's own circuit opens below."""

    cells: int = 10
    capacity_ah: float = 2.6
    soc: float = 0.95
    r0_ohm: float = 0.11
    r1_ohm: float = 0.06
    tau1_s: float = 25.0
    protect_v: float = 27.0
    limit_a: float = 25.0
    case_k_per_w: float = 5.0
    case_tau_s: float = 900.0


class Battery:
    """State of one pack. ``off_because``: empty, or ``empty`` / ``overload`` once its protection circuit has opened."""

    def __init__(self, form: BatteryForm) -> None:
        self.form = form
        self.soc = form.soc
        self._u1_v = 0.0
        self._case = Pole(form.case_k_per_w, form.case_tau_s / form.case_k_per_w)
        self.off_because = ""
        self.limited = False

    @property
    def case_rise_k(self) -> float:
        """Pack over ambient, K."""
        return self._case.rise_k

    @property
    def r0_ohm(self) -> float:
        """Ohmic resistance; an almost empty cell resists more (common practice)."""
        return self.form.r0_ohm * (1.0 + 1.5 * max(0.0, 0.1 - self.soc) / 0.1)

    def line(self, ambient_c: float) -> SourceLine:
        """The Thevenin equivalent of this instant."""
        del ambient_c
        if self.off_because:
            return SourceLine(0.0, self.r0_ohm)
        return SourceLine(self.form.cells * open_circuit_v(self.soc) - self._u1_v, self.r0_ohm)

    def step(self, terminal_v: float, current_a: float, ambient_c: float, dt_s: float, index: int) -> None:
        """Advance by ``dt_s`` at a constant operating point."""
        del ambient_c, index
        self.soc -= current_a * dt_s / 3600.0 / self.form.capacity_ah
        final_v = self.form.r1_ohm * current_a
        self._u1_v = final_v + (self._u1_v - final_v) * math.exp(-dt_s / self.form.tau1_s)
        self._case.step(current_a * (current_a * self.r0_ohm + self._u1_v), dt_s)
        if not self.off_because and terminal_v < self.form.protect_v:
            self.off_because = "empty"
        elif not self.off_because and current_a > self.form.limit_a:
            self.off_because = "overload"

    def renew(self, soc: float) -> None:
        """Another pack of the same kind is connected."""
        self.soc, self._u1_v, self.off_because = soc, 0.0, ""
