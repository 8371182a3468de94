"""Registers and answers to counts. A decoder is made once per channel and takes the pieces read for it: words of registers, or one text.

A decoder returns the integer count, or the reason (a name known to `validation`) why there is none; it never raises for what an
instrument sends. Counts fit a signed 64-bit integer, because that is what a recording keeps.

- ``undecodable``: not a value of the type: invalid BCD, not ASCII, a number beyond 64 bits, a register that is neither on nor off.
- ``not_a_number``: NaN or an infinity (IEEE 754 in registers; 9.91E37 and ±9.9E37 in SCPI-99).
- ``sentinel``: a raw value by which the profile says "no value".
- ``unknown_code``: a mnemonic that the profile does not name.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Callable, Collection, Mapping, Sequence

from loadlog.model.quantity import Scale
from loadlog.profiles.schema import COUNT_MAX
from loadlog.profiles.scpi_numbers import matches_mnemonic, parse_boolean, parse_integer, parse_number

Words = tuple[int, ...]
Decoder = Callable[..., "int | str"]
TextDecoder = Callable[..., "str | None"]

UNDECODABLE, NOT_A_NUMBER, SENTINEL, UNKNOWN_CODE = "undecodable", "not_a_number", "sentinel", "unknown_code"
SIZES = {"u16": 16, "s16": 16, "u32": 32, "s32": 32, "u64": 64, "s64": 64, "bcd16": 16, "bcd32": 32, "f32": 32, "f64": 64}
_FLOATS = {"f32": struct.Struct(">f"), "f64": struct.Struct(">d")}


def in_order(words: Words, word_order: str, byte_order: str) -> Words:
    """The words high word first and high byte first; its own inverse."""
    if byte_order == "low-first":
        words = tuple((w & 0xFF) << 8 | w >> 8 for w in words)
    return words[::-1] if word_order == "low-first" else words


def bit_pattern(words: Words) -> int:
    """The words, high first, as one unsigned integer."""
    raw = 0
    for word in words:
        raw = raw << 16 | word
    return raw


def decode_bcd(raw: int, digits: int) -> int | None:
    """The decimal number that the nibbles spell, None when one is above 9."""
    value = 0
    for shift in range(4 * (digits - 1), -1, -4):
        digit = raw >> shift & 0xF
        if digit > 9:
            return None
        value = value * 10 + digit
    return value


def signed(raw: int, bits: int) -> int:
    """Two's complement."""
    return raw - (1 << bits) if raw >> (bits - 1) else raw


def _one_word(words: Words) -> int:
    return words[0]


def _one_signed_word(words: Words) -> int:
    return (words[0] ^ 0x8000) - 0x8000


def _two_words(words: Words) -> int:
    return words[0] << 16 | words[1]


def _two_signed_words(words: Words) -> int:
    return ((words[0] << 16 | words[1]) ^ 0x8000_0000) - 0x8000_0000


# Most channels of most instruments: without sentinels, high word and byte first. The same result as the general decoder, at a third of
# its cost.
_USUAL: dict[tuple[str, bool], Decoder] = {
    ("u16", False): _one_word,
    ("s16", False): _one_signed_word,
    ("u32", False): _two_words,
    ("s32", False): _two_signed_words,
}


def integer_decoder(kind: str, word_order: str, byte_order: str, sentinels: Collection[int] = ()) -> Decoder:
    """For u16 to s64 and BCD: the count is the integer in the registers. ``sentinels`` are such integers."""
    bits = SIZES[kind]
    turned = "low-first" in (word_order, byte_order)
    none = frozenset(sentinels)
    if not turned and (kind, bool(none)) in _USUAL:
        return _USUAL[kind, bool(none)]

    def decode(words: Words) -> int | str:
        raw = bit_pattern(in_order(words, word_order, byte_order) if turned else words)
        if kind[0] == "s":
            raw = signed(raw, bits)
        elif kind[0] == "b":
            decimal = decode_bcd(raw, bits // 4)
            if decimal is None:
                return SENTINEL if raw in none else UNDECODABLE
            raw = decimal
        if raw in none:
            return SENTINEL
        return raw if raw <= COUNT_MAX else UNDECODABLE

    return decode


def quantiser(scale: float, offset: float, resolution: float, sentinels: Collection[float] = ()) -> Callable[[float], int | str]:
    """From a floating-point reading to the count of ``resolution`` nearest to reading · scale + offset."""
    store = Scale.of(resolution)
    straight = scale == 1 and offset == 0
    none = tuple(sentinels)

    def quantise(reading: float) -> int | str:
        if not math.isfinite(reading):
            return NOT_A_NUMBER
        if none and any(math.isclose(reading, s, rel_tol=1e-6, abs_tol=1e-12) for s in none):  # a float32 of 9999.9 is not 9999.9
            return SENTINEL
        value = reading if straight else reading * scale + offset
        if not abs(value) < COUNT_MAX * resolution:
            return UNDECODABLE
        return store.count(value)

    return quantise


def float_decoder(kind: str, word_order: str, byte_order: str, quantise: Callable[[float], int | str]) -> Decoder:
    """For f32 and f64 (IEEE 754)."""
    unpack = _FLOATS[kind].unpack
    pack = struct.Struct(f">{SIZES[kind] // 16}H").pack
    turned = "low-first" in (word_order, byte_order)

    def decode(words: Words) -> int | str:
        found: float = unpack(pack(*(in_order(words, word_order, byte_order) if turned else words)))[0]
        return quantise(found)

    return decode


def string_decoder(byte_order: str) -> TextDecoder:
    """ASCII, two characters a register, what stands behind the first 0x00 and blanks at the ends cut off; None when not printable."""

    def decode(words: Words) -> str | None:
        data = b"".join(w.to_bytes(2, "big") for w in in_order(words, "high-first", byte_order))
        text = data.split(b"\0", 1)[0].rstrip(b"\xff").decode("latin-1").strip()
        return text if text.isascii() and text.isprintable() else None

    return decode


def bit_decoder(bit: int | None, byte_order: str, inverted: bool) -> Decoder:
    """One bit: of a register, or (``bit`` None) as functions 1 and 2 give it."""
    shift = 0 if bit is None else bit if byte_order == "high-first" else (bit + 8) % 16
    flip = int(inverted)
    return lambda words: (words[0] >> shift & 1) ^ flip


def _masked(mask: int, byte_order: str) -> Callable[[Words], int]:
    shift = (mask & -mask).bit_length() - 1
    return lambda words: (in_order(words, "high-first", byte_order)[0] & mask) >> shift


def on_off_decoder(on: int, off: int, mask: int, byte_order: str) -> Decoder:
    """A register that holds one number for on and another for off."""
    part = _masked(mask, byte_order)
    states = {on: 1, off: 0}
    return lambda words: states.get(part(words), UNDECODABLE)


def enum_decoder(mask: int, byte_order: str) -> Decoder:
    """An enumeration: its number as it stands, known or not."""
    return _masked(mask, byte_order)


def field_decoder(places: Sequence[tuple[int, Decoder]]) -> Decoder:
    """A bit field put together from bits of one or several pieces: per bit the piece's index and the bit's decoder; the first is bit 0."""

    def decode(*pieces: Words | str) -> int | str:
        value = 0
        for position, (index, bit) in enumerate(places):
            state = bit(pieces[index])
            if isinstance(state, str):
                return state
            value |= state << position
        return value

    return decode


# -- SCPI: a piece is the text of one answer


def number_text_decoder(suffix: str, quantise: Callable[[float], int | str]) -> Decoder:
    """NR1, NR2, NR3, ``#H``; ``suffix`` is cut off where it stands."""

    def decode(text: str) -> int | str:
        text = text.strip()
        if suffix and text.upper().endswith(suffix.upper()):
            text = text[: -len(suffix)]
        number = parse_number(text)
        return UNDECODABLE if number is None else quantise(number)

    return decode


def boolean_text_decoder(on: str | None, off: str | None, inverted: bool) -> Decoder:
    """ON, OFF, 1, 0; or the mnemonics that the profile gives."""

    def decode(text: str) -> int | str:
        if on is None or off is None:
            state = parse_boolean(text)
        else:
            state = 1 if matches_mnemonic(text, on) else 0 if matches_mnemonic(text, off) else None
        return UNDECODABLE if state is None else state ^ int(inverted)

    return decode


def bit_text_decoder(bit: int, inverted: bool) -> Decoder:
    """One bit of a whole number."""

    def decode(text: str) -> int | str:
        number = parse_integer(text)
        return UNDECODABLE if number is None or number < 0 else (number >> bit & 1) ^ int(inverted)

    return decode


def enum_text_decoder(codes: Mapping[str, int], numbers: Mapping[int, int]) -> Decoder:
    """Mnemonics (``CURRent``) and whole numbers to their counts."""

    def decode(text: str) -> int | str:
        for mnemonic, count in codes.items():
            if matches_mnemonic(text, mnemonic):
                return count
        number = parse_integer(text)
        if number is not None and number in numbers:
            return numbers[number]
        return UNKNOWN_CODE if text.strip() else UNDECODABLE

    return decode


def decimal_text(count: int, scale: Scale, digits: int) -> str:
    """An identity number for people: ``1.23`` from 123 hundredths."""
    return f"{scale.value(count):.{digits}f}" if digits or scale.den != 1 else str(count * scale.num + scale.off)
