"""The SCPI conversation: program messages out, response messages in, over a serial line or a TCP connection.

Source: IEEE 488.2-1992, 8.7 (response data; definite and indefinite length blocks in 8.7.9 and 8.7.10), SCPI-99 volume 1.

An answer names neither its question nor its turn, so after a time-out the line is held until the late answer has passed or four more
time-outs have elapsed (there is one instrument on it, nobody else waits), and whatever has come is dropped before the next message. An
answer later still cannot be told from the next one; a longer ``timeout_s`` in the profile is the cure. One message is under way at a time.
An answer with something behind it is not taken: one of the two belongs to an earlier question. Answers are passed on as they came, several
joined by ``;`` as one text; bytes of blocks come as the characters 0 to 255.
"""

from __future__ import annotations

import re

from loadlog.bus.link import LinkBase, PortLostError, Stream
from loadlog.model.clock import NS, Clock
from loadlog.model.errors import BusError
from loadlog.model.sample import FailureCause
from loadlog.model.wire import Line, LinkFailure, LinkTraits, Reply, Request, ScpiCommand, ScpiQuery

_LONGEST_ANSWER = 1 << 20
_BLOCK_HEAD = re.compile(rb"(?:^|[,;\s])#([1-9])")
_NOT_TEXT = re.compile(rb"[^\t\r\n\x20-\x7e]")
_HOLD_TIMEOUTS = 4
_BABBLE_S = 1.0


class ScpiLink(LinkBase):
    """See `link.Link`. ``line``: pace of the serial line, None over TCP; ``echo``: the instrument gives back each character."""

    def __init__(self, port: Stream, line: Line | None, clock: Clock, *, echo: bool = False) -> None:
        super().__init__(port, clock)
        self._character_ns = int(line.characters_s(1) * NS) if line else 0
        self._echo = echo
        self._hold_until_ns = 0
        self._held = bytearray()
        self._held_terminator = b"\n"
        self._last_ns = clock.monotonic_ns()

    def _reset(self) -> None:
        self._hold_until_ns = 0
        self._last_ns = self._now()

    def transact(self, unit: int, request: Request, traits: LinkTraits) -> Reply | LinkFailure:
        """See `link.Link`."""
        if not isinstance(request, ScpiQuery | ScpiCommand):
            raise BusError(f"{request} is no SCPI message")
        message = _message(request, traits)
        t_request_ns = self._now()
        if not self._port.is_open:
            return self._lost(request, t_request_ns, "the port is not open")
        try:
            if not self._wait_until_quiet(traits):
                return self._fail(request, FailureCause.WRONG_REPLY, "the instrument never stops talking", t_request_ns)
            t_request_ns = self._send(message)
            if isinstance(request, ScpiCommand):
                return Reply(request, (), "", t_request_ns, self._last_ns)
            return self._answer(request, message, traits, t_request_ns)
        except PortLostError as exc:
            return self._lost(request, t_request_ns, str(exc))

    def _wait_until_quiet(self, traits: LinkTraits) -> bool:
        if self._hold_until_ns:
            self._sit_out()
        give_up_ns = 0
        while True:
            self._clock.sleep_until(self._last_ns + int(traits.quiet_s * NS))
            stale = self._port.read(0.0)
            if not stale:
                return True
            self._arrived(stale)
            self._tally.stale_dropped += 1
            give_up_ns = give_up_ns or self._last_ns + int((traits.timeout_s + _BABBLE_S) * NS)
            if self._last_ns > give_up_ns:
                return False

    def _sit_out(self) -> None:
        begun_ns = now_ns = self._now()
        while now_ns < self._hold_until_ns and _end(self._held, self._held_terminator) < 0:
            data = self._port.read((self._hold_until_ns - now_ns) / NS)
            now_ns = self._now()
            if data:
                self._arrived(data)
                self._held += data
        if self._held:
            self._tally.stale_dropped += 1
        self._hold_until_ns = 0
        self._tally.hold_s += (now_ns - begun_ns) / NS

    def _send(self, message: bytes) -> int:
        t_ns = self._now()
        self._tally.silence(t_ns - self._last_ns)
        self._tally.transactions += 1
        self._tally.bytes_out += len(message)
        self._last_ns = t_ns + len(message) * self._character_ns
        self._port.write(message)
        return t_ns

    def _answer(self, request: ScpiQuery, message: bytes, traits: LinkTraits, t_request_ns: int) -> Reply | LinkFailure:
        terminator = traits.terminator.encode("ascii")
        heard = bytearray()
        self._listen(message, terminator, traits, heard)
        end = _end(heard, terminator)
        detail, cause = "", FailureCause.WRONG_REPLY
        if not heard:
            cause, detail = FailureCause.TIMEOUT, f"no answer within {traits.timeout_s:g} s"
        elif end < 0:
            cause, detail = FailureCause.SHORT, f"answer broke off after {len(heard)} characters: {_show(heard)}"
        elif heard[end + len(terminator) :].strip():
            detail = f"two answers to one question: {_show(heard)}"
        elif not _BLOCK_HEAD.search(heard) and _NOT_TEXT.search(heard):
            detail = f"answer is not text: {_show(heard)}"
        if not detail:
            text = heard[:end].decode("latin-1")
            return Reply(request, (), text.removesuffix("\r") if traits.terminator == "\n" else text, t_request_ns, self._last_ns)
        failure = self._fail(request, cause, detail, t_request_ns)
        timeout_ns = int(traits.timeout_s * NS)
        self._hold_until_ns = (
            max(failure.t_end_ns, t_request_ns + timeout_ns) + _HOLD_TIMEOUTS * timeout_ns
        )  # an answer may also break off and go on late
        self._held, self._held_terminator = (heard if end < 0 else bytearray()), terminator
        return failure

    def _listen(self, message: bytes, terminator: bytes, traits: LinkTraits, heard: bytearray) -> None:
        """Read into ``heard`` until the answer has ended, or until nothing has come for too long; an echo is taken away."""
        end_ns = self._last_ns + int(traits.timeout_s * NS)
        gap_ns = self._gap_ns(traits)
        echo = message if self._echo else b""
        while len(heard) < _LONGEST_ANSWER:
            left_ns = end_ns - self._now()
            data = self._port.read(max(0, left_ns) / NS)
            if not data:
                if left_ns > 0:
                    continue
                return
            self._arrived(data)
            heard += data
            if echo and heard.startswith(echo):
                del heard[: len(echo)]
                echo = b""
            if heard and not (echo and echo.startswith(heard)):
                end_ns = self._last_ns + gap_ns
                if _end(heard, terminator) >= 0:
                    return

    def _arrived(self, data: bytes) -> None:
        self._last_ns = self._now()
        self._tally.bytes_in += len(data)


def _message(request: ScpiQuery | ScpiCommand, traits: LinkTraits) -> bytes:
    """The program message with its terminator.

    Raises:
        BusError: not ASCII, or with a terminator inside.
    """
    if traits.terminator in request.text or not request.text.isascii():
        raise BusError(f"{request.text!r} is no SCPI message: ASCII only, without its terminator")
    return (request.text + traits.terminator).encode("ascii")


def _end(heard: bytearray, terminator: bytes) -> int:
    """Where the terminator of the first response message stands, -1 when it has not come; those inside a block do not count."""
    start = 0
    while True:
        end = heard.find(terminator, start)
        block = _BLOCK_HEAD.search(heard, start, len(heard) if end < 0 else end)
        if block is None:
            return end
        digits = int(block[1])
        size = heard[block.end() : block.end() + digits]
        if len(size) < digits:
            return -1
        start = block.end() + (digits + int(size) if size.isdigit() else 0)
        if start > len(heard):
            return -1


def _show(heard: bytearray) -> str:
    text = bytes(heard[:40]).decode("latin-1").encode("unicode_escape").decode("ascii")
    return f"'{text}'" + (" ..." if len(heard) > 40 else "")
