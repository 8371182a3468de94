"""Register maps of the simulated instruments, written from MANUAL.md for the server's side only. Pure.

Nothing here is shared with the decoder: the byte vectors under tests/vectors decide who reads the manual rightly.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping, Sequence
from typing import Protocol

from loadlog.sim import frames, noise
from loadlog.sim.bench import Bench
from loadlog.sim.circuit import Mode
from loadlog.sim.instruments import PROTECTIONS
from loadlog.sim.registers import Refusal
from loadlog.sim.stations import LoadState, LoadUnit

MODES = (Mode.CC, Mode.CV, Mode.CP, Mode.CR)
OPEN_THERMOCOUPLE = 0x7FFF


def _high_first(value: int) -> list[int]:
    value = max(0, min(value, 0xFFFFFFFF))
    return [value >> 16, value & 0xFFFF]


def _low_first(value: int) -> list[int]:
    return _high_first(value)[::-1]


def _float_low_first(value: float) -> list[int]:
    high, low = struct.unpack(">HH", struct.pack(">f", value))
    return [low, high]


def _s16(value: int) -> int:
    return max(-32768, min(value, 32767)) & 0xFFFF


def _string(text: str, words: int) -> list[int]:
    raw = text.encode("ascii", "replace")[: 2 * words].ljust(2 * words, b"\0")
    return list(struct.unpack(f">{words}H", raw))


class Shown(Protocol):
    """Everything a load shows besides its settings, in counts: 1 mV, 1 mA, 10 mW, 0.1 °C, 1 rpm, 1 mAh, 10 mWh. Both languages are made
    from this."""

    @property
    def voltage(self) -> int: ...
    @property
    def current(self) -> int: ...
    @property
    def power(self) -> int: ...
    @property
    def temperature(self) -> int: ...
    @property
    def fan(self) -> int: ...
    @property
    def charge(self) -> int: ...
    @property
    def energy(self) -> int: ...


class LoadReadings:
    """What a load of the bench shows at the present instant, with its errors and noise."""

    def __init__(self, bench: Bench, load: LoadUnit) -> None:
        self._bench, self._load = bench, load

    @property
    def voltage(self) -> int:
        """1 mV; a reversed voltage shows as 0."""
        return max(0, self._load.voltage.read(self._state.sensed_v, self._bench.index))

    @property
    def current(self) -> int:
        """1 mA."""
        return max(0, self._load.current.read(self._state.current_a, self._bench.index))

    @property
    def power(self) -> int:
        """10 mW."""
        return max(0, self._load.power.read(max(0.0, self._state.power_w), self._bench.index))

    @property
    def temperature(self) -> int:
        """0.1 °C."""
        return self._load.temperature.read(self._state.heatsink_c, self._bench.index)

    @property
    def fan(self) -> int:
        """1 rpm."""
        rpm = self._state.fan_rpm
        return max(0, round(rpm + (6.0 * noise.gauss(self._load.fan_key, self._bench.index) if rpm > 60.0 else 0.0)))

    @property
    def charge(self) -> int:
        """1 mAh."""
        return int(self._load.front.charge_c * (1.0 + self._load.current.gain) / 3.6)

    @property
    def energy(self) -> int:
        """10 mWh."""
        return int(self._load.front.energy_j * (1.0 + self._load.power.gain) / 36.0)

    @property
    def _state(self) -> LoadState:
        return self._bench.state_of(self._load.name)


class LoadMap:
    """The load's holding registers."""

    functions = frozenset({frames.READ_HOLDING, frames.WRITE_REGISTER, frames.WRITE_REGISTERS})

    def __init__(self, bench: Bench, name: str, shows: Shown | None = None) -> None:
        self._bench = bench
        self._load = bench.loads[name]
        self._shows = shows or LoadReadings(bench, self._load)
        self._blocks: Mapping[int, tuple[int, Callable[[], list[int]]]] = {
            0x0000: (4, lambda: [0x4C31, 0x0123, *_high_first(self._load.config.serial)]),
            0x0010: (10, self._readings),
            0x0020: (6, self._counters),
            0x0030: (8, lambda: _string(self._load.config.label, 8)),
            0x0040: (5, self._orders),
        }

    def _status(self) -> int:
        front = self._load.front
        bits = int(front.input_on) | int(front.remote) << 1
        for k, name in enumerate(PROTECTIONS, 2):
            bits |= (name in front.latched) << k
        return bits

    def _readings(self) -> list[int]:
        shows = self._shows
        return [
            self._status(),
            MODES.index(self._load.front.mode),
            *_high_first(shows.voltage),
            *_high_first(shows.current),
            *_high_first(shows.power),
            _s16(shows.temperature),
            shows.fan,
        ]

    def _counters(self) -> list[int]:
        return [*_float_low_first(self._load.front.level), *_low_first(self._shows.charge), *_low_first(self._shows.energy)]

    def _orders(self) -> list[int]:
        front = self._load.front
        return [int(front.input_on), MODES.index(front.ordered_mode), *_float_low_first(front.ordered_level), int(front.remote)]

    def read_words(self, function: int, address: int, count: int) -> Sequence[int]:
        """Listed addresses only; a gap in the middle refuses the whole read."""
        out: list[int] = []
        at = address
        while at < address + count:
            start = max((first for first in self._blocks if first <= at), default=None)
            if start is None or at >= start + self._blocks[start][0]:
                raise Refusal(frames.ILLEGAL_ADDRESS)
            words = self._blocks[start][1]()[at - start :]
            out += words
            at += len(words)
        return out[:count]

    def write_words(self, function: int, address: int, words: Sequence[int]) -> None:
        """Function 6 for input, mode and sense; function 16 for the set-point order, both words."""
        front = self._load.front
        if function == frames.WRITE_REGISTERS:
            if address != 0x0042 or len(words) != 2:
                raise Refusal(frames.ILLEGAL_ADDRESS)
            level = struct.unpack(">f", struct.pack(">HH", words[1], words[0]))[0]
            if not front.level_allowed(level):
                raise Refusal(frames.ILLEGAL_VALUE)
            front.order_level(level)
        else:
            self._write_one(address, words[0])
        self._bench.refresh()

    def _write_one(self, address: int, value: int) -> None:
        front = self._load.front
        most = {0x0040: 1, 0x0041: 3, 0x0044: 1}.get(address)
        if most is None:
            raise Refusal(frames.ILLEGAL_ADDRESS)
        if value > most:
            raise Refusal(frames.ILLEGAL_VALUE)
        if address == 0x0040:
            front.switch(bool(value))
        elif address == 0x0041:
            front.order_mode(MODES[value])
        else:
            front.remote = bool(value)

    def read_bits(self, function: int, address: int, count: int) -> Sequence[bool]:
        """The load has none."""
        raise Refusal(frames.ILLEGAL_ADDRESS)

    def write_bits(self, function: int, address: int, bits: Sequence[bool]) -> None:
        """The load has none."""
        raise Refusal(frames.ILLEGAL_ADDRESS)


class ThermocoupleMap:
    """The thermocouple module's registers and inputs. ``counts``: channel 0 to 3, 4 the cold junction, in 0.1 °C, None while open."""

    functions = frozenset({frames.READ_DISCRETE, frames.READ_HOLDING, frames.READ_INPUT})

    def __init__(self, counts: Callable[[int], int | None]) -> None:
        self._counts = counts

    def read_words(self, function: int, address: int, count: int) -> Sequence[int]:
        """Input registers 0 to 4, holding registers 0x0100 to 0x0103."""
        first, words = (0x0100, _string("TCMOD4", 4)) if function == frames.READ_HOLDING else (0, self._temperatures())
        if not first <= address <= address + count <= first + len(words):
            raise Refusal(frames.ILLEGAL_ADDRESS)
        return words[address - first : address - first + count]

    def _temperatures(self) -> list[int]:
        counts = [self._counts(k) for k in range(5)]
        return [OPEN_THERMOCOUPLE if c is None else _s16(c) for c in counts]

    def read_bits(self, function: int, address: int, count: int) -> Sequence[bool]:
        """Discrete inputs 0 to 3."""
        if address + count > 4:
            raise Refusal(frames.ILLEGAL_ADDRESS)
        return [self._counts(k) is None for k in range(address, address + count)]

    def write_words(self, function: int, address: int, words: Sequence[int]) -> None:
        """Nothing to write."""
        raise Refusal(frames.ILLEGAL_ADDRESS)

    def write_bits(self, function: int, address: int, bits: Sequence[bool]) -> None:
        """Nothing to write."""
        raise Refusal(frames.ILLEGAL_ADDRESS)
