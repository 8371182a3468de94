"""Whatever comes over the wire, the servers answer, refuse or keep silent; they never fall over, and the next sound request is answered."""

from __future__ import annotations

import random

from hypothesis import given, settings
from hypothesis import strategies as st

from loadlog.sim import frames
from loadlog.sim.maps import LoadMap, ThermocoupleMap
from loadlog.sim.messages import MbapConnection, ScpiConnection
from loadlog.sim.registers import answer_pdu
from loadlog.sim.rtu import RtuLine, Unit, WireLog
from loadlog.sim.scpi import ScpiLoad
from loadlog.sim.wire_faults import WireFaults
from tests.unit.sim.bench_help import bench

BENCH = bench()
MODELS = (LoadMap(BENCH, "load"), ThermocoupleMap(lambda channel: BENCH.thermocouple_counts("tc", channel)))
MODEL_PDU = bytes.fromhex("0300000001")
WORDS = st.sampled_from(
    ["MEAS", "VOLT", "CURR", "SOUR", "LEV", "FUNC", "INP", "STAT", ":", "?", ";", " ", "*", "IDN", "1e999", "ON", "\t", "é"]
)


@given(st.binary(min_size=1, max_size=253))
def test_any_pdu_is_answered_or_refused(pdu: bytes) -> None:
    for model in MODELS:
        reply = answer_pdu(model, pdu)
        assert reply[0] & 0x7F == pdu[0] & 0x7F
        assert len(reply) <= 253
        if reply[0] != pdu[0]:
            assert reply[1] in (1, 2, 3) or pdu[0] >= 0x80


@given(st.lists(st.binary(max_size=40), max_size=8))
def test_a_line_recovers_from_any_bytes(pieces: list[bytes]) -> None:
    model = MODELS[0]
    line = RtuLine("line", {1: Unit("load", lambda pdu: answer_pdu(model, pdu))}, WireFaults(random.Random(1)))
    now_ns = 0
    for piece in pieces:
        if piece:
            line.receive(piece, now_ns)
        line.take(now_ns)
        now_ns += 1_000_000
    line.take(now_ns + 10_000_000)
    line.receive(frames.rtu_frame(1, MODEL_PDU), now_ns + 20_000_000)
    assert line.take(now_ns + 30_000_000) == frames.rtu_frame(1, bytes.fromhex("03024C31"))


@given(st.lists(st.one_of(st.binary(max_size=40), st.just(frames.mbap_frame(7, 1, MODEL_PDU))), max_size=8), st.integers(1, 20))
def test_a_modbus_tcp_connection_ends_or_goes_on_however_the_bytes_are_cut(messages: list[bytes], size: int) -> None:
    model = MODELS[0]
    whole, cut = (
        MbapConnection("line", {1: Unit("load", lambda pdu: answer_pdu(model, pdu))}, WireFaults(random.Random(1)), WireLog())
        for _ in range(2)
    )
    sent = b"".join(messages)
    whole.receive(sent, 0)
    for start in range(0, len(sent), size):
        cut.receive(sent[start : start + size], 0)
    answered = whole.take(1)
    assert (cut.take(1), cut.broken) == (answered, whole.broken)
    sound = answered.count(frames.mbap_frame(7, 1, bytes.fromhex("03024C31")))
    assert sound >= next((n for n, message in enumerate(messages) if message != frames.mbap_frame(7, 1, MODEL_PDU)), len(messages))


@settings(max_examples=300)
@given(st.one_of(st.text(max_size=60), st.lists(WORDS, max_size=12).map("".join)))
def test_any_scpi_message_is_carried_out_or_refused(text: str) -> None:
    load = ScpiLoad(bench(), "load")
    connection = ScpiConnection("line", "load", load.message, WireFaults(random.Random(1)), WireLog())
    connection.receive(text.encode("utf-8", "replace") + b"\n*CLS\nSYST:ERR?\n", 0)
    assert connection.take(1).endswith(b'0,"No error"\n')
