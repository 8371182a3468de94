"""The Modbus half of the profile format: functions, addresses, types and orders. Source: Modbus Application Protocol V1.1b3, chapter 6."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from loadlog.model.wire import MAX_READ_REGISTERS
from loadlog.profiles.schema import Common, PlainName, Quantity, StatusBase, Table, TimingTable, check_one_way, check_value_names

WORDS = {"u16": 1, "s16": 1, "u32": 2, "s32": 2, "u64": 4, "s64": 4, "f32": 2, "f64": 4, "bcd16": 1, "bcd32": 2}
Order = Literal["high-first", "low-first"]
Address = Annotated[int, Field(ge=0, le=65536)]
MAX_STRING_WORDS = 60


class ModbusTiming(TimingTable):
    """See `TimingTable`."""

    largest_block: int = Field(default=MAX_READ_REGISTERS, ge=1, le=MAX_READ_REGISTERS)


class Hole(Table):
    """Addresses that must not be read, both ends included; of one function, or of every."""

    first: Address
    last: Address
    function: Literal[1, 2, 3, 4] | None = None

    @model_validator(mode="after")
    def _in_order(self) -> Hole:
        if self.last < self.first:
            raise ValueError(f"last = {self.last} is below first = {self.first}")
        return self


class ModbusQuirks(Table):
    """``echo``: the instrument gives back each character. ``read_gaps``: addresses that no entry names may be read along when that saves
    wire time, ``holes`` excepted. ``write_reply_words``: registers in a non-standard answer to a write. ``register_numbers_from``: the
    number that the manual (and so this file) gives to the first register, 0 or 1."""

    echo: bool = False
    read_gaps: bool = False
    holes: list[Hole] = Field(default_factory=list)
    write_reply_words: int | None = Field(default=None, ge=0, le=MAX_READ_REGISTERS)
    register_numbers_from: Literal[0, 1] = 0


class Registers(Table):
    """Where something stands. ``word_order``: of values of several registers; ``byte_order``: inside each register."""

    function: Literal[1, 2, 3, 4] = 3
    address: Address
    word_order: Order = "high-first"
    byte_order: Order = "high-first"


class ModbusChannel(Quantity, Registers):
    """One number read from registers."""

    type: Literal["u16", "s16", "u32", "s32", "u64", "s64", "f32", "f64", "bcd16", "bcd32", "bit", "string"]
    words: int | None = None

    @model_validator(mode="after")
    def _fits(self) -> ModbusChannel:
        if self.type == "bit":
            raise ValueError("a bit is a status: describe it under [[status]]")
        if self.type == "string":
            raise ValueError("a string is no reading: describe it under [identity]")
        if self.function in (1, 2):
            raise ValueError(f"function {self.function} reads single bits; type {self.type} stands in registers: function 3 or 4")
        check_words(self.type, self.words, self.word_order)
        if self.type in ("f32", "f64"):
            if self.resolution is None:
                raise ValueError(f"type {self.type} needs resolution: the step with which readings are kept, e.g. the last digit displayed")
        elif self.resolution is not None and self.resolution < abs(self.scale) * 0.999_999:
            raise ValueError(f"resolution = {self.resolution:g} is finer than scale = {self.scale:g}")
        return self


def check_words(kind: str, words: int | None, word_order: str) -> None:
    """A type against its number of registers.

    Raises:
        ValueError: the type does not fit.
    """
    size = WORDS[kind]
    if words is not None and words != size:
        raise ValueError(f"words = {words}, but type {kind} takes {size} register{'s' if size > 1 else ''}")
    if size == 1 and word_order != "high-first":
        raise ValueError(f"word_order is for values of several registers; type {kind} takes one (byte_order turns its bytes round)")


class NamedBit(Table):
    """One bit of a bit field. ``function`` and ``address`` default to those of the status; ``inverted``: 0 means that it is so."""

    name: PlainName
    bit: int | None = Field(default=None, ge=0, le=15)
    function: Literal[1, 2, 3, 4] | None = None
    address: Address | None = None
    inverted: bool = False


class ModbusStatus(StatusBase):
    """One status: a ``bit``, a register with ``on`` and ``off``, an enumeration (``values``) or a bit field (``bits``).

    ``mask``: the bits of the register that count for ``on``, ``off`` and ``values``, which are given shifted down.
    """

    function: Literal[1, 2, 3, 4] = 3
    address: Address | None = None
    byte_order: Order = "high-first"
    bit: int | None = Field(default=None, ge=0, le=15)
    inverted: bool = False
    on: int | None = Field(default=None, ge=0, le=65535)
    off: int | None = Field(default=None, ge=0, le=65535)
    mask: int | None = Field(default=None, ge=1, le=65535)
    values: dict[str, int] | None = None
    bits: list[NamedBit] | None = Field(default=None, min_length=1, max_length=63)

    @property
    def kind(self) -> str:
        """``bool``, ``enum`` or ``bits``."""
        return "bits" if self.bits is not None else "enum" if self.values is not None else "bool"

    @model_validator(mode="after")
    def _one_way(self) -> ModbusStatus:
        check_one_way(self, self.kind, self.__dict__)
        if self.mask is not None and (self.bit is not None or self.bits is not None):
            raise ValueError("mask is for values, or on and off; a bit is given by bit")
        if self.inverted and self.bit is None and self.function not in (1, 2):
            raise ValueError("inverted needs bit; in a bit field it stands beside each bit")
        if self.kind == "bool":
            self._check_bool()
        elif self.kind == "enum":
            self._check_enum()
        else:
            self._check_bits()
        return self

    def _check_bool(self) -> None:
        if self.address is None:
            raise ValueError("address is missing")
        if self.function in (1, 2) and (self.bit is not None or self.on is not None or self.off is not None or self.mask is not None):
            raise ValueError(f"function {self.function} reads single bits: bit, mask, on and off are for registers")
        if self.function in (3, 4) and self.bit is None and (self.on is None or self.off is None):
            raise ValueError("say how the register is to be read: bit, or on and off, or values, or bits")
        if self.on is not None and self.on == self.off:
            raise ValueError(f"on and off are both {self.on}")

    def _check_enum(self) -> None:
        if self.address is None:
            raise ValueError("address is missing")
        if self.function in (1, 2):
            raise ValueError(f"values stand in registers (function 3 or 4), not in bits (function {self.function})")
        check_value_names(self.name, self.values or {})
        for name, value in (self.values or {}).items():
            if not 0 <= value <= 65535:
                raise ValueError(f"values.{name} = {value} is not in 0..65535")

    def _check_bits(self) -> None:
        seen: dict[str, None] = {}
        for named in self.bits or []:
            if named.name in seen:
                raise ValueError(f"bits: {named.name!r} is given twice")
            seen[named.name] = None
            if named.address is None and self.address is None:
                raise ValueError(f"bits: {named.name}: address is missing")
            if ((named.function or self.function) in (1, 2)) == (named.bit is not None):
                want = "has no" if named.bit is not None else "needs"
                raise ValueError(f"bits: {named.name}: a value of function {named.function or self.function} {want} bit")


class ModbusIdentity(Registers):
    """Something that tells one instrument from another. ``expect``: what every instrument of this model answers."""

    type: Literal["u16", "s16", "u32", "s32", "u64", "s64", "bcd16", "bcd32", "string"]
    words: int | None = Field(default=None, ge=1, le=MAX_STRING_WORDS)
    scale: float = 1.0
    expect: str | None = None
    page: str = ""

    @model_validator(mode="after")
    def _fits(self) -> ModbusIdentity:
        if self.function in (1, 2):
            raise ValueError(f"function {self.function} reads single bits; use 3 or 4")
        if self.type == "string":
            if self.words is None:
                raise ValueError("type string needs words, its length in registers")
            if self.scale != 1:
                raise ValueError("a string has no scale")
        else:
            check_words(self.type, self.words, self.word_order)
        return self


class ModbusWriteTable(Table):
    """One order. ``value``: what is written; only the set-point takes it from the caller instead. ``range``: what may be ordered.
    ``read_back``: the channel or status that shows the effect."""

    function: Literal[5, 6, 16]
    address: Address
    type: Literal["bit", "u16", "s16", "u32", "s32", "f32", "f64", "bcd16", "bcd32"] | None = None
    word_order: Order = "high-first"
    byte_order: Order = "high-first"
    scale: float = 1.0
    offset: float = 0.0
    value: float | None = None
    range: Annotated[list[float], Field(min_length=2, max_length=2)] | None = None
    read_back: str = ""
    page: str = ""

    @property
    def kind(self) -> str:
        """The type, u16 or bit when not given."""
        return self.type or ("bit" if self.function == 5 else "u16")

    @model_validator(mode="after")
    def _fits(self) -> ModbusWriteTable:
        if (self.function == 5) != (self.kind == "bit"):
            raise ValueError(f"function {self.function} does not write type {self.kind}: 5 writes one bit, 6 one register, 16 several")
        if self.kind == "bit":
            if self.value not in (None, 0, 1):
                raise ValueError(f"value = {self.value:g}: a bit is 0 or 1")
            return self
        if self.function == 6 and WORDS[self.kind] > 1:
            raise ValueError(f"function 6 writes one register; type {self.kind} takes {WORDS[self.kind]}: use function 16")
        if self.scale == 0:
            raise ValueError("scale = 0 writes nothing")
        check_words(self.kind, None, self.word_order)
        return self


class ModbusProfile(Common):
    """The whole file of a Modbus instrument."""

    protocol: Literal["modbus"]
    timing: ModbusTiming = ModbusTiming()
    quirks: ModbusQuirks = ModbusQuirks()
    channel: list[ModbusChannel] = Field(min_length=1)
    status: list[ModbusStatus] = Field(default_factory=list)
    identity: dict[PlainName, ModbusIdentity] = Field(default_factory=dict)
    writes: dict[str, ModbusWriteTable] = Field(default_factory=dict)
