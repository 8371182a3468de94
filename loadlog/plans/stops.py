"""What ends a planned run before its duration: voltage below, charge, energy, an event. Pure; counted from the run's recorded samples.

Charge and energy are trapezoids over consecutive good samples not farther apart than a gap (as `loadlog.analysis`); what was not seen is
not counted, so the run rather goes on a little than ends too early. One low reading could be a spike: the voltage must be below in
`BELOW_SAMPLES` consecutive good samples.
"""

from __future__ import annotations

from collections.abc import Sequence

from loadlog.config.plan import PlanConfig
from loadlog.model.clock import NS
from loadlog.model.event import Event, EventState, probability_words
from loadlog.model.sample import Sample

BELOW_SAMPLES = 3
GAP_PERIODS = 2.5


class Stops:
    """One run of a plan. ``period_s``: of the device that is watched."""

    def __init__(self, plan: PlanConfig, period_s: float) -> None:
        self._plan, self._gap_s = plan, GAP_PERIODS * period_s
        self._last: tuple[int, float, float | None] | None = None
        self._below = 0
        self.charge_ah = self.energy_wh = 0.0

    def sample(self, sample: Sample) -> str | None:
        """Take in a sample of the run; returns why the run ends now, or None."""
        stop = self._plan.stop
        if stop is None or sample.device != stop.device:
            return None
        volt, ampere = sample.good("voltage_v"), sample.good("current_a")
        if ampere is not None:
            self._integrate(sample.stamp.t_utc_ns, ampere, None if volt is None else volt * ampere)
        if stop.voltage_below is not None and volt is not None:
            self._below = self._below + 1 if volt < stop.voltage_below else 0
            if self._below >= BELOW_SAMPLES:
                return f"voltage of {sample.device} below {stop.voltage_below:g} V"
        if stop.charge_ah is not None and self.charge_ah >= stop.charge_ah:
            return f"{stop.charge_ah:g} A·h reached on {sample.device}"
        if stop.energy_wh is not None and self.energy_wh >= stop.energy_wh:
            return f"{stop.energy_wh:g} W·h reached on {sample.device}"
        return None

    def _integrate(self, t_ns: int, ampere: float, watt: float | None) -> None:
        if self._last is not None:
            dt_s = (t_ns - self._last[0]) / NS
            if 0 < dt_s <= self._gap_s:
                self.charge_ah += (ampere + self._last[1]) / 2 * dt_s / 3600
                if watt is not None and self._last[2] is not None:
                    self.energy_wh += (watt + self._last[2]) / 2 * dt_s / 3600
        self._last = (t_ns, ampere, watt)

    def events(self, events: Sequence[Event], run: str) -> str | None:
        """Take in events of the bench; returns why the run ends now, or None. What is withdrawn by the time we look ends nothing."""
        stop = self._plan.stop
        if stop is None:
            return None
        withdrawn = {event.id for event in events if "revised_to" in event.evidence}
        for event in events:
            is_wanted = event.kind in stop.events and event.run == run and event.state is EventState.ACTIVE
            if is_wanted and event.id not in withdrawn:
                sure = probability_words(event.confidence)
                return f"{event.kind} on {event.device or event.group}" + (f" ({sure})" if sure else "")
        return None
