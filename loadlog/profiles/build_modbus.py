"""A checked Modbus profile file to a `Profile`: zero-based addresses, decoders, orders; overlaps and contradictions refused."""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal

from loadlog.model.quantity import Scale
from loadlog.model.wire import LinkTraits, ModbusWrite
from loadlog.profiles import checks, decode
from loadlog.profiles.decode import SIZES, Words
from loadlog.profiles.profile import Encoder, IdentityPoint, Order, Point, Profile, Registers
from loadlog.profiles.schema_modbus import (
    WORDS,
    ModbusChannel,
    ModbusIdentity,
    ModbusProfile,
    ModbusStatus,
    ModbusWriteTable,
)

LAST_ADDRESS = 65535
_ALL_BITS = 0xFFFF


@dataclass(frozen=True, slots=True)
class _Claim:
    """What one entry says about a range: ``mask`` is the part of a register that it describes."""

    key: str
    place: Registers
    mask: int = _ALL_BITS


def build_modbus(table: ModbusProfile, where: str, sha256: str) -> Profile:
    """The profile; ``where`` and ``sha256`` of its text are taken over.

    Raises:
        ValueError: entries contradict each other; one line that begins with the key.
    """
    checks.check_names([c.name for c in table.channel], [s.name for s in table.status])
    base = table.quirks.register_numbers_from
    channels = [_channel(c, base, table.ratings.get(c.name)) for c in table.channel]
    statuses = [_status(s, base) for s in table.status]
    points = (*channels, *statuses)
    specs = [p.spec for p in points]
    identity = tuple(_identity(name, entry, base) for name, entry in table.identity.items())
    holes = tuple(_holes(table, base))
    _check_places(_claims(table, points, identity), holes, table.timing.largest_block)
    checks.check_roles(table.roles, specs)
    checks.check_cycle(s.every for s in specs)
    checks.check_ratings(table.ratings, table.channel)
    orders = {}
    for name, entry in table.writes.items():
        read_back = checks.check_write(name, entry.read_back, specs)
        orders[name] = Order(name, _encoder(name, entry, base), read_back, entry.page)
    timing, odd = table.timing, table.quirks.write_reply_words
    return Profile(
        name=table.name,
        protocol="modbus",
        roles=tuple(table.roles),
        points=points,
        identity=identity,
        orders=orders,
        ratings=dict(table.ratings),
        traits=LinkTraits(timing.quiet_s, timing.timeout_s, timing.processing_s, timing.gap_s, -1 if odd is None else odd),
        where=where,
        sha256=sha256,
        description=table.description,
        manual=table.manual,
        largest_block=timing.largest_block,
        read_gaps=table.quirks.read_gaps,
        holes=holes,
        echo=table.quirks.echo,
    )


def _at(key: str, function: int, number: int, count: int, base: int) -> Registers:
    """The place of ``count`` registers from the manual's number."""
    address = number - base
    if address < 0:
        raise ValueError(f"{key}.address = {number}, but quirks.register_numbers_from = {base}: the first register is number {base}")
    if address + count - 1 > LAST_ADDRESS:
        reach = f"{count} registers reach" if count > 1 else "it reaches"
        raise ValueError(f"{key}.address = {number}: {reach} beyond the last address {LAST_ADDRESS + base}")
    return Registers(function, address, count)


def _channel(entry: ModbusChannel, base: int, rating: float | None) -> Point:
    key = f"channel[{entry.name}]"
    place = _at(key, entry.function, entry.address, WORDS[entry.type], base)
    floating = entry.type in ("f32", "f64")
    sentinels: list[int] = []
    if floating:
        assert entry.resolution is not None  # the schema insists
        quantise = decode.quantiser(entry.scale, entry.offset, entry.resolution, [float(s) for s in entry.sentinels])
        decoder = decode.float_decoder(entry.type, entry.word_order, entry.byte_order, quantise)
    else:
        sentinels = [_sentinel(key, entry.type, s) for s in entry.sentinels]
        decoder = decode.integer_decoder(entry.type, entry.word_order, entry.byte_order, sentinels)
    return Point(checks.number_spec(entry, floating, sentinels, rating), (place,), decoder, entry.page)


def _sentinel(key: str, kind: str, given: int | float) -> int:
    """A sentinel as the integer that the decoder makes: for signed types the bit pattern will do as well."""
    bits = SIZES[kind]
    low = -(1 << bits - 1) if kind[0] == "s" else 0
    if given != int(given) or not low <= given < 1 << bits:
        raise ValueError(f"{key}.sentinels: {given} does not fit type {kind}")
    value = int(given)
    return decode.signed(value, bits) if kind[0] == "s" and value >= 0 else value


def _status(entry: ModbusStatus, base: int) -> Point:
    key = f"status[{entry.name}]"
    if entry.bits is not None:
        return _bit_field(entry, key, base)
    assert entry.address is not None  # the schema insists
    place = _at(key, entry.function, entry.address, 1, base)
    mask = _ALL_BITS if entry.mask is None else entry.mask
    if entry.values is not None:
        decoder = decode.enum_decoder(mask, entry.byte_order)
        spec = checks.status_spec(entry.name, "enum", entry.every, {number: name for name, number in entry.values.items()})
        return Point(spec, (place,), decoder, entry.page)
    if entry.on is not None and entry.off is not None:
        decoder = decode.on_off_decoder(entry.on, entry.off, mask, entry.byte_order)
    else:
        decoder = decode.bit_decoder(entry.bit, entry.byte_order, entry.inverted)
    return Point(checks.status_spec(entry.name, "bool", entry.every, {}), (place,), decoder, entry.page)


def _bit_field(entry: ModbusStatus, key: str, base: int) -> Point:
    places: dict[Registers, int] = {}
    bits = []
    for named in entry.bits or []:
        function = named.function or entry.function
        number = named.address if named.address is not None else entry.address
        assert number is not None  # the schema insists
        place = _at(f"{key}.bits[{named.name}]", function, number, 1, base)
        bits.append((places.setdefault(place, len(places)), decode.bit_decoder(named.bit, entry.byte_order, named.inverted)))
    names = {position: named.name for position, named in enumerate(entry.bits or [])}
    return Point(checks.status_spec(entry.name, "bits", entry.every, names), tuple(places), decode.field_decoder(bits), entry.page)


def _identity(name: str, entry: ModbusIdentity, base: int) -> IdentityPoint:
    count = entry.words if entry.type == "string" and entry.words else WORDS.get(entry.type, 1)
    place = _at(f"identity.{name}", entry.function, entry.address, count, base)
    if entry.type == "string":
        return IdentityPoint(name, place, decode.string_decoder(entry.byte_order), entry.expect or "", entry.page)
    number = decode.integer_decoder(entry.type, entry.word_order, entry.byte_order)
    scale = Scale.of(entry.scale)
    exponent = Decimal(str(entry.scale)).normalize().as_tuple().exponent
    digits = max(0, -exponent) if isinstance(exponent, int) else 0

    def text(words: Words) -> str | None:
        count = number(words)
        return decode.decimal_text(count, scale, digits) if isinstance(count, int) else None

    return IdentityPoint(name, place, text, entry.expect or "", entry.page)


def _holes(table: ModbusProfile, base: int) -> Iterator[Registers]:
    for index, hole in enumerate(table.quirks.holes, 1):
        for function in (hole.function,) if hole.function else (1, 2, 3, 4):
            yield _at(f"quirks.holes[{index}]", function, hole.first, min(hole.last, LAST_ADDRESS + base) - hole.first + 1, base)


def _claims(table: ModbusProfile, points: Sequence[Point], identity: Sequence[IdentityPoint]) -> list[_Claim]:
    claims = []
    for channel, point in zip(table.channel, points, strict=False):
        claims += [_Claim(f"channel[{channel.name}]", p) for p in point.places if isinstance(p, Registers)]
    for status, point in zip(table.status, points[len(table.channel) :], strict=True):
        claims += _status_claims(status, point, table.quirks.register_numbers_from)
    claims += [_Claim(f"identity.{i.name}", i.place) for i in identity if isinstance(i.place, Registers)]
    return claims


def _status_claims(status: ModbusStatus, point: Point, base: int) -> Iterator[_Claim]:
    key = f"status[{status.name}]"
    if status.bits is None:
        mask = _ALL_BITS if status.bit is None else 1 << status.bit
        for place in point.places:
            if isinstance(place, Registers):
                yield _Claim(key, place, status.mask or mask)
        return
    for named in status.bits:
        number = named.address if named.address is not None else status.address
        assert number is not None  # the schema insists
        place = Registers(named.function or status.function, number - base, 1)
        yield _Claim(f"{key}.bits[{named.name}]", place, _ALL_BITS if named.bit is None else 1 << named.bit)


def _check_places(claims: Sequence[_Claim], holes: Sequence[Registers], largest_block: int) -> None:
    for index, claim in enumerate(claims):
        place = claim.place
        if place.function in (3, 4) and place.count > largest_block:
            raise ValueError(f"{claim.key}: {place.count} registers are more than timing.largest_block = {largest_block}")
        for hole in holes:
            if _overlap(place, hole):
                raise ValueError(f"{claim.key}: {place} lies in quirks.holes ({hole}), which must not be read")
        for other in claims[:index]:
            if _overlap(place, other.place) and claim.mask & other.mask:
                raise ValueError(f"{claim.key}: {place} overlaps {other.key} ({other.place}); an address or a type is wrong")


def _overlap(a: Registers, b: Registers) -> bool:
    return a.function == b.function and a.address < b.end and b.address < a.end


# -- orders


def _encoder(name: str, entry: ModbusWriteTable, base: int) -> Encoder:
    key = f"writes.{name}"
    address = _at(key, 3, entry.address, 1 if entry.kind == "bit" else WORDS[entry.kind], base).address
    checks.check_range(name, entry.range)
    if name == "setpoint":
        if entry.value is not None:
            raise ValueError(f"{key}.value: the set-point's value comes with the order")
        if entry.kind == "bit":
            raise ValueError(f"{key}: a set-point does not fit one bit")
        return lambda value: ModbusWrite(entry.function, address, _words(entry, checks.within(value, entry.range)))
    if entry.value is None:
        raise ValueError(f"{key}.value: missing; what is to be written?")
    if entry.range is not None:
        raise ValueError(f"{key}.range: the value {entry.value:g} is fixed")
    try:
        fixed = ModbusWrite(entry.function, address, _words(entry, entry.value))
    except ValueError as exc:
        raise ValueError(f"{key}.value: {exc}") from exc

    def switch(value: float | None) -> ModbusWrite:
        if value is not None:
            raise ValueError("takes no value")
        return fixed

    return switch


def _words(entry: ModbusWriteTable, value: float) -> Words:
    """The registers that say ``value``.

    Raises:
        ValueError: it does not fit the type.
    """
    if entry.kind == "bit":
        return (int(value),)
    if entry.kind in ("f32", "f64"):
        try:
            data = struct.pack(">f" if entry.kind == "f32" else ">d", (value - entry.offset) / entry.scale)
        except OverflowError as exc:
            raise ValueError(f"{value:g} does not fit type {entry.kind}") from exc
        raw = int.from_bytes(data, "big")
    else:
        raw = _pattern(entry, value)
    size = WORDS[entry.kind]
    words = tuple(raw >> 16 * (size - 1 - n) & 0xFFFF for n in range(size))
    return decode.in_order(words, entry.word_order, entry.byte_order)


def _pattern(entry: ModbusWriteTable, value: float) -> int:
    bits = SIZES[entry.kind]
    count = Scale.of(entry.scale, entry.offset).count(value)
    if entry.kind.startswith("bcd"):
        if not 0 <= count < 10 ** (bits // 4):
            raise ValueError(f"{value:g} does not fit type {entry.kind}")
        return int(str(count), 16)
    low, high = (-(1 << bits - 1), (1 << bits - 1) - 1) if entry.kind[0] == "s" else (0, (1 << bits) - 1)
    if not low <= count <= high:
        raise ValueError(f"{value:g} does not fit type {entry.kind}")
    return count & ((1 << bits) - 1)
