"""Heat: first-order poles advanced exactly, and a heatsink of two poles with a fan.

A pole follows d(theta)/dt = (P - theta/R)/C for the rise ``theta`` over ambient; with P constant over a step the closed form is exact, so
the step length does not change the result. A heatsink is two poles in series (Foster form): junction side fast, fin side slow; the still
air of a stopped fan raises the fin side's resistance while its heat capacity stays. Figures of the fan are common practice.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(slots=True)
class Pole:
    """``r_k_per_w``: resistance to ambient, K/W. ``c_j_per_k``: heat capacity, J/K. ``rise_k``: state."""

    r_k_per_w: float
    c_j_per_k: float
    rise_k: float = 0.0

    @property
    def tau_s(self) -> float:
        """Time constant, s."""
        return self.r_k_per_w * self.c_j_per_k

    def step(self, power_w: float, dt_s: float) -> None:
        """Advance by ``dt_s`` at constant power."""
        final_k = power_w * self.r_k_per_w
        self.rise_k = final_k + (self.rise_k - final_k) * math.exp(-dt_s / self.tau_s)


@dataclass(frozen=True, slots=True)
class HeatsinkForm:
    """``fast_*``, ``slow_*``: the two poles with the fan running. ``still_air_factor``: how much a stopped fan raises the slow
    resistance. ``outlet_share``: rise of the leaving air over the heatsink's rise. ``fan_starts_k``, ``fan_stops_k``: rises between which a
    thermostat switches the fan; it always runs where the first is 0."""

    fast_k_per_w: float = 0.03
    fast_tau_s: float = 4.0
    slow_k_per_w: float = 0.12
    slow_tau_s: float = 90.0
    still_air_factor: float = 3.5
    outlet_share: float = 0.45
    fan_starts_k: float = 0.0
    fan_stops_k: float = 0.0


class Heatsink:
    """Temperature of a load's heatsink under its dissipation, with a fan that follows it. ``blocked_factor``: how much worse the fin side
    gives its heat off than when new (dust, a worn fan)."""

    FAN_IDLE_RPM, FAN_FULL_RPM, FAN_RPM_PER_K, FAN_TAU_S = 1500.0, 5200.0, 75.0, 1.5

    def __init__(self, form: HeatsinkForm) -> None:
        self._form = form
        self._fast = Pole(form.fast_k_per_w, form.fast_tau_s / form.fast_k_per_w)
        self._slow = Pole(form.slow_k_per_w, form.slow_tau_s / form.slow_k_per_w)
        self.fan_runs = True
        self._is_called = form.fan_starts_k <= 0.0  # by its thermostat
        self.blocked_factor = 1.0
        self.fan_rpm = self.FAN_IDLE_RPM

    @property
    def rise_k(self) -> float:
        """Heatsink over ambient, K."""
        return self._fast.rise_k + self._slow.rise_k

    @property
    def outlet_rise_k(self) -> float:
        """Leaving air over ambient, K."""
        return self._form.outlet_share * self._slow.rise_k

    def step(self, power_w: float, dt_s: float) -> None:
        """Advance by ``dt_s`` at constant dissipation."""
        form = self._form
        if form.fan_starts_k > 0.0:
            self._is_called = self.rise_k > (form.fan_stops_k if self._is_called else form.fan_starts_k)
        turns = self.fan_runs and self._is_called
        self._slow.r_k_per_w = form.slow_k_per_w * self.blocked_factor * (1.0 if turns else form.still_air_factor)
        self._fast.step(power_w, dt_s)
        self._slow.step(power_w, dt_s)
        wanted = min(self.FAN_FULL_RPM, self.FAN_IDLE_RPM + self.FAN_RPM_PER_K * max(0.0, self.rise_k - 10.0))
        if not turns:
            wanted = 0.0
        self.fan_rpm = wanted + (self.fan_rpm - wanted) * math.exp(-dt_s / self.FAN_TAU_S)
