"""The form of a supply trip, followed from the collapse on: what voltage and current do afterwards.

- ``latch_off``: voltage and current stay near zero. Before `settled` this is provisional: it may still come back.
- ``current_limit``: the voltage is down, the current stays at 40 % or more. ``foldback``: at 5 to 40 % of the current (a foldback
  supply gives 20 to 40 % of its limit into a short; common practice). One operating point alone does not show the characteristic.
- ``dropout``: it came back once, before the form had settled (a latch-off that somebody resets stays one). ``hiccup``: it came back and
  fell again, with a mean cycle below `THERMAL_CYCLE_S`.
- ``thermal_cycling``: the same with longer cycles.

A source that tries again under a load which asks for more than it gives at a low voltage (CP hangs in the source's limit) shows no voltage
in its pulses: there a current of the limit's size that flows after there was none, and is gone again, counts as a return.

Pulses shorter than the poll period are seen only where a poll meets them, so a hiccup may show as foldback or dropout first, and its period
is the apparent one (aliased). Times are times that were watched. Over when the voltage has held for `hold_s` after its return, so that one
hiccup is one event with a count. A source that shut down hot takes up to `HOLD_TIMES` as long to be too hot again as it took to cool,
where its load is some per cent more than it carries for good; with less the next trip would be another event.
"""

from __future__ import annotations

from loadlog.detectors.base import Watched

COLLAPSED, RECOVERED = 0.7, 0.85  # of the voltage before
CLAMPED, FLOWS = 0.4, 0.05  # of the current before
SETTLE_S, SETTLE_POLLS = 5.0, 5
THERMAL_CYCLE_S = 20.0
HOLD_TIMES, LONGEST_HOLD_S = 6.0, 900.0


class SupplyForm:
    """State from one collapse to its end. ``voltage_v``, ``current_a``: before it."""

    __slots__ = (
        "_candidate",
        "_pulse",
        "_settle_s",
        "_span",
        "_total",
        "_was_low_s",
        "current_a",
        "form",
        "is_low",
        "returns",
        "settled",
        "voltage_v",
    )

    def __init__(self, voltage_v: float, current_a: float, period_s: float, t_utc_ns: int) -> None:
        self.voltage_v, self.current_a = voltage_v, current_a
        self._settle_s = max(SETTLE_S, SETTLE_POLLS * period_s)
        self._span, self._total = Watched(30.0 * period_s), Watched(30.0 * period_s)
        self._span.start(t_utc_ns)
        self._total.start(t_utc_ns)
        self._was_low_s = 0.0
        self._pulse = ""  # while the voltage is low: "waits" when no current flows, "flows" when it does after that
        self.is_low = True
        self.returns = 0
        self.settled = False
        self.form = ""
        self._candidate = ""

    @property
    def hold_s(self) -> float:
        """How long a returned voltage must hold until the trip is over, s."""
        return min(max(self._settle_s, HOLD_TIMES * self._was_low_s), LONGEST_HOLD_S)

    @property
    def holds(self) -> bool:
        """The voltage is back, and for longer than a source that tries again gives it in a pulse."""
        return not self.is_low and self._span.seconds >= self._settle_s

    @property
    def cycle_s(self) -> float | None:
        """Mean time from return to return as far as the polls show, s; None before the second."""
        return self._total.seconds / self.returns if self.returns >= 2 else None

    def update(self, voltage_v: float, current_a: float, t_utc_ns: int) -> bool:
        """Take the next sample; True when the trip is over."""
        span_s = self._span.tick(t_utc_ns)
        self._total.tick(t_utc_ns)
        if self.is_low and voltage_v >= RECOVERED * self.voltage_v:
            self.is_low, self._was_low_s = False, span_s
            self.returns += 1
            self._span.start(t_utc_ns)
        elif not self.is_low and voltage_v < COLLAPSED * self.voltage_v:
            self.is_low = True
            self._span.start(t_utc_ns)
        elif not self.is_low and span_s >= self.hold_s:
            return True
        share = abs(current_a) / self.current_a
        self._count_pulses(share)
        self.settled = self.settled or (self.returns == 0 and span_s >= self._settle_s)
        self._classify(share)
        return False

    def _count_pulses(self, share: float) -> None:
        if not self.is_low:
            self._pulse = ""
        elif share < FLOWS:
            self.returns += self._pulse == "flows"
            self._pulse = "waits"
        elif share >= CLAMPED and self._pulse:
            self._pulse = "flows"

    def _classify(self, share: float) -> None:
        """A form by levels must be seen twice, or once when nothing was said before."""
        if self.returns:
            again = self.returns >= 2 or self.is_low
            slow = self._total.seconds / self.returns >= THERMAL_CYCLE_S
            if again:
                self.form = "thermal_cycling" if slow else "hiccup"
            elif not self.settled:
                self.form = "dropout"
            return
        seen = "current_limit" if share >= CLAMPED else "foldback" if share >= FLOWS else "latch_off"
        if seen == self._candidate or not self.form:
            self.form = seen
        self._candidate = seen
