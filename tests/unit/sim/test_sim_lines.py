"""Lines as sans-IO machines, time turned by hand: silence, pace, faults of the wire, streams."""

from __future__ import annotations

import itertools
import random

import pytest

from loadlog.sim import frames
from loadlog.sim.faults import FAULTS, check_params
from loadlog.sim.messages import MbapConnection, ScpiConnection
from loadlog.sim.pacing import Pace, Transmitter
from loadlog.sim.registers import answer_pdu
from loadlog.sim.rtu import RtuLine, Unit, WireLog
from loadlog.sim.timetable import Fault
from loadlog.sim.wire_faults import WireFaults
from tests.unit.sim.register_models import PatternModel

MS = 1_000_000
ASK = frames.rtu_frame(1, bytes.fromhex("0300100002"))
SOUND = frames.rtu_frame(1, bytes.fromhex("030410101011"))


def _unit(number: int) -> Unit:
    model = PatternModel(number)
    return Unit(f"unit-{number}", lambda pdu: answer_pdu(model, pdu))


def _line(pace: Pace | None = None, *, strict: bool = False, processing_ns: int = 0) -> RtuLine:
    faults = WireFaults(random.Random(1))
    return RtuLine("line", {1: _unit(1), 2: _unit(2)}, faults, pace=pace, processing_ns=processing_ns, strict=strict)


def _run(line: RtuLine, until_ns: int) -> list[tuple[int, bytes]]:
    """Everything that leaves by then, each with its time, the line woken exactly when it asks to be."""
    out = []
    while (due := line.due_ns()) is not None and due <= until_ns:
        data = line.take(due)
        if data:
            out.append((due, data))
    return out


# -- pace and silence (MODBUS over Serial Line V1.02, 2.5.1.1) ------------------------------------------------------------


@pytest.mark.parametrize(("baudrate", "silence_ms"), [(9600, 4.010), (19200, 2.005), (38400, 1.750), (115200, 1.750)])
def test_silence_is_three_and_a_half_characters_of_eleven_bits_or_fixed(baudrate: int, silence_ms: float) -> None:
    assert Pace.of(baudrate, 11).silence_ns == pytest.approx(silence_ms * MS, rel=1e-3)


def test_a_transaction_takes_the_time_of_its_characters() -> None:
    """8 characters of request, then the longer of processing and 3.5 characters, then 9 of answer, at 9600 8N1."""
    pace = Pace.of(9600, 10)
    line = _line(pace, processing_ns=10 * MS)
    line.receive(ASK, 5 * MS)
    out = _run(line, 10_000 * MS)
    assert b"".join(data for _, data in out) == SOUND
    first_end = 5 * MS + 8 * pace.character_ns + 10 * MS
    assert out[0][0] == first_end + len(out[0][1]) * pace.character_ns
    assert out[-1][0] == first_end + len(SOUND) * pace.character_ns


def test_an_answer_leaves_in_pieces_of_about_two_milliseconds_and_ends_on_time() -> None:
    pace = Pace.of(115200, 10)
    out = Transmitter(pace)
    out.enter(0, bytes(255))
    leaving = []
    while (due := out.due_ns()) is not None:
        data = out.take(due)
        if data:
            leaving.append((due, len(data)))
    assert sum(n for _, n in leaving) == 255
    assert leaving[-1][0] == 255 * pace.character_ns
    assert max(b - a for (a, _), (b, _) in itertools.pairwise(leaving)) <= 2 * MS


@pytest.mark.parametrize(("gap_ns", "outcome"), [(1_749_000, "early"), (1_751_000, "answered")])
def test_a_strict_line_loses_what_comes_before_the_silence(gap_ns: int, outcome: str) -> None:
    line = _line(Pace.of(38400, 10), strict=True)
    line.receive(ASK, 10 * MS)
    end_ns = _run(line, 1000 * MS)[-1][0]
    line.receive(ASK, end_ns + gap_ns)
    answer = b"".join(data for _, data in _run(line, 2000 * MS))
    assert line.log.requests[-1].gap_ns == gap_ns
    assert line.log.requests[-1].outcome == outcome
    assert bool(answer) == (outcome == "answered")


def test_a_lenient_line_answers_and_records_the_gap_all_the_same() -> None:
    line = _line(Pace.of(38400, 10), strict=False)
    line.receive(ASK, 10 * MS)
    end_ns = _run(line, 1000 * MS)[-1][0]
    line.receive(ASK, end_ns + 1000)
    assert b"".join(data for _, data in _run(line, 2000 * MS)) == SOUND
    assert line.log.gaps_s() == [1e-6]


def test_a_request_into_a_running_answer_collides() -> None:
    line = _line(Pace.of(9600, 10), strict=True)
    line.receive(ASK, 10 * MS)
    first = line.due_ns()
    assert first is not None
    line.take(first)
    due = line.due_ns()
    assert due is not None
    line.take(due)
    line.receive(ASK, due + MS // 10)
    _run(line, 1000 * MS)
    assert [r.outcome for r in line.log.requests] == ["answered", "collision"]


def test_a_request_in_two_pieces_is_one_request() -> None:
    for pace in (Pace(), Pace.of(9600, 10)):
        line = _line(pace)
        line.receive(ASK[:3], 10 * MS)
        line.receive(ASK[3:], 11 * MS)
        assert b"".join(data for _, data in _run(line, 1000 * MS)) == SOUND


def test_stray_bytes_are_forgotten_and_the_next_request_is_answered() -> None:
    line = _line()
    line.receive(b"\x01\x03\x00", 10 * MS)
    assert _run(line, 50 * MS) == []
    line.receive(ASK, 60 * MS)
    assert b"".join(data for _, data in _run(line, 100 * MS)) == SOUND
    assert [r.outcome for r in line.log.requests] == ["bad_crc", "answered"]


def test_a_line_at_another_baud_rate_hears_nothing() -> None:
    line = _line()
    line.hears = lambda: False
    line.receive(ASK, 10 * MS)
    assert _run(line, 1000 * MS) == []
    assert line.log.outcomes == {"wrong_baud": 1}


# -- faults of the wire -----------------------------------------------------------------------------------------------


def _fault(name: str, target: str = "line", **given: float) -> Fault:
    return Fault(name, target, check_params(FAULTS[name], given, "test"))


def _answer(fault: Fault, ask: bytes = ASK) -> tuple[RtuLine, bytes]:
    line = _line()
    line.faults.begin(fault)
    line.receive(ask, 0)
    return line, b"".join(data for _, data in _run(line, 10_000 * MS))


def test_silent_unit() -> None:
    assert _answer(_fault("silent_unit", "unit-1"))[1] == b""
    assert _answer(_fault("silent_unit", "unit-2"))[1] == SOUND


def test_late_reply_comes_after_the_next_one() -> None:
    """What is late must not hold up the line: unit 2 answers in the meantime."""
    line = _line()
    line.faults.begin(_fault("late_reply", "unit-1", delay_s=0.5))
    line.receive(ASK, 0)
    line.take(1)
    other = frames.rtu_frame(2, bytes.fromhex("0300100002"))
    line.receive(other, 100 * MS)
    out = _run(line, 1000 * MS)
    assert [data[0] for _, data in out] == [2, 1]
    assert out[1] == (500 * MS, SOUND)


def test_corrupt_reply_fails_its_crc() -> None:
    for bits in (1.0, 3.0, 9.0):
        sent = _answer(_fault("corrupt_reply", bits=bits))[1]
        assert len(sent) == len(SOUND)
        assert frames.crc16(sent) != 0
        assert sum((a ^ b).bit_count() for a, b in zip(sent, SOUND, strict=True)) == bits


def test_truncated_and_dropped() -> None:
    assert _answer(_fault("truncated_reply", keep=4))[1] == SOUND[:4]
    dropped = _answer(_fault("dropped_byte"))[1]
    assert len(dropped) == len(SOUND) - 1


@pytest.mark.parametrize(
    ("name", "given", "expected"),
    [
        ("foreign_unit", {"unit": 77.0}, frames.rtu_frame(77, SOUND[1:-2])),
        ("wrong_register", {"offset": 2.0}, frames.rtu_frame(1, bytes.fromhex("030410121013"))),
        ("wrong_function", {}, frames.rtu_frame(1, bytes.fromhex("040410101011"))),
        ("too_few_registers", {}, frames.rtu_frame(1, bytes.fromhex("03021010"))),
        ("too_many_registers", {}, frames.rtu_frame(1, bytes.fromhex("0306101010112A2A"))),
        ("exception_reply", {"code": 6.0}, frames.rtu_frame(1, bytes.fromhex("8306"))),
        ("duplicate_reply", {}, SOUND + SOUND),
    ],
)
def test_replies_that_are_whole_but_wrong(name: str, given: dict[str, float], expected: bytes) -> None:
    assert _answer(_fault(name, **given))[1] == expected


def test_garbage_stands_before_or_after() -> None:
    before, after = _answer(_fault("garbage_before", count=3))[1], _answer(_fault("garbage_after", count=3))[1]
    assert before[3:] == SOUND
    assert after[:-3] == SOUND


def test_previous_reply_is_one_behind() -> None:
    line = _line()
    line.receive(ASK, 0)
    _run(line, MS)
    line.faults.begin(_fault("previous_reply"))
    line.receive(frames.rtu_frame(1, bytes.fromhex("0300200002")), 10 * MS)
    assert b"".join(data for _, data in _run(line, 20 * MS)) == SOUND


def test_echo_returns_the_request_before_the_answer() -> None:
    line = _line()
    line.faults.begin(_fault("echo"))
    line.receive(ASK, 0)
    assert b"".join(data for _, data in _run(line, 100 * MS)) == ASK + SOUND


def test_faults_combine_and_end() -> None:
    line = _line()
    late, corrupt = _fault("late_reply", delay_s=0.2), _fault("corrupt_reply")
    line.faults.begin(late)
    line.faults.begin(corrupt)
    line.receive(ASK, 0)
    ((when, data),) = _run(line, 1000 * MS)
    assert when == 200 * MS
    assert data != SOUND
    assert line.log.alterations[-1].faults == ("late_reply", "corrupt_reply")
    line.faults.end(late)
    line.faults.end(corrupt)
    line.receive(ASK, 2000 * MS)
    assert _run(line, 3000 * MS) == [(2000 * MS, SOUND)]


def test_a_share_of_replies_is_touched_and_each_is_recorded() -> None:
    line = _line()
    line.faults.begin(_fault("corrupt_reply", share=0.25))
    sound = 0
    for k in range(2000):
        line.receive(ASK, k * 100 * MS)
        sound += b"".join(data for _, data in _run(line, (k * 100 + 50) * MS)) == SOUND
    assert 2000 - sound == len(line.log.alterations) == line.log.outcomes["altered"]
    assert len(line.log.alterations) / 2000 == pytest.approx(0.25, abs=0.04)


@pytest.mark.parametrize("name", [kind.name for kind in FAULTS.values() if kind.on_wire and kind.target == "wire"])
def test_no_wire_fault_passes_for_a_sound_answer_or_breaks_the_line(name: str) -> None:
    line = _line()
    line.faults.begin(_fault(name))
    line.receive(ASK, 0)
    _run(line, 5000 * MS)
    for fault in line.faults.active:
        line.faults.end(fault)
    line.receive(ASK, 6000 * MS)
    assert b"".join(data for _, data in _run(line, 7000 * MS)) == SOUND


def test_every_wire_fault_changes_something_where_it_applies() -> None:
    touched = {}
    for kind in FAULTS.values():
        if kind.on_wire and kind.target == "wire":
            line = _line()
            line.receive(frames.rtu_frame(1, bytes.fromhex("0300300002")), 0)
            _run(line, MS)
            line.faults.begin(_fault(kind.name))
            line.receive(ASK, 10 * MS)
            touched[kind.name] = _run(line, 5000 * MS) != [(10 * MS, SOUND)]
    assert touched.pop("foreign_transaction") is False, "only Modbus TCP has transaction numbers"
    assert all(touched.values()), touched


# -- streams ----------------------------------------------------------------------------------------------------------


def _mbap() -> MbapConnection:
    return MbapConnection("line", {1: _unit(1)}, WireFaults(random.Random(1)), WireLog())


MESSAGE = frames.mbap_frame(0x0708, 1, bytes.fromhex("0300100002"))
MBAP_SOUND = frames.mbap_frame(0x0708, 1, bytes.fromhex("030410101011"))


def test_modbus_tcp_byte_by_byte_and_several_at_once() -> None:
    connection = _mbap()
    for k in range(len(MESSAGE)):
        connection.receive(MESSAGE[k : k + 1], k)
    assert connection.take(MS) == MBAP_SOUND
    connection.receive(MESSAGE * 3, MS)
    assert connection.take(2 * MS) == MBAP_SOUND * 3


@pytest.mark.parametrize("bad", [b"\0\1\0\5\0\6\1\3\0\0\0\1", b"\0\1\0\0\0\1\1", b"\0\1\0\0\1\0\1"])
def test_modbus_tcp_closes_on_what_is_none(bad: bytes) -> None:
    connection = _mbap()
    connection.receive(bad, 0)
    assert connection.broken


def test_modbus_tcp_says_nothing_for_another_unit() -> None:
    connection = _mbap()
    connection.receive(frames.mbap_frame(1, 9, bytes.fromhex("0300100002")), 0)
    assert connection.take(MS) == b""
    assert connection.log.outcomes == {"nobody": 1}


def test_modbus_tcp_with_a_foreign_transaction() -> None:
    connection = _mbap()
    connection.faults.begin(_fault("foreign_transaction"))
    connection.receive(MESSAGE, 0)
    assert connection.take(MS) == (0x0708 + 0x1234).to_bytes(2, "big") + MBAP_SOUND[2:]


def test_scpi_late_corrupt_and_truncated() -> None:
    connection = ScpiConnection("line", "meter", lambda text: text.lower(), WireFaults(random.Random(1)), WireLog())
    connection.receive(b"ABC\nDE", 0)
    connection.receive(b"F\r\n", 1)
    assert connection.take(MS) == b"abc\ndef\n"
    connection.faults.begin(_fault("truncated_reply", "meter", keep=2))
    connection.receive(b"ABC\n", 2 * MS)
    assert connection.take(3 * MS) == b"ab"
