"""Response data of IEEE 488.2-1992, 8.7, and the special numbers of SCPI-99 volume 1, 7.2.1.

Where python's own ``float`` is of no help (a blank in the exponent, ``#H``) is noted in the project's table of checks.
"""

from __future__ import annotations

import math
import struct

import pytest

from loadlog.profiles.scpi_numbers import (
    matches_mnemonic,
    parse_boolean,
    parse_integer,
    parse_number,
    parse_string,
    split,
)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("24", 24.0),  # NR1
        ("+24", 24.0),
        ("-7", -7.0),
        ("24.012", 24.012),  # NR2
        (".5", 0.5),
        ("5.", 5.0),
        ("2.401200E+01", 24.012),  # NR3
        ("2.4012e1", 24.012),
        ("-5.0000000E-04", -0.0005),
        ("4.2E 01", 42.0),  # a blank in the exponent, which float() refuses
        ("4.2 E+01", 42.0),
        (" 1.5 ", 1.5),
        ("#H1F", 31.0),
        ("#h1f", 31.0),
        ("#Q17", 15.0),
        ("#B101", 5.0),
    ],
)
def test_number_formats(text: str, value: float) -> None:
    assert parse_number(text) == value


def test_nan_and_infinity_of_scpi_99() -> None:
    assert math.isnan(parse_number("9.91E37") or 0.0)
    assert parse_number("9.9E37") == math.inf
    assert parse_number("-9.9E37") == -math.inf
    assert math.isnan(parse_number("9.910000E+37") or 0.0)
    assert parse_number("+9.90000000E+37") == math.inf


def test_nan_and_infinity_after_float32_are_still_known() -> None:
    """An instrument that keeps numbers in 32 bits prints a neighbour of 9.91E37."""
    for constant, check in ((9.91e37, math.isnan), (9.9e37, math.isinf)):
        narrow = struct.unpack(">f", struct.pack(">f", constant))[0]
        assert narrow != constant
        for digits in (6, 7, 9, 17):
            assert check(parse_number(f"{narrow:.{digits}E}") or 0.0)


def test_large_readings_are_not_mistaken_for_the_special_ones() -> None:
    assert parse_number("9.8E37") == 9.8e37
    assert parse_number("1.0E38") == 1e38
    assert parse_number("9.905E37") == 9.905e37


@pytest.mark.parametrize(
    "text", ["", " ", "V", "24.012 V", "1,5", "1.2.3", "0x1F", "#", "#H", "#HXY", "#H-1", "#X1", "1_000", "E5", "--1", "٣"]
)
def test_what_is_no_number(text: str) -> None:
    assert parse_number(text) is None


@pytest.mark.parametrize(("text", "value"), [("NAN", math.nan), ("INF", math.inf), ("NINF", -math.inf), ("infinity", math.inf)])
def test_mnemonics_for_the_special_numbers(text: str, value: float) -> None:
    found = parse_number(text)
    assert found is not None
    assert found == value or (math.isnan(found) and math.isnan(value))


def test_whole_numbers() -> None:
    assert parse_integer("1024") == 1024
    assert parse_integer("+18") == 18
    assert parse_integer("1.8E1") == 18
    assert parse_integer("9007199254740993") == 2**53 + 1  # not by way of a float
    assert parse_integer("1.5") is None
    assert parse_integer("9.91E37") is None
    assert parse_integer("on") is None


@pytest.mark.parametrize(
    ("text", "state"), [("1", 1), ("0", 0), ("ON", 1), ("off", 0), (" 1\r", 1), ("2", 1), ("0.0E0", 0), ("", None), ("REM", None)]
)
def test_booleans(text: str, state: int | None) -> None:
    assert parse_boolean(text) is state or parse_boolean(text) == state


def test_mnemonics_take_the_short_and_the_long_form_only() -> None:
    for answer in ("CURR", "curr", "CURRENT", "Current", '"CURR"', " CURR "):
        assert matches_mnemonic(answer, "CURRent")
    for answer in ("CURRE", "CUR", "", "VOLT", "CURRENTS"):
        assert not matches_mnemonic(answer, "CURRent")
    assert not matches_mnemonic("", "curr")


def test_strings() -> None:
    assert parse_string('"No error"') == "No error"
    assert parse_string('"say ""on"""') == 'say "on"'
    assert parse_string("'x'") == "x"
    assert parse_string(" plain ") == "plain"


def test_answers_are_cut_outside_of_strings_and_blocks_only() -> None:
    assert split("1;2;3", ";") == ["1", "2", "3"]
    assert split('0,"No; error, at all";5', ";") == ['0,"No; error, at all"', "5"]
    assert split('0,"a, b"', ",") == ["0", '"a, b"']
    assert split("#15a;b;c;2", ";") == ["#15a;b;c", "2"]
    assert split("#H1F;2", ";") == ["#H1F", "2"]
    assert split("'a;b", ";") == ["'a;b"]
    assert split("", ";") == [""]
