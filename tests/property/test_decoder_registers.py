"""Any value of any type, in any order of words and bytes, comes back from the registers it was written to.

The registers are made here with `struct` alone, by another way than the decoder's: bytes of the whole value, cut into words, then turned.
"""

from __future__ import annotations

import struct
from fractions import Fraction

from hypothesis import given, settings
from hypothesis import strategies as st

from loadlog.model.wire import ModbusRead, ModbusWrite, Reply
from loadlog.profiles import ReadPlan, load_profile

FORMATS = {"u16": ">H", "s16": ">h", "u32": ">I", "s32": ">i", "u64": ">Q", "s64": ">q", "f32": ">f", "f64": ">d"}
ORDERS = st.sampled_from(["high-first", "low-first"])
SCALES = st.sampled_from(["1", "0.1", "0.01", "0.001", "0.0001", "2.5", "10", "-0.1", "0.00025"])
OFFSETS = st.sampled_from(["0", "-273.15", "0.5", "-40", "100"])


def to_registers(data: bytes, word_order: str, byte_order: str) -> tuple[int, ...]:
    """Big-endian bytes as the registers of an instrument with these orders."""
    pairs = [data[n : n + 2] for n in range(0, len(data), 2)]
    if word_order == "low-first":
        pairs.reverse()
    return tuple(int.from_bytes(p, "big" if byte_order == "high-first" else "little") for p in pairs)


def _integers(kind: str) -> st.SearchStrategy[int]:
    bits = 8 * struct.calcsize(FORMATS[kind])
    low, high = (-(1 << bits - 1), (1 << bits - 1) - 1) if kind[0] == "s" else (0, min((1 << bits) - 1, 2**63 - 1))
    return st.integers(low, high) | st.sampled_from([low, high, 0])


INTEGERS = st.sampled_from(["u16", "s16", "u32", "s32", "u64", "s64"]).flatmap(lambda k: st.tuples(st.just(k), _integers(k)))


def _profile_text(kind: str, word_order: str, byte_order: str, more: str) -> str:
    order = "" if kind in ("u16", "s16", "bcd16") else f'word_order = "{word_order}"\n'
    return (
        'name = "m"\nprotocol = "modbus"\nroles = ["meter"]\n[[channel]]\nname = "x_v"\naddress = 7\n'
        f'type = "{kind}"\nbyte_order = "{byte_order}"\n{order}{more}\n'
    )


def _read(text: str, words: tuple[int, ...]) -> tuple[int | None, str, float | None]:
    """Count, reason and value of the one channel."""
    profile = load_profile(text, "p")
    plan = ReadPlan.make(profile, None)
    (request,) = plan.requests(0)
    assert request == ModbusRead(3, 7, len(words))
    decoded = plan.decode(0, [Reply(request, words, "", 0, 1)])
    count = decoded.counts["x_v"]
    value = None if count is None else profile.channels[0].scale.value(count)
    return count, decoded.reasons.get("x_v", ""), value


@settings(max_examples=300)
@given(INTEGERS, ORDERS, ORDERS, SCALES, OFFSETS)
def test_whole_numbers(case: tuple[str, int], word_order: str, byte_order: str, scale: str, offset: str) -> None:
    kind, number = case
    word_order = "high-first" if kind in ("u16", "s16") else word_order
    words = to_registers(struct.pack(FORMATS[kind], number), word_order, byte_order)
    count, reason, value = _read(_profile_text(kind, word_order, byte_order, f"scale = {scale}\noffset = {offset}"), words)
    assert (count, reason) == (number, "")
    assert value == float(number * Fraction(scale) + Fraction(offset))


@settings(max_examples=200)
@given(st.integers(0, 9999), st.integers(0, 99_999_999), ORDERS, ORDERS)
def test_bcd(short: int, long: int, word_order: str, byte_order: str) -> None:
    for kind, number in (("bcd16", short), ("bcd32", long)):
        order = "high-first" if kind == "bcd16" else word_order
        words = to_registers(bytes.fromhex(f"{number:0{4 if kind == 'bcd16' else 8}d}"), order, byte_order)
        assert _read(_profile_text(kind, order, byte_order, ""), words)[:2] == (number, "")


@settings(max_examples=300)
@given(
    st.sampled_from(["f32", "f64"]),
    st.floats(-1e6, 1e6, width=32),
    ORDERS,
    ORDERS,
    st.sampled_from(["0.1", "0.01", "0.001", "0.0001", "0.00001", "0.5", "0.25"]),
)
def test_floats_come_back_within_half_a_step_of_their_resolution(
    kind: str, number: float, word_order: str, byte_order: str, resolution: str
) -> None:
    words = to_registers(struct.pack(FORMATS[kind], number), word_order, byte_order)
    count, reason, value = _read(_profile_text(kind, word_order, byte_order, f"resolution = {resolution}"), words)
    assert reason == ""
    assert count is not None
    assert abs(Fraction(resolution) * count - Fraction(number)) <= Fraction(resolution) / 2
    assert value is not None


@settings(max_examples=200)
@given(
    st.floats(-1e5, 1e5, width=32),
    st.sampled_from([("0.001", "0"), ("1000", "0"), ("-1", "0"), ("0.1", "-273.15"), ("1", "25.5")]),
    ORDERS,
)
def test_scaled_floats(number: float, line: tuple[str, str], word_order: str) -> None:
    scale, offset = line
    words = to_registers(struct.pack(">f", number), word_order, "high-first")
    count, _, _ = _read(_profile_text("f32", word_order, "high-first", f"scale = {scale}\noffset = {offset}\nresolution = 0.01"), words)
    exact = Fraction(number) * Fraction(scale) + Fraction(offset)
    assert count is not None
    assert abs(count * Fraction("0.01") - exact) <= Fraction("0.005") + abs(exact) * Fraction(1, 10**14)


@settings(max_examples=300)
@given(st.sampled_from(sorted(FORMATS)), st.data())
def test_no_registers_make_the_decoder_raise(kind: str, data: st.DataObject) -> None:
    """Whatever stands in the registers: a count that a recording can keep, or a reason."""
    size = struct.calcsize(FORMATS[kind]) // 2
    words = tuple(data.draw(st.integers(0, 0xFFFF)) for _ in range(size))
    more = "resolution = 0.001" if kind[0] == "f" else ""
    count, reason, _ = _read(_profile_text(kind, "high-first", "high-first", more), words)
    assert (count is None) == bool(reason)
    if count is None:
        assert reason in ("undecodable", "not_a_number")
    else:
        assert -(2**63) <= count < 2**63


@settings(max_examples=200)
@given(
    st.sampled_from(["u16", "s16", "u32", "s32", "f32", "f64"]),
    st.integers(0, 32767),
    ORDERS,
    ORDERS,
    st.sampled_from(["1", "0.1", "0.001"]),
)
def test_what_is_ordered_is_what_is_read(kind: str, number: int, word_order: str, byte_order: str, scale: str) -> None:
    """The set-point's encoder and the channel's decoder agree in every order, and with the independent registers."""
    word_order = "high-first" if kind in ("u16", "s16") else word_order
    value = float(number * Fraction(scale))
    text = _profile_text(kind, word_order, byte_order, f"scale = {scale}" + ("\nresolution = 0.001" if kind[0] == "f" else ""))
    order = "" if kind in ("u16", "s16") else f'word_order = "{word_order}"\n'
    text += f'[writes.setpoint]\nfunction = 16\naddress = 7\ntype = "{kind}"\nbyte_order = "{byte_order}"\n{order}scale = {scale}\n'
    write = load_profile(text, "p").write("setpoint", value)
    assert isinstance(write, ModbusWrite)
    if kind[0] != "f":
        assert write.words == to_registers(struct.pack(FORMATS[kind], number), word_order, byte_order)
    read = _read(text, write.words)[2]
    assert read is not None
    assert abs(read - value) <= 0.0005 + (abs(value) * 1e-7 if kind == "f32" else 1e-9)
