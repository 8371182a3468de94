"""A bench supply: regulated output behind an output resistance, its overload behaviour, its warm-up, its noise.

Overload forms (trade words): ``constant_current`` clamps; ``foldback`` lowers the current with the voltage; ``hiccup`` switches off and
tries again; ``latch_off`` switches off until somebody resets it. Over-temperature switches off until the case has cooled. The output
capacitor is emptied by the load within a millisecond or two, so switching off is instantaneous here; coming back is a ramp (soft start).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from loadlog.sim import noise
from loadlog.sim.circuit import SourceLine
from loadlog.sim.thermal import Pole

Overload = Literal["constant_current", "foldback", "hiccup", "latch_off"]


@dataclass(frozen=True, slots=True)
class SupplyForm:
    """Data of one supply; units in the names. ``drift_v_per_k``: output against case temperature over 25 °C. ``slow_noise_v``: standard
    deviation of a noise correlated over ``slow_noise_s``. ``loss_share``: heat in the case over output power."""

    voltage_v: float = 24.0
    output_ohm: float = 0.004
    current_limit_a: float = 10.5
    overload: Overload = "constant_current"
    short_circuit_a: float = 2.5
    trip_delay_s: float = 0.1
    hiccup_off_s: float = 1.2
    rise_s: float = 0.06
    drift_v_per_k: float = -0.0002
    slow_noise_v: float = 0.0003
    slow_noise_s: float = 5.0
    loss_share: float = 0.12
    standby_w: float = 2.0
    case_k_per_w: float = 1.6
    case_tau_s: float = 240.0
    shutdown_c: float = 95.0
    restart_c: float = 70.0


class Supply:
    """State of one supply. ``off_because``: empty while it delivers, else ``latched``, ``hiccup``, ``hot`` or ``dropout``."""

    def __init__(self, form: SupplyForm, key: int) -> None:
        self.form = form
        self._key = key
        self._case = Pole(form.case_k_per_w, form.case_tau_s / form.case_k_per_w)
        self._slow_v = form.slow_noise_v * noise.gauss(key, 0)
        self._rise = 1.0
        self._overload_s = 0.0
        self._off_left_s = 0.0
        self.off_because = ""
        self.limited = False
        self.overload: Overload = form.overload
        self.limit_a = form.current_limit_a
        self.droop_v = 0.0
        self.drift_v = 0.0
        self.extra_noise_v = 0.0

    @property
    def case_rise_k(self) -> float:
        """Case over ambient, K."""
        return self._case.rise_k

    def line(self, ambient_c: float) -> SourceLine:
        """The Thevenin equivalent of this instant."""
        if self.off_because:
            return SourceLine(0.0, self.form.output_ohm)
        warm_k = ambient_c + self._case.rise_k - 25.0
        emf_v = self.form.voltage_v + self.form.drift_v_per_k * warm_k + self._slow_v - self.droop_v + self.drift_v
        return SourceLine(emf_v * self._rise, self.form.output_ohm, self._limit())

    def _limit(self) -> Callable[[float], float]:
        limit_a = self.limit_a
        if self.overload != "foldback":
            return lambda _v: limit_a
        short_a = min(self.form.short_circuit_a, 0.5 * limit_a)
        per_v = (limit_a - short_a) / self.form.voltage_v
        return lambda v: min(limit_a, short_a + per_v * v)

    def step(self, terminal_v: float, current_a: float, ambient_c: float, dt_s: float, index: int) -> None:
        """Advance by ``dt_s`` at a constant operating point; ``index`` is the number of the step."""
        loss_w = self.form.loss_share * terminal_v * current_a + (0.0 if self.off_because else self.form.standby_w)
        self._case.step(loss_w, dt_s)
        keep = math.exp(-dt_s / self.form.slow_noise_s)
        sigma_v = math.hypot(self.form.slow_noise_v, self.extra_noise_v) * math.sqrt(1.0 - keep * keep)
        self._slow_v = keep * self._slow_v + sigma_v * noise.gauss(self._key, index + 1)
        if self.off_because:
            self._wait_off(ambient_c, dt_s)
        else:
            self._run(ambient_c, dt_s)

    def _wait_off(self, ambient_c: float, dt_s: float) -> None:
        self._off_left_s -= dt_s
        if self.off_because == "hot":
            if ambient_c + self._case.rise_k <= self.form.restart_c:
                self.switch_on()
        elif self.off_because != "latched" and self._off_left_s <= 1e-9:
            self.switch_on()

    def _run(self, ambient_c: float, dt_s: float) -> None:
        self._rise = min(1.0, self._rise + dt_s / self.form.rise_s)
        self._overload_s = self._overload_s + dt_s if self.limited else 0.0
        if ambient_c + self._case.rise_k >= self.form.shutdown_c:
            self.switch_off("hot")
        elif self._overload_s >= self.form.trip_delay_s and self.overload == "latch_off":
            self.switch_off("latched")
        elif self._overload_s >= self.form.trip_delay_s and self.overload == "hiccup":
            self.switch_off("hiccup", self.form.hiccup_off_s)

    def switch_off(self, because: str, for_s: float = 0.0) -> None:
        """The output falls to nothing at once."""
        self.off_because, self._off_left_s, self._rise, self._overload_s, self.limited = because, for_s, 0.0, 0.0, False

    def switch_on(self) -> None:
        """The output ramps up from nothing."""
        self.off_because, self._off_left_s, self._rise, self._overload_s = "", 0.0, 0.0, 0.0

    def heat_to(self, temperature_c: float, ambient_c: float) -> None:
        """Put the case at a temperature (a blocked air inlet, in short)."""
        self._case.rise_k = temperature_c - ambient_c
