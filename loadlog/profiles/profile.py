"""A profile as the rest of the service uses it: what to read, how to decode it, what can be ordered.

A `Point` is one stored channel or status: its `ChannelSpec`, the places it is read from, and the decoder that takes the pieces found
there. Protocol addresses here are zero-based, whatever the file counts from.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from loadlog.config import nearest
from loadlog.model.device import ChannelSpec
from loadlog.model.errors import ConfigError
from loadlog.model.wire import MAX_READ_BITS, MAX_READ_REGISTERS, READ_COILS, READ_DISCRETE, LinkTraits, ModbusWrite, ScpiCommand
from loadlog.profiles.decode import Decoder, TextDecoder

READ_FUNCTION_NAMES = {1: "coil", 2: "discrete input", 3: "holding register", 4: "input register"}


@dataclass(frozen=True, slots=True)
class Registers:
    """A range of protocol addresses of one read function."""

    function: int
    address: int
    count: int

    @property
    def end(self) -> int:
        """The first address behind."""
        return self.address + self.count

    def __str__(self) -> str:
        last = f"..0x{self.end - 1:04X}" if self.count > 1 else ""
        return f"{READ_FUNCTION_NAMES[self.function]} 0x{self.address:04X}{last}"


@dataclass(frozen=True, slots=True)
class Answer:
    """One field of the answer to a SCPI query. ``join``: may share a message."""

    query: str
    field: int = 1
    join: bool = False

    def __str__(self) -> str:
        return self.query if self.field == 1 else f"{self.query} field {self.field}"


Place = Registers | Answer
Encoder = Callable[["float | None"], "ModbusWrite | ScpiCommand"]


@dataclass(frozen=True, slots=True)
class Point:
    """One stored channel; ``decode`` takes one piece per place. ``page``: where the manual says so."""

    spec: ChannelSpec
    places: tuple[Place, ...]
    decode: Decoder
    page: str = ""


@dataclass(frozen=True, slots=True)
class IdentityPoint:
    """One identity text. ``expect``: what this model answers, empty when anything goes."""

    name: str
    place: Place
    decode: TextDecoder
    expect: str = ""
    page: str = ""


@dataclass(frozen=True, slots=True)
class Order:
    """One order that a profile can give. ``encode`` takes the value, None for a switch, and raises ValueError when it cannot be ordered."""

    name: str
    encode: Encoder
    read_back: str = ""
    page: str = ""


@dataclass(frozen=True, slots=True)
class Profile:
    """One instrument model. ``where``: the file, for messages. ``points``: every stored channel in the order of the file."""

    name: str
    protocol: str
    roles: tuple[str, ...]
    points: tuple[Point, ...]
    identity: tuple[IdentityPoint, ...]
    orders: Mapping[str, Order]
    ratings: Mapping[str, float]
    traits: LinkTraits
    where: str
    sha256: str
    description: str = ""
    manual: str = ""
    largest_block: int = MAX_READ_REGISTERS
    longest_message: int = 120
    read_gaps: bool = False
    holes: tuple[Registers, ...] = field(default=())
    echo: bool = False

    @property
    def channels(self) -> tuple[ChannelSpec, ...]:
        """The stored channels in the order of the file."""
        return tuple(p.spec for p in self.points)

    def point(self, name: str) -> Point | None:
        """The point of that name, or None."""
        return next((p for p in self.points if p.spec.name == name), None)

    def block_limit(self, function: int) -> int:
        """The most registers or bits of one read."""
        return MAX_READ_BITS if function in (READ_COILS, READ_DISCRETE) else self.largest_block

    def can(self, name: str) -> bool:
        """Whether the profile describes that order."""
        return name in self.orders

    def write(self, name: str, value: float | None = None) -> ModbusWrite | ScpiCommand:
        """The request that carries out an order: ``input_off``, ``input_on``, or ``setpoint`` with a value in the mode's unit.

        Raises:
            ConfigError: the profile does not describe the order, or the value cannot be ordered.
        """
        order = self.orders.get(name)
        if order is None:
            raise ConfigError(
                f"profile {self.name} has no [writes.{name}]{nearest(name, self.orders)}",
                where=self.where,
                hint="describe it in the profile",
            )
        try:
            return order.encode(value)
        except ValueError as exc:
            raise ConfigError(f"writes.{name}: {exc}", where=self.where) from exc

    def read_back(self, name: str) -> str:
        """The channel or status that shows the effect of an order; empty when the profile names none."""
        order = self.orders.get(name)
        return order.read_back if order else ""
