"""Scanning a line in virtual time: who answers, at which setting, and what is said when nobody does."""

from __future__ import annotations

import tomllib

import pytest
from virtual_unit import Bench, Unit

from loadlog.bringup import Found, Hint, Progress, Search, bus_at, scan
from loadlog.bringup.identify import parse_identification, parse_report
from loadlog.config import Config
from loadlog.model.errors import UsageError

PORT = "/dev/virtual"


def run(bench: Bench, search: Search = Search(kinds=("modbus-rtu",))) -> list[Found | Hint | Progress]:  # noqa: B008 - frozen
    return list(scan(PORT, bench.clock, search, link_of=bench.link, stream_of=bench.stream))


def found(findings: list[Found | Hint | Progress]) -> list[tuple[int | None, str, str]]:
    return [(f.unit, f.setting, f.how) for f in findings if isinstance(f, Found)]


def test_units_are_found_at_the_baud_rate_of_their_line() -> None:
    bench = Bench(Unit(1, {0: 1}), Unit(5, {0: 1}), baudrate=38400)
    assert found(run(bench)) == [(1, "38400 8N1", "answers"), (5, "38400 8N1", "answers")]


def test_an_exception_response_is_an_answer() -> None:
    bench = Bench(Unit(3, {100: 1}))
    ((unit, _, how),) = found(run(bench))
    assert unit == 3
    assert "exception 2" in how


def test_parity_is_found() -> None:
    bench = Bench(Unit(1, {0: 1}), baudrate=19200, parity="E")
    assert found(run(bench)) == [(1, "19200 8E1", "answers")]


def test_unusual_units_are_found_in_the_second_round() -> None:
    bench = Bench(Unit(1, {0: 1}), Unit(231, {0: 1}))
    assert [unit for unit, _, _ in found(run(bench))] == [1, 231]


def test_other_settings_are_left_out_once_somebody_answers() -> None:
    bench = Bench(Unit(1, {0: 1}), baudrate=9600)
    tried = {f.doing.split(",")[0] for f in run(bench) if isinstance(f, Progress)}
    assert tried == {"modbus-rtu 9600 8N1", "done"}


def test_only_the_units_asked_for() -> None:
    bench = Bench(Unit(1, {0: 1}), Unit(7, {0: 1}))
    assert [unit for unit, _, _ in found(run(bench, Search(units=(7,), kinds=("modbus-rtu",))))] == [7]


def test_silence_gives_advice_in_order() -> None:
    hints = [f.text for f in run(Bench(), Search(units=(1,), kinds=("modbus-rtu",))) if isinstance(f, Hint)]
    text = "\n".join(hints)
    assert text.index("switched on") < text.index("A and B") < text.index("120 Ω")


def test_unreadable_answers_point_to_the_setting() -> None:
    bench = Bench(Unit(1, {0: 1}), baudrate=4_800)
    bench.is_noisy = True
    search = Search(baudrates=(9600,), parities=("N",), units=(1,), kinds=("modbus-rtu",))
    assert any("wrong baud rate" in f.text for f in run(bench, search) if isinstance(f, Hint))


def test_progress_grows_and_ends_full() -> None:
    steps = [f for f in run(Bench(Unit(1, {0: 1}))) if isinstance(f, Progress)]
    assert [s.done for s in steps] == sorted(s.done for s in steps)
    assert steps[-1].done == steps[-1].total
    assert all(s.left_s >= 0 for s in steps)


def test_the_lines_for_the_configuration_are_accepted() -> None:
    (item,) = [f for f in run(Bench(Unit(4, {0: 1}), parity="E")) if isinstance(f, Found)]
    config = Config.model_validate({"bench": {"name": "b"}, **tomllib.loads(item.config)})
    assert config.device[0].unit_id == 4
    assert config.bus[0].parity == "E"


@pytest.mark.parametrize("target", ["COM3", "ttyUSB0", "host", "host:", ":502x"])
def test_what_is_no_port_is_refused(target: str) -> None:
    with pytest.raises(UsageError, match="host:port"):
        bus_at(target)


def test_addresses() -> None:
    assert bus_at("192.0.2.1:502").kind == "modbus-tcp"
    assert bus_at("[2001:db8::1]:502").host == "2001:db8::1"
    assert bus_at("/dev/serial/by-path/pci-0:1:1.0-port0").port.endswith("port0")
    with pytest.raises(UsageError, match="does not go with"):
        bus_at("192.0.2.1:502", "modbus-rtu")
    with pytest.raises(UsageError, match="baudrate"):
        bus_at("/dev/ttyS0", baudrate=7)


def test_identification_objects() -> None:
    """Layout: Modbus Application Protocol V1.1b3, 6.21 (from memory): code, level, conformity, more, next, count, then id, length, text."""
    pdu = bytes([0x2B, 0x0E, 1, 1, 0, 0, 2, 0, 3]) + b"ACE" + bytes([1, 2]) + b"X1"
    assert parse_identification(pdu) == {"vendor": "ACE", "product": "X1"}
    assert parse_identification(pdu[:-1]) == {"vendor": "ACE", "product": "X"}
    assert parse_identification(b"\xab\x01") == {}


def test_server_id() -> None:
    """Layout: 6.13 (from memory): function, byte count, then what the maker likes."""
    assert parse_report(bytes([0x11, 7]) + b"LOAD1\x00\xff") == {"server id": "LOAD1"}
    assert parse_report(bytes([0x11, 2, 0x4C, 0xFF])) == {"server id": "4c ff"}
    assert parse_report(bytes([0x91, 1])) == {}
