"""Opening a port: what is refused, how it is said, what is warned of."""

from __future__ import annotations

import os
import pty
import re
import termios
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from loadlog.bus import SystemClock, open_link
from loadlog.bus.serial_port import SerialPort
from loadlog.config import BusConfig
from loadlog.model.errors import BusError
from loadlog.model.wire import LinkFailure, LinkTraits, ModbusRead

NOBODY = 65534


@pytest.fixture
def line() -> Iterator[tuple[int, str]]:
    """The master's descriptor and the slave's name; nobody has the slave open."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    name = os.ttyname(slave)
    os.close(slave)
    yield master, name
    os.close(master)


@pytest.fixture
def slave(line: tuple[int, str]) -> str:
    return line[1]


def config(port: str | Path, **more: object) -> BusConfig:
    return BusConfig.model_validate({"name": "rack", "kind": "modbus-rtu", "port": str(port), **more})


def refusal(port: str | Path) -> str:
    with pytest.raises(BusError) as caught:
        open_link(config(port), SystemClock()).open()
    error = caught.value
    assert error.exit_status == 3
    assert error.__cause__ is not None
    text = str(error)
    assert "\n" not in text
    assert str(port) in text
    assert error.hint
    return text


def as_nobody(action: Callable[[], None]) -> int:
    """Run ``action`` in a child without privileges; its exit status, 1 for any exception."""
    child = os.fork()
    if child == 0:
        try:
            os.setgroups([])
            os.setgid(NOBODY)
            os.setuid(NOBODY)
            action()
            os._exit(0)
        except BaseException:
            os._exit(1)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def test_missing(tmp_path: Path) -> None:
    text = refusal(tmp_path / "gone")
    assert "no such port" in text
    assert "/dev/serial/by-id" in text


def test_link_that_leads_nowhere(tmp_path: Path) -> None:
    (tmp_path / "by-id").symlink_to("/dev/ttyGONE9")
    assert "no such port" in refusal(tmp_path / "by-id")


@pytest.mark.parametrize("kind", ["file", "folder"])
def test_not_a_serial_port(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "thing"
    path.mkdir() if kind == "folder" else path.write_text("")
    assert "not a serial port" in refusal(path)


def test_busy(slave: str) -> None:
    first = open_link(config(slave), SystemClock())
    first.open()
    said = refusal(slave)
    assert "another program has the port open" in said
    assert "look at the page where it is loadlog serve" in said, "whoever reads a load while the service runs must not stop the service"
    first.close()
    second = open_link(config(slave), SystemClock())
    second.open()
    assert second.is_open
    second.close()


@pytest.mark.skipif(os.getuid() != 0, reason="needs root to become another user")
def test_busy_for_programs_that_ask_for_no_lock(slave: str) -> None:
    """TIOCEXCL: flock alone does not keep out a terminal program."""
    os.chmod(slave, 0o666)

    def plainly_open() -> None:
        os.close(os.open(slave, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK))

    assert as_nobody(plainly_open) == 0
    link = open_link(config(slave), SystemClock())
    link.open()
    assert as_nobody(plainly_open) == 1
    link.close()
    assert as_nobody(plainly_open) == 0


@pytest.mark.skipif(os.getuid() != 0, reason="needs root to become another user")
def test_not_permitted(slave: str) -> None:
    os.chmod(slave, 0o600)

    def say_why() -> None:
        try:
            open_link(config(slave), SystemClock()).open()
        except BusError as exc:
            found = re.fullmatch(rf"{slave}: not permitted for user (\S+) \(sudo usermod -aG \S+ \1, then log in anew\)", str(exc))
            os._exit(42 if found else 43)

    assert as_nobody(say_why) == 42


def test_open_and_close_may_be_repeated(slave: str) -> None:
    link = open_link(config(slave), SystemClock())
    assert not link.is_open
    link.close()
    for _ in range(2):
        link.open()
        link.open()
        assert link.is_open
        link.close()
        link.close()
    assert link.counters.reopened == 1


def test_transaction_on_a_closed_link_is_a_lost_port(slave: str) -> None:
    answer = open_link(config(slave), SystemClock()).transact(1, ModbusRead(3, 0, 1), LinkTraits())
    assert isinstance(answer, LinkFailure)
    assert answer.cause == "port_lost"


@pytest.mark.parametrize(("timer", "warned"), [("16", True), ("1", False), ("", False), (None, False)])
def test_latency_timer_of_a_usb_adapter(slave: str, tmp_path: Path, timer: str | None, warned: bool) -> None:
    folder = tmp_path / "class" / "tty" / os.path.basename(slave) / "device"
    folder.mkdir(parents=True)
    if timer is not None:
        (folder / "latency_timer").write_text(timer + "\n")
    port = SerialPort(config(slave), sysfs=tmp_path)
    port.open()
    assert bool(port.warnings) is warned
    if warned:
        assert "16 ms" in port.warnings[0]
        assert "udev" in port.warnings[0]
    port.close()


def test_driver_without_rs485_is_warned_of(slave: str) -> None:
    link = open_link(config(slave, rs485=True), SystemClock())
    link.open()
    assert "RS-485" in link.warnings[0]
    link.close()


@pytest.mark.parametrize("baudrate", [300, 9600, 250_000, 4_000_000])
@pytest.mark.parametrize("parity", ["N", "E", "O"])
@pytest.mark.parametrize("stop_bits", [1, 2])
def test_settings_are_taken(line: tuple[int, str], baudrate: int, parity: str, stop_bits: int) -> None:
    """Read back over the master. A pseudo-terminal forgets whether there is parity, but not of which kind; termios has no 250,000."""
    master, slave = line
    link = open_link(config(slave, baudrate=baudrate, parity=parity, stop_bits=stop_bits), SystemClock())
    link.open()
    _, _, control, _, *speeds, _ = termios.tcgetattr(master)
    link.close()
    assert bool(control & termios.CSTOPB) is (stop_bits == 2)
    assert bool(control & termios.PARODD) is (parity == "O")
    if baudrate != 250_000:
        assert speeds == [getattr(termios, f"B{baudrate}")] * 2
