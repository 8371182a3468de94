"""Every way to get a profile of a SCPI instrument wrong that we know of: one line with file, key, what is wrong and, for a slip of the
pen, the nearest name.

Each case changes one place of a profile that loads, so that the message can only come from that place.
"""

from __future__ import annotations

import pytest

from tests.unit.profiles.broken import check, each_line_broken, message

PROFILE = """
name = "bench-meter"
protocol = "scpi"
roles = ["meter"]

[timing]
longest_message = 60

[[channel]]
name = "voltage_v"
query = "MEAS:VOLT?"
resolution = 0.001

[[status]]
name = "input_on"
query = "INP?"

[[status]]
name = "mode"
query = "FUNC?"
values = { cc = "CURRent", cv = "VOLTage" }

[writes.input_off]
command = "INP OFF"

[writes.setpoint]
command = "LEV {value}"
"""

CASES = [
    ("resolution = 0.001", "", "p.toml: channel[voltage_v]: resolution is missing"),
    ('query = "MEAS:VOLT?"\n', "", "p.toml: channel[voltage_v].query: missing"),
    ('"MEAS:VOLT?"', '"MEAS:VOLT"', "p.toml: channel[voltage_v].query: 'MEAS:VOLT' is no single query"),
    ('"MEAS:VOLT?"', '"MEAS:VOLT?;CURR?"', "p.toml: channel[voltage_v].query: 'MEAS:VOLT?;CURR?' is no single query"),
    ('"MEAS:VOLT?"', '"MEAS:VOLT?' + " (@1)" * 20 + '"', "p.toml: channel[voltage_v].query: longer than timing.longest_message = 60"),
    ('"MEAS:VOLT?"\n', '"MEAS:VOLT?"\nadress = 3\n', "p.toml: channel[voltage_v].adress: unknown key"),
    ('"MEAS:VOLT?"\n', '"MEAS:VOLT?"\nfield = 0\n', "p.toml: channel[voltage_v].field: Input should be greater than or equal to 1, not 0"),
    (
        '"INP?"',
        '"meas:volt?"',
        "p.toml: status[input_on].query: meas:volt? is asked by channel[voltage_v] already; a query or a field is wrong",
    ),
    ('query = "INP?"', 'query = "INP?"\non = "ON"', "p.toml: status[input_on]: give both on and off, and let them differ"),
    ('query = "INP?"\n', "", "p.toml: status[input_on]: query is missing"),
    ('cc = "CURRent"', "cc = 1.5", "p.toml: status[mode]: values.cc: 1.5 is neither a mnemonic such as 'CURRent' nor a whole number"),
    ('cc = "CURRent"', 'cc = "VOLTage"', "p.toml: status[mode]: values: cc and cv both stand for 'VOLTage'"),
    ('"INP OFF"', '"INP?"', "p.toml: writes.input_off.command: 'INP?' is no command"),
    ('"INP OFF"', '"INP {value}"', "p.toml: writes.input_off.command: only the set-point takes {value}"),
    ('"LEV {value}"', '"LEV 5"', "p.toml: writes.setpoint.command: 'LEV 5' has no {value} where the number is to stand"),
    ("longest_message = 60", "largest_block = 60", "p.toml: timing.largest_block: unknown key"),
]


def test_the_unbroken_profile_loads() -> None:
    assert message(PROFILE) == ""


@pytest.mark.parametrize(("old", "new", "expected"), CASES)
def test_scpi_profile_error_names_file_key_and_cure(old: str, new: str, expected: str) -> None:
    check(PROFILE, old, new, expected)


def test_every_message_about_a_scpi_profile_is_one_line_whatever_the_text() -> None:
    each_line_broken(PROFILE)
