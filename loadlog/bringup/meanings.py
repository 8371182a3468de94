"""What the words of some registers may mean: every type a cheap instrument uses, with a hint where one of them looks meant. Pure.

Types: Modbus itself knows only 16-bit words (Application Protocol V1.1b3, 4.3); everything wider is each maker's habit, so both word orders
are shown. Hints are common practice, no proof: a short decimal in a float, printable text, few digits in BCD.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

ORDERS = ("high-first", "low-first")
FLOAT_LEAST, FLOAT_MOST = 1e-4, 1e7
ROUNDED_DIGITS = 5  # a measured float has seven digits that look alike by chance once in a hundred
PANEL_DECADES = range(-4, 5)


@dataclass(frozen=True, slots=True)
class Meaning:
    """One register with what it may be; types of two registers begin here and need the next one (None when it was not read).

    ``bcd``: None when a digit is above 9. ``ascii``: two characters, ``.`` for what is not printable. ``bits``: numbers of the bits set.
    ``hints``: which reading looks meant, one line each.
    """

    address: int
    word: int
    u16: int
    s16: int
    bcd: int | None
    ascii: str
    bits: tuple[int, ...]
    u32: int | None = None
    s32: int | None = None
    f32: float | None = None
    u32_low_first: int | None = None
    s32_low_first: int | None = None
    f32_low_first: float | None = None
    hints: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Match:
    """A place that shows a value seen on the front panel: ``type`` and ``word_order`` as a profile names them, and the ``scale``."""

    address: int
    type: str
    word_order: str
    raw: float
    scale: float
    value: float
    off_by: float


def signed(value: int, bits: int) -> int:
    """Two's complement."""
    return value - (1 << bits) if value >> (bits - 1) else value


def bcd(word: int) -> int | None:
    """The decimal number that four nibbles spell."""
    digits = f"{word:04x}"
    return int(digits) if digits.isdecimal() else None


def characters(word: int) -> str:
    """Two characters, high byte first."""
    return "".join(chr(b) if 0x20 <= b < 0x7F else "." for b in (word >> 8, word & 0xFF))


def pair(high: int, low: int) -> tuple[int, int, float | None]:
    """Unsigned, signed and single-precision value of two words; the float is None when it is not finite."""
    raw = high << 16 | low
    value = struct.unpack(">f", raw.to_bytes(4, "big"))[0]
    return raw, signed(raw, 32), float(value) if math.isfinite(value) else None


def meanings(words: Mapping[int, int]) -> tuple[Meaning, ...]:
    """One for each register, by address."""
    return tuple(meaning(address, words) for address in sorted(words))


def meaning(address: int, words: Mapping[int, int]) -> Meaning:
    """What the register at ``address`` may be, alone or with the next one."""
    word = words[address]
    bits = tuple(bit for bit in range(16) if word >> bit & 1)
    wide: tuple[int | None, int | None, float | None] = (None, None, None)
    wide_low_first = wide
    if address + 1 in words:
        wide, wide_low_first = pair(word, words[address + 1]), pair(words[address + 1], word)
    found = Meaning(address, word, word, signed(word, 16), bcd(word), characters(word), bits, *wide, *wide_low_first)
    return replace(found, hints=tuple(_hints(found, words)))


def _hints(found: Meaning, words: Mapping[int, int]) -> Iterator[str]:
    if (text := _text_from(found.address, words)) is not None:
        yield f"text '{text}'"
        return
    for order, value in (("high-first", found.f32), ("low-first", found.f32_low_first)):
        if value is not None and looks_meant(value):
            yield f"f32 {order} {value:.7g}"
    if found.word >= 0x8000 and signed(found.word, 16) > -1000:
        yield f"s16 {found.s16}: a small negative number"
    if found.word in (0x7FFF, 0x8000, 0xFFFF):
        yield f"0x{found.word:04X} often says 'no value'"
    next_word = words.get(found.address + 1)
    if next_word is not None and found.word == 0 and next_word >= 0x100:
        yield f"u32 high-first {next_word}: a leading zero word, or two registers"
    if next_word == 0 and found.word >= 0x100:
        yield f"u32 low-first {found.word}: a trailing zero word, or two registers"


def looks_meant(value: float) -> bool:
    """True for a float that is of sensible size and a short decimal, as set-points and ratings are."""
    if value == 0 or not FLOAT_LEAST <= abs(value) <= FLOAT_MOST:
        return False
    single = struct.pack(">f", value)
    return struct.pack(">f", float(f"{value:.{ROUNDED_DIGITS}g}")) == single


def _text_from(address: int, words: Mapping[int, int]) -> str | None:
    """The text that begins here: at least four printable characters; None in its middle too, so that it is said once."""
    if _is_text(words.get(address - 1)):
        return None
    out = ""
    while _is_text(words.get(address)):
        out += "".join(chr(b) for b in divmod(words[address], 256) if b)
        address += 1
    return out.rstrip() if len(out.strip()) >= 4 and any(c.isalpha() for c in out) else None


def _is_text(word: int | None) -> bool:
    """Two characters of a word, or one before its end."""
    if not word:
        return False
    high, low = divmod(word, 256)
    return 0x20 <= high < 0x7F and (low == 0 or 0x20 <= low < 0x7F)


def find_value(words: Mapping[int, int], shown: float, tolerance: float) -> tuple[Match, ...]:
    """Where ``shown``, read off the front panel, may stand: every type, both word orders, scales of ten; the closest first.

    ``tolerance``: how far the reading may have moved, in the unit of ``shown``.
    """
    found: list[Match] = []
    for item in meanings(words):
        for kind, order, raw in _numbers(item):
            scales = (1.0,) if kind == "f32" else tuple(10.0**decade for decade in PANEL_DECADES)
            for scale in scales:
                value = raw * scale
                if raw and abs(value - shown) <= tolerance and (kind == "f32" or abs(raw) >= 10 or scale == 1.0):
                    found.append(Match(item.address, kind, order, raw, scale, value, abs(value - shown)))
    return tuple(sorted(found, key=lambda m: (m.off_by, -abs(m.raw), m.address)))


def _numbers(item: Meaning) -> Iterator[tuple[str, str, float]]:
    yield "u16", "", item.u16
    if item.s16 < 0:
        yield "s16", "", item.s16
    if item.bcd is not None and item.word > 9:
        yield "bcd16", "", item.bcd
    for order, u32, s32, f32 in (
        ("high-first", item.u32, item.s32, item.f32),
        ("low-first", item.u32_low_first, item.s32_low_first, item.f32_low_first),
    ):
        if u32 is not None and s32 is not None and u32 > 0xFFFF:
            yield ("u32", order, u32) if s32 >= 0 else ("s32", order, s32)
        elif u32 is not None and u32:
            yield "u32", order, u32
        if f32 is not None and FLOAT_LEAST <= abs(f32) <= FLOAT_MOST:
            yield "f32", order, f32
