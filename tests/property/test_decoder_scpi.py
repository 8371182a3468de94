"""Any number in any format of IEEE 488.2 comes back; joined answers are cut where they were joined; nothing makes the parser raise."""

from __future__ import annotations

import math

from hypothesis import example, given, settings
from hypothesis import strategies as st

from loadlog.profiles.scpi_numbers import parse_boolean, parse_integer, parse_number, parse_string, split

ORDINARY = st.floats(-1e30, 1e30, allow_nan=False)


@given(ORDINARY, st.sampled_from("eE"), st.sampled_from(["", "+"]))
def test_nr3_of_every_digit(value: float, exponent: str, plus: str) -> None:
    text = f"{value:.17e}".replace("e", exponent)
    assert parse_number(plus + text if value >= 0 and not text.startswith("-") else text) == value


@given(st.decimals(-(10**9), 10**9, places=4))
def test_nr2(value: object) -> None:
    assert parse_number(str(value)) == float(str(value))


@given(st.integers(-(2**70), 2**70))
def test_nr1(value: int) -> None:
    assert parse_integer(str(value)) == value
    assert parse_number(str(value)) == float(value)


@given(st.integers(0, 2**64))
def test_other_radices(value: int) -> None:
    assert parse_integer(f"#H{value:X}") == value
    assert parse_integer(f"#Q{value:o}") == value
    assert parse_integer(f"#B{value:b}") == value


def _quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"'


@given(st.text(st.characters(codec="ascii", categories=["L", "N", "P", "Z", "S"]), max_size=20))
def test_strings(text: str) -> None:
    assert parse_string(_quoted(text)) == text


ANSWERS = st.one_of(
    ORDINARY.map(repr),
    st.sampled_from(["CURR", "1", "0", "#H1F", "9.91E37", ""]),
    st.text(st.sampled_from("ab;,\" '#1"), max_size=8).map(_quoted),
    st.binary(max_size=9).map(lambda b: f"#1{len(b)}" + b.decode("latin-1")),
)


@settings(max_examples=300)
@given(st.lists(ANSWERS, min_size=1, max_size=6), st.sampled_from(";,"))
def test_joined_answers_are_cut_where_they_were_joined(answers: list[str], separator: str) -> None:
    assert split(separator.join(answers), separator) == answers


@settings(max_examples=300)
@given(st.text(max_size=30) | st.text(st.sampled_from("0123456789+-.eE#HQB;,\"' naif"), max_size=12))
@example("1e999999")
@example("#H" + "F" * 400)
@example("9" * 5000)
def test_nothing_makes_the_parser_raise(text: str) -> None:
    number = parse_number(text)
    assert number is None or isinstance(number, float)
    assert parse_boolean(text) in (0, 1, None)
    integer = parse_integer(text)
    assert integer is None or number is None or math.isinf(number) or float(integer) == number
    parse_string(text)
    assert ";".join(split(text, ";")) == text
