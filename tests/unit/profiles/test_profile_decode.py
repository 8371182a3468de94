"""Registers to counts: the published words of known values, and everything that is no value.

Float words from the project's table of checks (float order: minimalmodbus and pymodbus agree).
"""

from __future__ import annotations

import math
import struct

import pytest

from loadlog.model.wire import ModbusRead, ModbusWrite, Reply, ScpiCommand, ScpiQuery
from loadlog.profiles import ReadPlan, load_profile
from loadlog.profiles.decode import (
    bit_decoder,
    decode_bcd,
    enum_decoder,
    float_decoder,
    integer_decoder,
    on_off_decoder,
    quantiser,
    string_decoder,
)

TENTH_MICRO = 1e-7


@pytest.mark.parametrize(
    ("words", "order", "value"),
    [
        ((0x4148, 0x0000), "high-first", 12.5),
        ((0x0000, 0x4148), "low-first", 12.5),
        ((0x4049, 0x0FDB), "high-first", math.pi),
        ((0x0FDB, 0x4049), "low-first", math.pi),
    ],
)
def test_float_words(words: tuple[int, int], order: str, value: float) -> None:
    decode = float_decoder("f32", order, "high-first", quantiser(1, 0, TENTH_MICRO))
    assert decode(words) == round(struct.unpack(">f", struct.pack(">f", value))[0] / TENTH_MICRO)


def test_a_float_in_milliamperes_becomes_amperes() -> None:
    decode = float_decoder("f32", "high-first", "high-first", quantiser(0.001, 0, 0.001))
    assert decode(_f32(5001.0)) == 5001


@pytest.mark.parametrize("number", [math.nan, math.inf, -math.inf])
def test_float_that_is_no_number(number: float) -> None:
    assert float_decoder("f32", "high-first", "high-first", quantiser(1, 0, 0.001))(_f32(number)) == "not_a_number"


def test_float_too_large_to_be_kept() -> None:
    decode = float_decoder("f32", "high-first", "high-first", quantiser(1, 0, 0.001))
    assert decode(_f32(3e38)) == "undecodable"
    assert decode(_f32(-3e38)) == "undecodable"


def test_float_sentinel_survives_its_32_bits() -> None:
    """9999.9 is no 32-bit float; the instrument sends its neighbour."""
    decode = float_decoder("f32", "high-first", "high-first", quantiser(1, 0, 0.1, [9999.9]))
    assert decode(_f32(9999.9)) == "sentinel"
    assert decode(_f32(9999.0)) == 99990


def test_sentinels_of_whole_numbers() -> None:
    assert integer_decoder("s16", "high-first", "high-first", [0x7FFF])((0x7FFF,)) == "sentinel"
    assert integer_decoder("s16", "high-first", "high-first", [0x7FFF])((0x7FFE,)) == 0x7FFE
    assert integer_decoder("u32", "low-first", "high-first", [0xFFFFFFFF])((0xFFFF, 0xFFFF)) == "sentinel"


def test_bcd() -> None:
    assert integer_decoder("bcd16", "high-first", "high-first")((0x0123,)) == 123
    assert integer_decoder("bcd32", "low-first", "high-first")((0x5678, 0x1234)) == 12345678
    assert integer_decoder("bcd16", "high-first", "high-first")((0x012A,)) == "undecodable"
    assert integer_decoder("bcd16", "high-first", "high-first", [0xFFFF])((0xFFFF,)) == "sentinel"
    assert decode_bcd(0xA000, 4) is None


def test_unsigned_beyond_what_a_recording_keeps() -> None:
    decode = integer_decoder("u64", "high-first", "high-first")
    assert decode((0x7FFF, 0xFFFF, 0xFFFF, 0xFFFF)) == 2**63 - 1
    assert decode((0x8000, 0, 0, 0)) == "undecodable"


def test_strings() -> None:
    words = (0x5443, 0x4D4F, 0x4434, 0x0000)
    assert string_decoder("high-first")(words) == "TCMOD4"
    assert string_decoder("low-first")((0x4354, 0x4F4D, 0x3444, 0)) == "TCMOD4"
    assert string_decoder("high-first")((0x4142, 0x2020)) == "AB"
    assert string_decoder("high-first")((0x4142, 0x00FF)) == "AB"  # behind the first 0x00 stands nothing
    assert string_decoder("high-first")((0xFFFF, 0xFFFF)) == ""
    assert string_decoder("high-first")((0x41C4,)) is None  # not ASCII
    assert string_decoder("high-first")((0x4107,)) is None  # not printable


def test_bits_and_masks() -> None:
    assert [bit_decoder(b, "high-first", False)((0x0022,)) for b in (0, 1, 5)] == [0, 1, 1]
    assert bit_decoder(1, "high-first", True)((0x0022,)) == 0
    assert bit_decoder(0, "low-first", False)((0x0100,)) == 1
    assert bit_decoder(None, "high-first", True)((1,)) == 0
    assert enum_decoder(0x0F00, "high-first")((0xA3FF,)) == 3
    assert enum_decoder(0x000F, "low-first")((0x0300,)) == 3
    assert on_off_decoder(0x55, 0xAA, 0xFF, "high-first")((0x1255,)) == 1
    assert on_off_decoder(0x55, 0xAA, 0xFF, "high-first")((0x12AA,)) == 0
    assert on_off_decoder(0x55, 0xAA, 0xFF, "high-first")((0x1200,)) == "undecodable"


def test_bad_values_are_kept_apart_from_good_ones_of_the_same_poll() -> None:
    plan = ReadPlan.make(load_profile(TWO_FLOATS, "p"), None)
    decoded = plan.decode(0, [_reply(plan.requests(0)[0], (*_f32(math.nan), *_f32(5.0)))])
    assert decoded.counts == {"voltage_v": None, "current_a": 5000}
    assert decoded.reasons == {"voltage_v": "not_a_number"}


def test_a_reply_that_is_missing_leaves_its_channels_out() -> None:
    plan = ReadPlan.make(load_profile(TWO_FLOATS, "p"), None)
    decoded = plan.decode(0, [None])
    assert (decoded.counts, decoded.reasons) == ({}, {})


def test_replies_that_do_not_belong_to_the_poll_are_a_fault_of_the_caller() -> None:
    plan = ReadPlan.make(load_profile(TWO_FLOATS, "p"), None)
    with pytest.raises(ValueError, match="0 replies to 1 requests"):
        plan.decode(0, [])


SCPI = """
name = "m"
protocol = "scpi"
roles = ["meter"]
[[channel]]
name = "voltage_v"
query = "MEAS:VOLT?"
join = true
resolution = 0.001
suffix = "V"
[[channel]]
name = "current_a"
query = "MEAS:CURR?"
join = true
resolution = 0.001
[[channel]]
name = "rail_12_v"
query = "READ?"
field = 1
resolution = 0.01
[[channel]]
name = "rail_5_v"
query = "READ?"
field = 2
resolution = 0.01
[[status]]
name = "mode"
query = "FUNC?"
join = true
values = { cc = "CURRent", cv = "VOLTage", other = 7 }
[[status]]
name = "sense_remote"
query = "SENS?"
on = "REMote"
off = "LOCal"
[[status]]
name = "protection"
query = "COND?"
bits = [{ name = "hot", bit = 4 }, { name = "high", bit = 0 }, { name = "fan_ok", bit = 8, inverted = true }]
"""


def _scpi(**answers: str) -> tuple[dict[str, int | None], dict[str, str]]:
    good = {"joined": "24.012 V;5.001;CURR", "rails": "12.01, 5.02", "sense": "LOC", "condition": "17"} | answers
    plan = ReadPlan.make(load_profile(SCPI, "p"), None)
    by_text = {
        "MEAS:VOLT?;:MEAS:CURR?;:FUNC?": good["joined"],
        "READ?": good["rails"],
        "SENS?": good["sense"],
        "COND?": good["condition"],
    }
    replies = [Reply(r, (), by_text[r.text], 0, 1) for r in plan.requests(0) if isinstance(r, ScpiQuery)]
    assert len(replies) == 4
    decoded = plan.decode(0, replies)
    return dict(decoded.counts), dict(decoded.reasons)


def test_scpi_poll() -> None:
    counts, reasons = _scpi()
    assert counts == {
        "voltage_v": 24012, "current_a": 5001, "rail_12_v": 1201, "rail_5_v": 502, "mode": 0, "sense_remote": 0, "protection": 0b111,
    }  # fmt: skip
    assert reasons == {}


def test_scpi_answers_one_by_one() -> None:
    counts, reasons = _scpi(joined="9.91E37;9.9E37;7", condition="#H100", sense="REMOTE")
    assert (counts["voltage_v"], counts["current_a"]) == (None, None)
    assert reasons == {"voltage_v": "not_a_number", "current_a": "not_a_number"}
    assert counts["mode"] == 7
    assert counts["protection"] == 0
    assert counts["sense_remote"] == 1


def test_scpi_one_answer_too_few_makes_none_of_them_true() -> None:
    """Nothing says which one is missing."""
    counts, reasons = _scpi(joined="24.012;5.001")
    assert {n: counts[n] for n in ("voltage_v", "current_a", "mode")} == {"voltage_v": None, "current_a": None, "mode": None}
    assert set(reasons.values()) == {"undecodable"}


def test_scpi_what_is_no_answer() -> None:
    counts, reasons = _scpi(rails="12.01", sense="BOTH", condition="hot", joined="24 V;five;RESISTANCE")
    assert counts["rail_12_v"] == 1201
    assert reasons == {
        "rail_5_v": "undecodable", "sense_remote": "undecodable", "protection": "undecodable", "current_a": "undecodable",
        "mode": "unknown_code",
    }  # fmt: skip


def test_orders() -> None:
    load = load_profile(TWO_FLOATS, "p")
    assert load.write("input_off") == ModbusWrite(5, 3, (0,))
    assert load.write("input_on") == ModbusWrite(6, 64, (0xFF00,))
    assert load.write("setpoint", 12.5) == ModbusWrite(16, 66, (0x0000, 0x4148))
    assert (load.read_back("setpoint"), load.can("setpoint"), load.can("mode")) == ("", True, False)
    scpi = load_profile(SCPI + '[writes.setpoint]\ncommand = "LEV {value}"\n[writes.input_off]\ncommand = "INP OFF"\n', "p")
    assert scpi.write("setpoint", 0.1) == ScpiCommand("LEV 0.1")
    assert scpi.write("input_off") == ScpiCommand("INP OFF")


@pytest.mark.parametrize(
    ("kind", "scale", "value", "words"),
    [
        ("u16", 0.001, 5.001, (5001,)),
        ("s16", 0.1, -12.5, (0xFF83,)),
        ("u32", 0.001, 70.0, (0x0001, 0x1170)),
        ("s32", 1, -2, (0xFFFF, 0xFFFE)),
        ("bcd16", 0.01, 12.34, (0x1234,)),
        ("bcd32", 1, 12345678, (0x1234, 0x5678)),
        ("f64", 1, 12.5, (0x4029, 0, 0, 0)),
    ],
)
def test_setpoint_words(kind: str, scale: float, value: float, words: tuple[int, ...]) -> None:
    text = TWO_FLOATS.replace('type = "f32"\nword_order = "low-first"\n[', f'type = "{kind}"\nscale = {scale}\n[')
    assert load_profile(text, "p").write("setpoint", value) == ModbusWrite(16, 66, words)


def _f32(value: float) -> tuple[int, ...]:
    return struct.unpack(">HH", struct.pack(">f", value))


def _reply(request: object, words: tuple[int, ...]) -> Reply:
    assert isinstance(request, ModbusRead)
    assert len(words) == request.count
    return Reply(request, words, "", 0, 1)


TWO_FLOATS = """
name = "m"
protocol = "modbus"
roles = ["load"]
[[channel]]
name = "voltage_v"
address = 0
type = "f32"
resolution = 0.001
[[channel]]
name = "current_a"
address = 2
type = "f32"
resolution = 0.001
[writes.input_off]
function = 5
address = 3
value = 0
[writes.input_on]
function = 6
address = 64
value = 0xFF00
[writes.setpoint]
function = 16
address = 66
type = "f32"
word_order = "low-first"
[ratings]
voltage_v = 150.0
"""
