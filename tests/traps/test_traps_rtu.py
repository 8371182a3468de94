"""Every trap on a real pseudo-terminal against the real engine: a wrong value never, the failure named, the next poll right again.

The traps are the measured ones of two clients in common use (late, short, long, other function, refusal, noise, foreign frame) and
common practice on two-wire lines (echo, glitches at turn-around).
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from random import Random

import pytest

from loadlog.bus import Link, SystemClock, open_link
from loadlog.bus.rtu import RtuLink
from loadlog.config import BusConfig
from loadlog.model.sample import FailureCause
from loadlog.model.wire import Line, LinkFailure, LinkTraits, ModbusRead, ModbusWrite, Reply
from tests.traps import frames
from tests.traps.pty_device import Pieces, PtyDevice, plain_answer, plain_words
from tests.traps.virtual_line import VirtualClock, VirtualLine

TIMEOUT_S = 0.08
TRAITS = LinkTraits(timeout_s=TIMEOUT_S, gap_s=0.02)
PATIENT = LinkTraits(timeout_s=2.0, gap_s=0.2)  # where an answer must come, however busy the machine is
A, B = ModbusRead(3, 0, 10), ModbusRead(3, 100, 10)


class Bench:
    """A device that follows its script for the first requests and answers properly afterwards, and the link to it."""

    def __init__(self, folder: Path) -> None:
        self.name = folder / "port"
        self.odd: list[Callable[[bytes], Pieces]] = []
        self.device = PtyDevice(self.name, self._script)
        self.config = BusConfig(name="rack", kind="modbus-rtu", port=str(self.name), baudrate=115200)
        self.link: Link = open_link(self.config, SystemClock())

    def _script(self, request: bytes) -> Pieces:
        return self.odd.pop(0)(request) if self.odd else [(0.0, plain_answer(request))]

    def ask(self, request: ModbusRead | ModbusWrite, unit: int = 1, traits: LinkTraits = TRAITS) -> Reply | LinkFailure:
        return self.link.transact(unit, request, traits)

    def assert_right_after_rest(self, unit: int = 1) -> None:
        """A unit that answered with a length nobody asked for is left in peace for ten time-outs; its polls are skipped, none is wrong."""
        end = time.monotonic() + 20 * PATIENT.timeout_s
        skipped = 0
        while isinstance(answer := self.ask(B, unit, PATIENT), LinkFailure):
            assert answer.cause is FailureCause.SKIPPED, answer
            assert time.monotonic() < end, "it is never asked again"
            skipped += 1
            time.sleep(0.01)
        assert skipped
        assert answer.words == plain_words(unit, 100, 10)

    def assert_right_again(self, unit: int = 1) -> None:
        answer = self.ask(B, unit, PATIENT)
        assert isinstance(answer, Reply), answer
        assert answer.words == plain_words(unit, 100, 10)


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path)
    with made.device:
        made.link.open()
        yield made
        made.link.close()


def failed(answer: Reply | LinkFailure, cause: FailureCause) -> LinkFailure:
    assert isinstance(answer, LinkFailure), answer
    assert answer.cause is cause, answer
    assert "\n" not in answer.detail
    assert answer.t_end_ns >= answer.t_request_ns
    return answer


def test_good_answer_carries_its_times(bench: Bench) -> None:
    before = SystemClock().monotonic_ns()
    answer = bench.ask(A, traits=PATIENT)
    assert isinstance(answer, Reply)
    assert answer.words == plain_words(1, 0, 10)
    assert before <= answer.t_request_ns < answer.t_reply_ns <= SystemClock().monotonic_ns()


@pytest.mark.parametrize("late", [1.2, 1.9, 2.6, 5.0], ids=lambda late: f"{late}x")
def test_late_answer_is_never_taken_for_another_register(bench: Bench, late: float) -> None:
    bench.odd = [lambda r: [(late * TIMEOUT_S, plain_answer(r))]]
    failed(bench.ask(A), FailureCause.TIMEOUT)
    for _ in range(8):
        answer = bench.ask(B)
        assert isinstance(answer, LinkFailure) or answer.words == plain_words(1, 100, 10)
    bench.assert_right_again()


@pytest.mark.parametrize("late", [1.2, 1.9, 2.6, 5.0], ids=lambda late: f"{late}x")
def test_late_answer_is_never_taken_for_a_later_poll(bench: Bench, late: float) -> None:
    bench.odd = [lambda r: [(late * TIMEOUT_S, plain_answer(r, offset=7))]]
    failed(bench.ask(A), FailureCause.TIMEOUT)
    for _ in range(8):
        answer = bench.ask(A)
        assert isinstance(answer, LinkFailure) or answer.words == plain_words(1, 0, 10)
    bench.assert_right_again()


def test_late_answer_within_the_hold_frees_the_line_and_is_counted(bench: Bench) -> None:
    bench.odd = [lambda r: [(1.3 * TIMEOUT_S, plain_answer(r))]]
    failed(bench.ask(A), FailureCause.TIMEOUT)
    bench.assert_right_again()
    counters = bench.link.counters
    assert (counters.timeouts, counters.stale_dropped) == (1, 1)
    assert 0 < counters.hold_s < TIMEOUT_S
    assert len(bench.device.requests) == 2


def test_late_answer_does_not_reach_another_unit(bench: Bench) -> None:
    bench.odd = [lambda r: [(1.4 * TIMEOUT_S, plain_answer(r))]]
    failed(bench.ask(A, unit=1), FailureCause.TIMEOUT)
    bench.assert_right_again(unit=2)
    bench.assert_right_again(unit=1)


def test_nothing_is_repeated_behind_the_callers_back(bench: Bench) -> None:
    bench.odd = [lambda r: []]
    failed(bench.ask(A), FailureCause.TIMEOUT)
    assert len(bench.device.requests) == 1


def test_line_is_held_one_more_time_out(bench: Bench) -> None:
    bench.odd = [lambda r: []]
    failure = failed(bench.ask(A), FailureCause.TIMEOUT)
    answer = bench.ask(B, unit=2, traits=PATIENT)
    assert isinstance(answer, Reply)
    assert answer.t_request_ns - failure.t_end_ns >= TIMEOUT_S * 1e9


def test_too_few_registers(bench: Bench) -> None:
    bench.odd = [lambda r: [(0, frames.registers(1, 3, [1, 2, 3]))]]
    assert "6 data bytes" in failed(bench.ask(A), FailureCause.WRONG_REPLY).detail
    bench.assert_right_after_rest()


def test_too_many_registers(bench: Bench) -> None:
    bench.odd = [lambda r: [(0, frames.registers(1, 3, list(range(12))))]]
    failed(bench.ask(A), FailureCause.WRONG_REPLY)
    bench.assert_right_after_rest()


def test_other_function(bench: Bench) -> None:
    bench.odd = [lambda r: [(0, frames.registers(1, 4, list(range(10))))]]
    assert "function 4" in failed(bench.ask(A), FailureCause.WRONG_REPLY).detail
    bench.assert_right_again()


def test_exception_response(bench: Bench) -> None:
    bench.odd = [lambda r: [(0, frames.exception(1, 3, 2))]]
    failure = failed(bench.ask(A), FailureCause.EXCEPTION)
    assert failure.exception_code == 2
    assert "illegal data address" in failure.detail
    bench.assert_right_again()
    assert len(bench.device.requests) == 2, "the line need not be held after a refusal"


def test_bad_crc(bench: Bench) -> None:
    bench.odd = [lambda r: [(0, plain_answer(r)[:-1] + b"\x00")]]
    failed(bench.ask(A), FailureCause.CRC)
    bench.assert_right_again()


def test_leading_noise_does_not_cost_the_answer(bench: Bench) -> None:
    bench.odd = [lambda r: [(0, b"\x00\xff" + plain_answer(r))]]
    answer = bench.ask(A, traits=PATIENT)
    assert isinstance(answer, Reply)
    assert answer.words == plain_words(1, 0, 10)


def test_noise_long_before_the_answer(bench: Bench) -> None:
    bench.odd = [lambda r: [(0, b"\x00"), (0.04, plain_answer(r))]]
    answer = bench.ask(A, traits=PATIENT)
    assert isinstance(answer, Reply)
    assert answer.words == plain_words(1, 0, 10)


def test_trailing_noise_shorter_than_a_frame(bench: Bench) -> None:
    bench.odd = [lambda r: [(0, plain_answer(r) + b"\x00")]]
    answer = bench.ask(A, traits=PATIENT)
    assert isinstance(answer, Reply)
    assert answer.words == plain_words(1, 0, 10)


def test_another_units_frame_instead(bench: Bench) -> None:
    bench.odd = [lambda r: [(0, frames.registers(9, 3, list(range(10))))]]
    assert "unit 9" in failed(bench.ask(A), FailureCause.WRONG_UNIT).detail
    bench.assert_right_again()


def test_another_units_frame_before(bench: Bench) -> None:
    bench.odd = [lambda r: [(0, frames.registers(9, 3, list(range(10)))), (0.01, plain_answer(r))]]
    answer = bench.ask(A, traits=PATIENT)
    assert isinstance(answer, Reply)
    assert answer.words == plain_words(1, 0, 10)


def test_truncated(bench: Bench) -> None:
    bench.odd = [lambda r: [(0, plain_answer(r)[:11])]]
    assert "11 of 25" in failed(bench.ask(A), FailureCause.SHORT).detail
    bench.assert_right_again()


def test_rest_of_a_broken_answer_is_not_a_new_one(bench: Bench) -> None:
    bench.odd = [lambda r: [(0, plain_answer(r)[:11]), (0.7 * TIMEOUT_S, plain_answer(r)[11:])]]
    failed(bench.ask(A), FailureCause.SHORT)
    bench.assert_right_again()


def test_answer_twice_at_once(bench: Bench) -> None:
    bench.odd = [lambda r: [(0, plain_answer(r) * 2)]]
    failed(bench.ask(A), FailureCause.WRONG_REPLY)
    bench.assert_right_again()


def test_answer_twice_one_after_the_other() -> None:
    """The second copy begins within the silence that parts frames: it delays the next request and is dropped."""
    clock, line = VirtualClock(Random(1)), Line(115200)
    copy_ns = int(line.characters_s(25) * 1e9) + 1_000_000
    wire = VirtualLine(
        line, clock, lambda request, t_end_ns: [(2_000_000, plain_answer(request)), (2_000_000 + copy_ns, plain_answer(request))]
    )
    link = RtuLink(wire, line, clock)
    link.open()
    for request in (A, B, A):
        answer = link.transact(1, request, TRAITS)
        assert isinstance(answer, Reply)
        assert answer.words == plain_words(1, request.address, 10)
    assert link.counters.stale_dropped >= 2
    assert wire.too_early == []


def test_byte_by_byte(bench: Bench) -> None:
    bench.odd = [lambda r: [(0.003, plain_answer(r)[i : i + 1]) for i in range(25)]]
    answer = bench.ask(A, traits=PATIENT)
    assert isinstance(answer, Reply)
    assert answer.words == plain_words(1, 0, 10)


@pytest.mark.parametrize("cut", [1, 2, 3, 12, 23, 24])
def test_split_in_two(bench: Bench, cut: int) -> None:
    bench.odd = [lambda r: [(0, plain_answer(r)[:cut]), (0.01, plain_answer(r)[cut:])]]
    answer = bench.ask(A, traits=PATIENT)
    assert isinstance(answer, Reply)
    assert answer.words == plain_words(1, 0, 10)


def test_unasked_bytes_before_a_request_are_dropped(bench: Bench) -> None:
    assert isinstance(bench.ask(A, traits=PATIENT), Reply)
    bench.odd = [lambda r: [(0, plain_answer(r)), (0.0, b"")]]
    os.write(bench.device._master, frames.registers(1, 3, [0xDEAD] * 10))
    bench.assert_right_again()
    assert bench.link.counters.stale_dropped == 1


def test_line_that_never_falls_silent_is_named() -> None:
    clock, line = VirtualClock(Random(1)), Line(9600)
    wire = VirtualLine(line, clock, lambda request, t_end_ns: [(0, b"\xaa" * 4000)])
    link = RtuLink(wire, line, clock)
    link.open()
    failed(link.transact(1, A, TRAITS), FailureCause.CRC)
    assert "never silent" in failed(link.transact(1, A, TRAITS), FailureCause.WRONG_REPLY).detail
    assert len(wire.too_early) == 0


def test_answer_before_the_request_has_left_is_none() -> None:
    """On a two-wire line, only what an adapter held back can come so early: a stale answer, however well it fits."""
    clock, line = VirtualClock(Random(1)), Line(9600)
    stale = frames.registers(1, 3, [0xDEAD] * 10)
    wire = VirtualLine(line, clock, lambda request, t_end_ns: [(-8_000_000 - 25 * 1_041_666, stale), (5_000_000, plain_answer(request))])
    link = RtuLink(wire, line, clock)
    link.open()
    answer = link.transact(1, A, PATIENT)
    assert isinstance(answer, Reply)
    assert answer.words == plain_words(1, 0, 10)
    assert link.counters.stale_dropped >= 1


def test_write_is_confirmed_by_its_echo(bench: Bench) -> None:
    bench.odd = [lambda r: [(0, r)]]
    answer = bench.ask(ModbusWrite(6, 0x40, (1,)), traits=PATIENT)
    assert isinstance(answer, Reply)
    assert answer.words == (1,)


def test_write_confirmed_for_another_register_is_refused(bench: Bench) -> None:
    bench.odd = [lambda r: [(0, frames.seal(r[:3] + b"\x41" + r[4:6]))]]
    failed(bench.ask(ModbusWrite(6, 0x40, (1,))), FailureCause.WRONG_REPLY)


def test_odd_answer_to_a_write(bench: Bench) -> None:
    bench.odd = [lambda r: [(0, frames.seal(r[:2] + b"\x00\x2a"))]]
    answer = bench.ask(ModbusWrite(6, 0x40, (1,)), traits=LinkTraits(timeout_s=2.0, write_reply_words=1))
    assert isinstance(answer, Reply)
    assert answer.words == (42,)


def test_quiet_time_of_the_device_is_kept(bench: Bench) -> None:
    traits = LinkTraits(timeout_s=2.0, quiet_s=0.05)
    first, second = bench.ask(A, traits=traits), bench.ask(A, traits=traits)
    assert isinstance(first, Reply)
    assert isinstance(second, Reply)
    assert second.t_request_ns - first.t_reply_ns >= 50_000_000


class TestEcho:
    """Two-wire lines where the adapter hears itself."""

    @pytest.fixture
    def echoing(self, tmp_path: Path) -> Iterator[PtyDevice]:
        with PtyDevice(tmp_path / "port", lambda r: [(0.002, plain_answer(r))], echo=True) as device:
            yield device

    def link(self, device: PtyDevice, echo: bool) -> Link:
        link = open_link(BusConfig(name="rack", kind="modbus-rtu", port=str(device.name), baudrate=115200, echo=echo), SystemClock())
        link.open()
        return link

    @pytest.mark.parametrize("declared", [True, False])
    def test_is_removed(self, echoing: PtyDevice, declared: bool) -> None:
        link = self.link(echoing, declared)
        for _ in range(3):
            answer = link.transact(1, A, PATIENT)
            assert isinstance(answer, Reply), answer
            assert answer.words == plain_words(1, 0, 10)
        assert any("echo = true" in warning for warning in link.warnings) is not declared

    def test_echo_of_a_write_is_no_confirmation(self, echoing: PtyDevice) -> None:
        link = self.link(echoing, True)
        echoing.script = lambda r: []
        failed(link.transact(1, ModbusWrite(6, 0x40, (1,)), TRAITS), FailureCause.TIMEOUT)

    def test_echo_that_differs_is_a_collision(self, tmp_path: Path) -> None:
        with PtyDevice(tmp_path / "port", lambda r: [(0, b"\x55" + r[1:]), (0.002, plain_answer(r))]) as device:
            link = self.link(device, True)
            assert "collision" in failed(link.transact(1, A, TRAITS), FailureCause.WRONG_REPLY).detail

    def test_no_echo_where_one_is_declared(self, tmp_path: Path) -> None:
        with PtyDevice(tmp_path / "port", lambda r: []) as device:
            assert "echo" in failed(self.link(device, True).transact(1, A, TRAITS), FailureCause.TIMEOUT).detail


class TestUnplugged:
    """The adapter goes away and comes back under its stable name."""

    def test_lost_and_found_again(self, bench: Bench) -> None:
        assert isinstance(bench.ask(A, traits=PATIENT), Reply)
        bench.device.unplug()
        failed(bench.ask(A), FailureCause.PORT_LOST)
        assert not bench.link.is_open
        failed(bench.ask(A), FailureCause.PORT_LOST)
        bench.device.plug()
        bench.link.open()
        bench.assert_right_again()
        assert bench.link.counters.reopened == 1

    def test_lost_while_waiting_for_the_answer(self, bench: Bench) -> None:
        def vanish(_: bytes) -> Pieces:
            bench.device._stop.set()
            os.close(bench.device._master)
            bench.device._master = os.open("/dev/null", os.O_RDONLY)
            return []

        bench.odd = [vanish]
        failed(bench.ask(A, traits=LinkTraits(timeout_s=5.0)), FailureCause.PORT_LOST)
        assert not bench.link.is_open
