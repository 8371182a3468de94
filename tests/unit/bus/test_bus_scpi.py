"""SCPI conversations with instruments that speak bytes, over TCP and over a pseudo-terminal.

Source: IEEE 488.2-1992, 8.7.9 (definite length block ``#15hello``) and 8.7.8; late answers are common practice with slow instruments.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from loadlog.bus import Link, SystemClock, open_link
from loadlog.config import BusConfig
from loadlog.model.errors import BusError
from loadlog.model.sample import FailureCause
from loadlog.model.wire import LinkFailure, LinkTraits, ModbusRead, Reply, ScpiCommand, ScpiQuery
from tests.traps.pty_device import Pieces, PtyDevice
from tests.traps.tcp_server import Server

TIMEOUT_S = 0.1
TRAITS = LinkTraits(timeout_s=TIMEOUT_S, gap_s=0.03)
PATIENT = LinkTraits(timeout_s=2.0, gap_s=0.3)  # where an answer must come, however busy the machine is
Ask = Callable[[ScpiQuery | ScpiCommand], Reply | LinkFailure]


class Instrument:
    """One script for both kinds of bus; ``answers``: message without line feed to pieces."""

    def __init__(self) -> None:
        self.heard: list[bytes] = []
        self.answers: dict[bytes, Pieces] = {b"A?": [(0, b"1.0\n")], b"B?": [(0, b"2.0\n")]}
        self._rest = b""

    def __call__(self, data: bytes) -> Pieces:
        *messages, self._rest = (self._rest + data).split(b"\n")
        self.heard += messages
        return [piece for message in messages for piece in self.answers.get(message, [])]


@pytest.fixture(params=["scpi-tcp", "scpi-serial"])
def bench(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[Instrument, Link]]:
    instrument = Instrument()
    if request.param == "scpi-tcp":
        server = Server(instrument)
        link = open_link(BusConfig(name="net", kind="scpi-tcp", host="127.0.0.1", tcp_port=server.port), SystemClock())
        link.open()
        yield instrument, link
        server.close()
    else:
        with PtyDevice(tmp_path / "port", instrument, raw=True):
            link = open_link(BusConfig(name="desk", kind="scpi-serial", port=str(tmp_path / "port"), baudrate=115200), SystemClock())
            link.open()
            yield instrument, link
            link.close()
    link.close()


def text(answer: Reply | LinkFailure) -> str:
    assert isinstance(answer, Reply), answer
    assert answer.words == ()
    return answer.text


def failed(answer: Reply | LinkFailure, cause: FailureCause) -> LinkFailure:
    assert isinstance(answer, LinkFailure), answer
    assert answer.cause is cause, answer
    assert "\n" not in answer.detail
    return answer


def test_question_and_answer(bench: tuple[Instrument, Link]) -> None:
    instrument, link = bench
    assert text(link.transact(0, ScpiQuery("A?"), PATIENT)) == "1.0"
    assert text(link.transact(0, ScpiQuery("B?"), PATIENT)) == "2.0"
    assert instrument.heard == [b"A?", b"B?"]


@pytest.mark.parametrize(
    ("raw", "expected"),
    [
        (b"2.401200E+01;9.91E37;#H1F\n", "2.401200E+01;9.91E37;#H1F"),
        (b"1.5\r\n", "1.5"),
        (b"#15hello\n", "#15hello"),
        (b"#15he\nlo\n", "#15he\nlo"),
        (b"1;#210\n\n\n\n\n\n\n\n\n\n;2\n", "1;#210\n\n\n\n\n\n\n\n\n\n;2"),
        (b"#13\x00\xfe\xff\n", "#13\x00\xfe\xff"),
        (b"\n", ""),
        (b'-113,"Undefined header"\n', '-113,"Undefined header"'),
    ],
)
def test_answers_pass_through(bench: tuple[Instrument, Link], raw: bytes, expected: str) -> None:
    instrument, link = bench
    instrument.answers[b"X?"] = [(0, raw)]
    assert text(link.transact(0, ScpiQuery("X?"), PATIENT)) == expected
    instrument.answers[b"X?"] = [(0.002, raw[i : i + 1]) for i in range(len(raw))]
    assert text(link.transact(0, ScpiQuery("X?"), PATIENT)) == expected


@pytest.mark.parametrize("late", [1.3, 1.8, 2.7, 4.5])
def test_late_answer_is_not_the_answer_to_the_next_question(bench: tuple[Instrument, Link], late: float) -> None:
    instrument, link = bench
    instrument.answers[b"A?"] = [(late * TIMEOUT_S, b"1.0\n")]
    failed(link.transact(0, ScpiQuery("A?"), TRAITS), FailureCause.TIMEOUT)
    assert text(link.transact(0, ScpiQuery("B?"), PATIENT)) == "2.0"
    assert link.counters.stale_dropped == 1


def test_nothing_is_asked_twice(bench: tuple[Instrument, Link]) -> None:
    instrument, link = bench
    failed(link.transact(0, ScpiQuery("SILENT?"), TRAITS), FailureCause.TIMEOUT)
    assert text(link.transact(0, ScpiQuery("A?"), PATIENT)) == "1.0"
    assert instrument.heard == [b"SILENT?", b"A?"]


def test_broken_off(bench: tuple[Instrument, Link]) -> None:
    instrument, link = bench
    instrument.answers[b"A?"] = [(0, b"2.40"), (1.5 * TIMEOUT_S, b"12\n")]
    failed(link.transact(0, ScpiQuery("A?"), TRAITS), FailureCause.SHORT)
    assert text(link.transact(0, ScpiQuery("B?"), PATIENT)) == "2.0"


@pytest.mark.parametrize("raw", [b"1.0\n7.0\n", b"1.0\n7"])
def test_two_answers_to_one_question(bench: tuple[Instrument, Link], raw: bytes) -> None:
    instrument, link = bench
    instrument.answers[b"A?"] = [(0, raw)]
    failed(link.transact(0, ScpiQuery("A?"), TRAITS), FailureCause.WRONG_REPLY)
    assert text(link.transact(0, ScpiQuery("B?"), PATIENT)) == "2.0"


def test_garbled_text(bench: tuple[Instrument, Link]) -> None:
    instrument, link = bench
    instrument.answers[b"A?"] = [(0, b"2.4\xb112\n")]
    failed(link.transact(0, ScpiQuery("A?"), TRAITS), FailureCause.WRONG_REPLY)
    assert text(link.transact(0, ScpiQuery("B?"), PATIENT)) == "2.0"


def test_command_has_no_answer(bench: tuple[Instrument, Link]) -> None:
    instrument, link = bench
    assert text(link.transact(0, ScpiCommand("INP:STAT OFF"), PATIENT)) == ""
    assert text(link.transact(0, ScpiQuery("A?"), PATIENT)) == "1.0"
    assert instrument.heard == [b"INP:STAT OFF", b"A?"]


def test_unasked_answer_to_a_command_is_dropped(bench: tuple[Instrument, Link]) -> None:
    instrument, link = bench
    instrument.answers[b"INP ON"] = [(0, b"OK\n")]
    link.transact(0, ScpiCommand("INP ON"), LinkTraits(timeout_s=TIMEOUT_S))
    assert text(link.transact(0, ScpiQuery("A?"), LinkTraits(timeout_s=2.0, quiet_s=0.1))) == "1.0"
    assert link.counters.stale_dropped == 1


@pytest.mark.parametrize("message", ["A?\nB?", "MEAS:VOLT? µV"])
def test_messages_that_cannot_be_sent(bench: tuple[Instrument, Link], message: str) -> None:
    with pytest.raises(BusError, match="no SCPI message"):
        bench[1].transact(0, ScpiQuery(message), TRAITS)


def test_modbus_on_a_scpi_bus_is_a_fault_of_the_caller(bench: tuple[Instrument, Link]) -> None:
    with pytest.raises(BusError, match="SCPI"):
        bench[1].transact(1, ModbusRead(3, 0, 1), TRAITS)


def test_other_terminators(bench: tuple[Instrument, Link]) -> None:
    instrument, link = bench
    traits = LinkTraits(timeout_s=2.0, terminator="\r\n")
    instrument.answers[b"A?\r"] = [(0, b"3.0\r\n")]
    assert text(link.transact(0, ScpiQuery("A?"), traits)) == "3.0"


def test_instrument_that_gives_back_what_it_hears(tmp_path: Path) -> None:
    with PtyDevice(tmp_path / "port", Instrument(), raw=True, echo=True):
        link = open_link(BusConfig(name="desk", kind="scpi-serial", port=str(tmp_path / "port"), echo=True), SystemClock())
        link.open()
        assert text(link.transact(0, ScpiQuery("A?"), PATIENT)) == "1.0"
        assert text(link.transact(0, ScpiQuery("B?"), PATIENT)) == "2.0"
        link.close()
