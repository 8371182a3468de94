"""Response data of SCPI instruments: numbers, booleans, mnemonics, strings, blocks, and where one answer ends and the next begins.

Sources: IEEE 488.2-1992, 8.7 (NR1, NR2, NR3, #H, #Q, #B, quoted strings, blocks of definite and indefinite length); SCPI-99 volume 1, 7.2.1
(DEC: 9.91E37 is not-a-number, 9.9E37 and -9.9E37 are the infinities). Instruments that hold numbers in 32-bit floats do not answer
9.91E37 exactly, so these are compared with a tolerance.
"""

from __future__ import annotations

import math
import re

SCPI_NAN, SCPI_INFINITY = 9.91e37, 9.9e37
_RELATIVE_TOLERANCE = 1e-4  # float32 errs by 6e-8, six printed digits by 5e-6; the two numbers lie 1e-3 apart

_DECIMAL = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+))\s*(?:[eE]\s*([+-]?)\s*(\d+))?", re.ASCII)
_RADIX = {"H": 16, "Q": 8, "B": 2}
_WORDS = {
    "NAN": math.nan,
    "INF": math.inf,
    "INFINITY": math.inf,
    "NINF": -math.inf,
    "NINFINITY": -math.inf,
    "-INF": -math.inf,
    "+INF": math.inf,
}
_BOOLEANS = {"ON": 1, "OFF": 0}


def parse_number(text: str) -> float | None:
    """The number, NaN or an infinity; None when the text is no number.

    Takes what IEEE 488.2 lets a listener take (a blank before or after the E, a missing digit on one side of the point).
    """
    text = text.strip()
    if text.startswith("#"):
        integer = parse_integer(text)
        return None if integer is None else _float(integer)
    match = _DECIMAL.fullmatch(text)
    if match is None:
        return _WORDS.get(text.upper())
    mantissa, sign, exponent = match.groups()
    value = float(mantissa if exponent is None else f"{mantissa}e{sign}{exponent}")
    if math.isclose(value, SCPI_NAN, rel_tol=_RELATIVE_TOLERANCE):
        return math.nan
    if math.isclose(abs(value), SCPI_INFINITY, rel_tol=_RELATIVE_TOLERANCE):
        return math.copysign(math.inf, value)
    return value


def _float(integer: int) -> float:
    try:
        return float(integer)
    except OverflowError:
        return math.inf


def parse_integer(text: str) -> int | None:
    """NR1, ``#H1F``, ``#Q17``, ``#B101``; NR2 and NR3 when they hold a whole number; else None."""
    text = text.strip()
    if text[:1] == "#":
        radix = _RADIX.get(text[1:2].upper())
        digits = text[2:]
        if radix is None or not digits.isascii() or not digits.isalnum():
            return None
        try:
            return int(digits, radix)
        except ValueError:
            return None
    if re.fullmatch(r"[+-]?\d{1,30}", text, re.ASCII):
        return int(text)
    number = parse_number(text)
    return int(number) if number is not None and math.isfinite(number) and number == int(number) else None


def parse_boolean(text: str) -> int | None:
    """1 for ON or a number that is not 0, 0 for OFF or 0, None for anything else."""
    state = _BOOLEANS.get(text.strip().upper())
    if state is not None:
        return state
    number = parse_integer(text)
    return None if number is None else int(number != 0)


def matches_mnemonic(answer: str, mnemonic: str) -> bool:
    """Whether the answer is the short or the long form of ``CURRent``, in any case, quoted or not; no other abbreviation counts."""
    word = parse_string(answer).upper()
    short = "".join(c for c in mnemonic if not c.islower())
    return bool(word) and word in (mnemonic.upper(), short)


def parse_string(text: str) -> str:
    """A quoted string without its quotes, doubled quotes made single; any other text as it is, without blanks at its ends."""
    text = text.strip()
    if len(text) >= 2 and text[0] in "\"'" and text[-1] == text[0]:
        return text[1:-1].replace(text[0] * 2, text[0])
    return text


def split(text: str, separator: str) -> list[str]:
    """Cut at the separator (``;`` between answers, ``,`` between fields) where it stands outside of quotes and blocks."""
    if '"' not in text and "'" not in text and "#" not in text:
        return text.split(separator)
    parts, start, at = [], 0, 0
    while at < len(text):
        character = text[at]
        if character == separator:
            parts.append(text[start:at])
            start = at = at + 1
        else:
            at = _behind(text, at)
    return [*parts, text[start:]]


def _behind(text: str, at: int) -> int:
    """The place behind the quoted string, the block or the single character at ``at``."""
    character = text[at]
    if character in "\"'":
        end = text.find(character, at + 1)
        return len(text) if end < 0 else end + 1
    if character == "#" and text[at + 1 : at + 2].isdigit():
        digits = int(text[at + 1])
        size = text[at + 2 : at + 2 + digits]
        if digits == 0 or not size.isdigit():
            return len(text) if digits == 0 else at + 1
        return min(len(text), at + 2 + digits + int(size))
    return at + 1
