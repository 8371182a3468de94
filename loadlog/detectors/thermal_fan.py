"""At which temperature the cooling of a body has been seen to set in: a fan that a thermostat switches or steps.

Below that temperature the body is the one with its fan at rest, and where that one would settle says nothing of the limit. At one power a
passive body that warms does not turn: its response is a sum of decaying exponentials of one sign. One that turns has got another
resistance to the air, or the air has become colder; the latter costs no more than that a forecast waits until that temperature is passed.
After a step down of the power a body may rise for a while and turn: heat is under way in it. Nothing is learned then.
Units: °C, K. Source: first-order step response; common practice of thermostats, no clause.
"""

from __future__ import annotations

LEAST_TURN_K, LEAST_TURN_COUNTS = 2.0, 3.0
MARGIN_K, MARGIN_COUNTS = 2.0, 2.0  # beyond the temperature at which it set in: it would have done so by now


class Fan:
    """Of one temperature with that resolution. ``starts_c``: the highest at which the cooling set in, None while that was never seen."""

    __slots__ = ("_count_k", "_high_c", "_is_up", "_low_c", "starts_c")

    def __init__(self, count_k: float) -> None:
        self._count_k = count_k
        self._low_c: float | None = None
        self._high_c = 0.0
        self._is_up = True
        self.starts_c: float | None = None

    def stepped(self, is_up: bool) -> None:
        """Power is another one."""
        self._low_c, self._is_up = None, is_up

    def take(self, rise_c: float, air_c: float) -> bool:
        """The mean of a block, over the air where that is measured; True when it shows that the cooling has set in."""
        least_k = max(LEAST_TURN_K, LEAST_TURN_COUNTS * self._count_k)
        if self._low_c is None or (rise_c < self._low_c and self._high_c - self._low_c < least_k):
            self._low_c = self._high_c = rise_c
            return False
        self._high_c = max(self._high_c, rise_c)
        if rise_c > self._high_c - least_k or self._high_c - self._low_c < least_k:
            return False
        high_c, self._low_c, self._high_c = self._high_c, rise_c, rise_c
        if self._is_up:
            self.saw(high_c + air_c)
        return self._is_up

    def saw(self, temperature_c: float) -> None:
        """The cooling set in there."""
        self.starts_c = temperature_c if self.starts_c is None else max(self.starts_c, temperature_c)

    @property
    def sure_c(self) -> float | None:
        """By which it would have set in."""
        return None if self.starts_c is None else self.starts_c + MARGIN_K + MARGIN_COUNTS * self._count_k
