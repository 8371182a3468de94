"""The power path between a source and a load: two copper leads and their contacts, both warming under current.

Copper: 0.393 %/K at 20 °C (International Annealed Copper Standard). A contact has no temperature law of its own here: its resistance is
what the scenario or a fault says, its heat warms the connector body through one pole.
"""

from __future__ import annotations

from dataclasses import dataclass

from loadlog.sim.thermal import Pole

COPPER_PER_K = 0.00393
REFERENCE_C = 20.0


def copper_ohm(ohm_at_20c: float, temperature_c: float) -> float:
    """Resistance of a copper conductor at a temperature."""
    return ohm_at_20c * (1.0 + COPPER_PER_K * (temperature_c - REFERENCE_C))


@dataclass(frozen=True, slots=True)
class PathForm:
    """``lead_ohm``: both leads together at 20 °C. ``contact_ohm``: all contacts together. ``lead_k_per_w``, ``contact_k_per_w``: how warm
    they get per watt; ``*_tau_s``: how fast."""

    lead_ohm: float = 0.010
    contact_ohm: float = 0.002
    lead_k_per_w: float = 12.0
    lead_tau_s: float = 120.0
    contact_k_per_w: float = 18.0
    contact_tau_s: float = 40.0


class Path:
    """State of one power path. ``extra_contact_ohm`` is what faults add; ``closed`` is False while a power lead is off."""

    def __init__(self, form: PathForm) -> None:
        self._form = form
        self._lead = Pole(form.lead_k_per_w, form.lead_tau_s / form.lead_k_per_w)
        self._contact = Pole(form.contact_k_per_w, form.contact_tau_s / form.contact_k_per_w)
        self.extra_contact_ohm = 0.0
        self.closed = True

    @property
    def lead_rise_k(self) -> float:
        """Leads over ambient, K."""
        return self._lead.rise_k

    @property
    def contact_rise_k(self) -> float:
        """Connector over ambient, K."""
        return self._contact.rise_k

    @property
    def contact_ohm(self) -> float:
        """All contacts together."""
        return self._form.contact_ohm + self.extra_contact_ohm

    def lead_ohm(self, ambient_c: float) -> float:
        """Both leads at their present temperature."""
        return copper_ohm(self._form.lead_ohm, ambient_c + self._lead.rise_k)

    def ohm(self, ambient_c: float) -> float:
        """Leads and contacts at their present temperature."""
        return self.lead_ohm(ambient_c) + self.contact_ohm

    def step(self, current_a: float, ambient_c: float, dt_s: float) -> None:
        """Advance both temperatures by ``dt_s`` at constant current."""
        square = current_a * current_a
        self._lead.step(square * self.lead_ohm(ambient_c), dt_s)
        self._contact.step(square * self.contact_ohm, dt_s)
