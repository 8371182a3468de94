"""What words may mean. Floats as other Modbus packages encode them (12.5 is 0x4148 0x0000; π is 0x4049 0x0FDB), registers from the manual
of the simulated load; the rest is arithmetic."""

from __future__ import annotations

import math
import struct

from hypothesis import given
from hypothesis import strategies as st

from loadlog.bringup.meanings import find_value, looks_meant, meanings


def test_floats_in_both_word_orders() -> None:
    first, _ = meanings({0: 0x4148, 1: 0x0000})
    assert first.f32 == 12.5
    assert first.u32 == 0x41480000
    swapped, _ = meanings({0x20: 0x0FDB, 0x21: 0x4049})
    assert swapped.f32_low_first is not None
    assert abs(swapped.f32_low_first - math.pi) < 1e-6


def test_a_short_decimal_in_a_float_is_pointed_out() -> None:
    first, _ = meanings({0: 0x0000, 1: 0x4148})
    assert any(hint == "f32 low-first 12.5" for hint in first.hints)


def test_signed_bcd_bits_and_text() -> None:
    (item,) = meanings({7: 0xFF38})
    assert item.s16 == -200
    assert item.bcd is None
    assert any("-200" in hint for hint in item.hints)
    (firmware,) = meanings({1: 0x0123})
    assert firmware.bcd == 123
    assert firmware.bits == (0, 1, 5, 8)
    words = {0x0100 + i: w for i, w in enumerate((0x5443, 0x4D4F, 0x4436, 0x0000))}
    assert meanings(words)[0].hints == ("text 'TCMOD6'",)
    assert not meanings(words)[1].hints, "said once"


def test_the_last_register_has_no_pair() -> None:
    (item,) = meanings({5: 1})
    assert item.u32 is None
    assert item.f32 is None


def test_a_value_off_the_front_panel_is_found_in_every_type() -> None:
    raw = struct.unpack(">HH", struct.pack(">f", 24.012))
    words = {
        0x12: 0, 0x13: 24012,  # u32, 1 mV, high word first
        0x40: 2401,  # u16, 10 mV
        0x50: raw[1], 0x51: raw[0],  # f32, low word first
        0x60: 0x2401,  # BCD
        0x70: 9999,
    }  # fmt: skip
    found = {(m.address, m.type, m.word_order) for m in find_value(words, 24.01, 0.01)}
    assert (0x12, "u32", "high-first") in found
    assert (0x40, "u16", "") in found
    assert (0x50, "f32", "low-first") in found
    assert (0x60, "bcd16", "") in found
    assert not any(address == 0x70 for address, _, _ in found)


def test_scales_say_how_to_write_the_profile() -> None:
    (match,) = [m for m in find_value({0: 2401}, 24.01, 0.001) if m.type == "u16"]
    assert match.scale == 0.01


@given(st.dictionaries(st.integers(0, 0xFFFF), st.integers(0, 0xFFFF), max_size=20))
def test_every_word_has_meanings(words: dict[int, int]) -> None:
    for item in meanings(words):
        assert item.u16 == words[item.address]
        assert (item.u32 is not None) == (item.address + 1 in words)
        if item.u32 is not None:
            assert item.s32 is not None
            assert (item.u32 - item.s32) % 2**32 == 0


@given(st.floats(width=32, allow_nan=True, allow_infinity=True))
def test_looking_meant_never_fails(value: float) -> None:
    assert looks_meant(value) in (True, False)
