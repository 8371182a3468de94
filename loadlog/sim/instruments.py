"""What instruments measure and do: readings with their errors, the load's settings, protections and counters.

A reading is ``true·(1 + gain) + offset + noise``, rounded to counts. Gain and offset are drawn once per instrument, inside a share of the
accuracy specification that leaves room for the noise, so that a reading stays within ±(% of reading + counts) of the truth. Accuracy and
ratings are those of MANUAL.md. Noise depends on the instant only, so polling twice in one step gives the same codes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from loadlog.sim import noise
from loadlog.sim.circuit import Mode

ERROR_SHARE = 0.6  # of the specification, for the drawn errors; the rest is for noise and rounding


@dataclass(frozen=True, slots=True)
class Precision:
    """Accuracy ±(``percent`` % of reading + ``counts`` counts); ``count``: size of one in SI; ``noise_counts``: standard deviation."""

    percent: float
    counts: float
    count: float
    noise_counts: float = 0.5

    def limit(self, value: float) -> float:
        """Greatest error at a reading of ``value``."""
        return abs(value) * self.percent / 100.0 + self.counts * self.count


VOLTAGE = Precision(0.05, 10.0, 1e-3, 0.6)
CURRENT = Precision(0.1, 10.0, 1e-3, 0.6)
POWER = Precision(0.2, 10.0, 10e-3, 0.8)
HEATSINK = Precision(0.0, 20.0, 0.1, 0.4)
THERMOCOUPLE = Precision(0.1, 10.0, 0.1, 0.5)
METER = Precision(0.005, 5.0, 1e-4, 0.5)


class Channel:
    """One measured quantity of one instrument."""

    def __init__(self, precision: Precision, key: int) -> None:
        self.precision = precision
        self._key = key
        self.gain = noise.between(key, 0, -1.0, 1.0) * ERROR_SHARE * precision.percent / 100.0
        self.offset = noise.between(key, 1, -1.0, 1.0) * ERROR_SHARE * precision.counts * precision.count

    def read(self, true: float, index: int) -> int:
        """The reading in counts at step ``index``."""
        deviate = noise.gauss(self._key, index + 8)
        value = true * (1.0 + self.gain) + self.offset
        return round(value / self.precision.count + self.precision.noise_counts * deviate)


@dataclass(frozen=True, slots=True)
class Ratings:
    """Absolute ratings; any excess switches the input off and latches its bit."""

    voltage_v: float = 150.0
    current_a: float = 40.0
    power_w: float = 400.0
    heatsink_c: float = 85.0


OVER_VOLTAGE, OVER_CURRENT, OVER_POWER, OVER_TEMPERATURE, REVERSE_POLARITY, UNDERVOLTAGE_STOP = (
    "over_voltage",
    "over_current",
    "over_power",
    "over_temperature",
    "reverse_polarity",
    "undervoltage_stop",
)
PROTECTIONS = (OVER_VOLTAGE, OVER_CURRENT, OVER_POWER, OVER_TEMPERATURE, REVERSE_POLARITY, UNDERVOLTAGE_STOP)
_TRIP_COUNT = 2  # steps in a row above a rating before the input switches off


class LoadFront:
    """Settings, protections and counters of a load; what its knob, keys and bus act on.

    ``ordered_*``: last order over the bus; ``level``: what is in force, which a hand at the knob changes without an order.
    """

    def __init__(self, mode: Mode, level: float, input_on: bool, remote: bool, undervoltage_v: float, key: int, ratings: Ratings) -> None:
        self.ratings = ratings
        self._levels = {Mode.CC: 0.0, Mode.CV: ratings.voltage_v, Mode.CP: 0.0, Mode.CR: 10_000.0}
        self.mode, self.ordered_mode = mode, mode
        self._levels[mode] = level
        self.ordered_level = level
        self.input_on = input_on
        self.remote = remote
        self.undervoltage_v = undervoltage_v
        self.regulation_error = 0.0
        self.latched: set[str] = set()
        self.charge_c = 0.0
        self.energy_j = 0.0
        self._excess: dict[str, int] = {}
        self._error = {
            m: (noise.between(key, 2 * k, -1.0, 1.0) * ERROR_SHARE, noise.between(key, 2 * k + 1, -1.0, 1.0) * ERROR_SHARE)
            for k, m in enumerate(Mode)
        }

    @property
    def level(self) -> float:
        """Set-point in force, in the mode's unit."""
        return self._levels[self.mode]

    @property
    def real_level(self) -> float:
        """What the load truly regulates to: the set-point with its error, which is specified as the reading's."""
        return (1.0 + self.regulation_error) * self._regulated_level()

    def _regulated_level(self) -> float:
        gain, offset = self._error[self.mode]
        if self.mode is Mode.CR:
            return self.level * (1.0 + gain * POWER.percent / 100.0)
        precision = {Mode.CC: CURRENT, Mode.CV: VOLTAGE, Mode.CP: POWER}[self.mode]
        if self.level == 0.0:
            return 0.0
        return max(0.0, self.level * (1.0 + gain * precision.percent / 100.0) + offset * precision.counts * precision.count)

    @property
    def conducts(self) -> bool:
        """The input draws current."""
        return self.input_on and UNDERVOLTAGE_STOP not in self.latched

    def level_allowed(self, level: float, mode: Mode | None = None) -> bool:
        """Whether an order for this set-point is accepted."""
        top = {
            Mode.CC: self.ratings.current_a,
            Mode.CV: self.ratings.voltage_v,
            Mode.CP: self.ratings.power_w,
            Mode.CR: 10_000.0,
        }[mode or self.mode]
        return math.isfinite(level) and (0.01 if (mode or self.mode) is Mode.CR else 0.0) <= level <= top

    def order_level(self, level: float) -> None:
        """A set-point over the bus."""
        self.ordered_level = level
        self._levels[self.mode] = level

    def turn_knob(self, level: float) -> None:
        """A hand at the knob: acts at once, asks nobody."""
        self._levels[self.mode] = level

    def order_mode(self, mode: Mode) -> None:
        """Another mode over the bus; its own last set-point comes into force."""
        self.ordered_mode = mode
        self.turn_mode(mode)
        self.ordered_level = self.level

    def turn_mode(self, mode: Mode) -> None:
        """Another mode by its key."""
        self.mode = mode

    def switch(self, on: bool) -> None:
        """Input on or off; switching on clears counters, switching off and on clears latched protections."""
        if on and not self.input_on:
            self.latched.clear()
            self.charge_c = self.energy_j = 0.0
            self._excess.clear()
        self.input_on = on

    def watch(self, voltage_v: float, current_a: float, heatsink_c: float) -> list[str]:
        """Protections at one step; returns those that trip now."""
        if not self.input_on:
            return []
        over = {
            OVER_VOLTAGE: voltage_v > self.ratings.voltage_v,
            OVER_CURRENT: current_a > self.ratings.current_a * 1.05,
            OVER_POWER: voltage_v * current_a > self.ratings.power_w * 1.05,
            OVER_TEMPERATURE: heatsink_c > self.ratings.heatsink_c,
            REVERSE_POLARITY: voltage_v < -0.3,
            UNDERVOLTAGE_STOP: self.undervoltage_v > 0.0 and self.conducts and voltage_v < self.undervoltage_v,
        }
        tripped = []
        for name, is_over in over.items():
            self._excess[name] = self._excess.get(name, 0) + 1 if is_over else 0
            if self._excess[name] >= _TRIP_COUNT and name not in self.latched:
                self.trip(name)
                tripped.append(name)
        return tripped

    def trip(self, name: str) -> None:
        """Latch a protection; all but the undervoltage stop switch the input off."""
        self.latched.add(name)
        if name != UNDERVOLTAGE_STOP:
            self.input_on = False

    def count(self, voltage_v: float, current_a: float, dt_s: float) -> None:
        """Advance the counters."""
        if self.input_on:
            self.charge_c += current_a * dt_s
            self.energy_j += voltage_v * current_a * dt_s
