"""A serial port by its stable name: exclusive, raw, with little latency.

Opened through pyserial, then read and written directly, without blocking. Two locks keep others out: flock (pyserial's ``exclusive``,
which only programs that ask for it respect) and TIOCEXCL (which the kernel enforces, except against root). The port is opened by its
name each time, so a link under /dev/serial/by-id finds an adapter that was plugged in elsewhere.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import getpass
import grp
import os
import termios
from pathlib import Path

import serial
from serial import rs485

from loadlog.bus.descriptor import Descriptor
from loadlog.config import BusConfig
from loadlog.model.errors import BusError

_PTY_MAJORS = range(136, 144)  # Unix98 pseudo-terminal slaves, Documentation/admin-guide/devices.txt
_NO_UART = ("ttyACM", "ttyGS")  # instrument or gadget with USB of its own: the baud rate is a formality
_SLOW_LATENCY_MS = 1


class SerialPort(Descriptor):
    """See `link.Stream`. ``sysfs`` is where the kernel shows its devices (tests give another place)."""

    line_paced = True

    def __init__(self, config: BusConfig, sysfs: Path = Path("/sys")) -> None:
        super().__init__(config.port)
        self._config = config
        self._sysfs = sysfs
        self._serial: serial.Serial | None = None

    def open(self) -> None:
        """See `link.Stream`."""
        if self.is_open:
            return
        try:
            port = serial.Serial(
                self._config.port,
                self._config.baudrate,
                parity=self._config.parity,
                stopbits=self._config.stop_bits,
                timeout=0,
                exclusive=True,
            )
        except (OSError, ValueError, termios.error) as exc:
            raise self._refused(exc) from exc
        fd = port.fileno()
        try:
            fcntl.ioctl(fd, termios.TIOCEXCL)
            _make_raw(fd)
            self._warnings = self._tune(port)
            self.half_duplex = _is_a_wire(fd, self._config.port)
        except (OSError, termios.error) as exc:
            port.close()
            raise self._refused(exc) from exc
        self._serial, self._fd = port, fd

    def close(self) -> None:
        """See `link.Stream`."""
        port, self._serial = self._serial, None
        super().close()
        if port is None:
            return
        with contextlib.suppress(OSError, termios.error):
            fcntl.ioctl(port.fileno(), termios.TIOCNXCL)  # the mark outlives us where another process holds the port open
        with contextlib.suppress(OSError):
            port.close()

    def _tune(self, port: serial.Serial) -> tuple[str, ...]:
        """Low latency and RS-485 direction where the driver has them; what it has not, as warnings."""
        with contextlib.suppress(ValueError, OSError, NotImplementedError):
            port.set_low_latency_mode(True)  # a pseudo-terminal has none; an adapter's timer is read back below
        found = []
        latency_ms = self._latency_timer_ms()
        if latency_ms is not None and latency_ms > _SLOW_LATENCY_MS:
            found.append(
                f"{self._address}: the USB adapter's latency timer stands at {latency_ms} ms and could not be set to 1 ms: "
                f'every transaction takes a multiple of it (udev rule: ACTION=="add", SUBSYSTEM=="usb-serial", ATTR{{latency_timer}}="1")'
            )
        if self._config.rs485:
            try:
                port.rs485_mode = rs485.RS485Settings()
            except (ValueError, OSError, NotImplementedError):
                found.append(
                    f"{self._address}: the driver cannot switch an RS-485 transmitter "
                    "(adapters that switch by themselves need no rs485 = true)"
                )
        return tuple(found)

    def _latency_timer_ms(self) -> int | None:
        name = os.path.basename(os.path.realpath(self._config.port))
        try:
            return int((self._sysfs / "class" / "tty" / name / "device" / "latency_timer").read_text())
        except (OSError, ValueError):
            return None

    def _refused(self, exc: BaseException) -> BusError:
        what, hint = _explain(_error_number(exc), self._config.port, exc)
        return BusError(what, where=self._address, hint=hint, retryable=True)


def _error_number(exc: BaseException | None) -> int:
    """The system's error number; pyserial hides some of them in the exception that it was handling."""
    while exc is not None:
        code = getattr(exc, "errno", None) or (exc.args[0] if exc.args else None)
        if isinstance(code, int):
            return code
        exc = exc.__context__
    return 0


def _explain(code: int, port: str, exc: BaseException) -> tuple[str, str]:
    """What is wrong and what to do, for an error number of opening ``port``."""
    if code in (errno.ENOENT, errno.ENXIO, errno.ENODEV):
        return "there is no such port", "plug the adapter in; ls -l /dev/serial/by-id lists the ports by stable name"
    if code in (errno.EACCES, errno.EPERM):
        group = _group_of(port)
        return f"not permitted for user {_user()}", f"sudo usermod -aG {group} {_user()}, then log in anew"
    if code in (errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK):
        return "another program has the port open", f"stop it, or look at the page where it is loadlog serve; fuser -v {port} names it"
    if code in (errno.ENOTTY, errno.EINVAL, errno.EISDIR):
        return "not a serial port, or one that does not take these settings", "check port, baudrate, parity and stop_bits"
    return f"cannot be opened: {exc}", "check the adapter and its cable"


def _group_of(port: str) -> str:
    try:
        name = grp.getgrgid(os.stat(port).st_gid).gr_name
    except (OSError, KeyError):
        return "dialout"
    return "dialout" if name == "root" else name


def _user() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return str(os.getuid())


def _make_raw(fd: int) -> None:
    """What pyserial leaves open: with VMIN 1 an empty read means the port has hung up, and a break does not empty the buffers."""
    attributes = termios.tcgetattr(fd)
    attributes[0] &= ~(termios.BRKINT | termios.IGNPAR)
    attributes[6][termios.VMIN], attributes[6][termios.VTIME] = 1, 0
    termios.tcsetattr(fd, termios.TCSANOW, attributes)


def _is_a_wire(fd: int, port: str) -> bool:
    """True for a UART, where nothing can answer before the request has left; not for pseudo-terminals and USB devices without one."""
    if os.major(os.fstat(fd).st_rdev) in _PTY_MAJORS:
        return False
    return not os.path.basename(os.path.realpath(port)).startswith(_NO_UART)
