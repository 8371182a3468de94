"""The Modbus RTU conversation of one master on one line.

Source: MODBUS over Serial Line V1.02, 2.5.1.1 (frames are parted by 3.5 characters of silence), 2.4.1 (time-out of the master).

Invariants:
 - No request leaves before the line has been silent for 3.5 characters, or for the device's own quiet time if that is longer, since the
   last character sent or received; what comes meanwhile is read and dropped.
 - No answer is taken that does not fit its request in unit, function, exact length and CRC, or that is not alone.
 - Two registers of one unit give answers that look the same, so content cannot tell a late answer from the right one. Therefore, after
   a time-out or an answer that breaks off or does not fit, the line is held until the late answer has passed or one more time-out has
   elapsed. Nothing is repeated here: a repetition would put the device one answer behind for ever.
 - A transaction that has begun is carried to its end.
 - An answer later still is met by asking first what must be answered differently (`doubt`).
 - A unit whose answers have wrong lengths is given time instead, because its length tells nothing (`doubt`).

An instrument that answers later than ten time-outs, or twice with a pause longer than a request takes, is beyond what Modbus RTU can tell
apart; a longer ``timeout_s`` or ``quiet_s`` in its profile is the cure.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from loadlog.bus.doubt import LASTS_TIMEOUTS, Doubts
from loadlog.bus.framing import (
    ANY_TAIL,
    LEAST_FRAME_BYTES,
    answer_bytes,
    answer_sizes,
    diagnose,
    exact_answer,
    find_answer,
    has_passed,
    looks_like_answer,
)
from loadlog.bus.link import LinkBase, PortLostError, Stream
from loadlog.bus.pdu import Exchange, Fault, decode, exchange, is_exception
from loadlog.model.clock import NS, Clock
from loadlog.model.errors import BusError
from loadlog.model.sample import FailureCause
from loadlog.model.wire import Line, LinkFailure, LinkTraits, ModbusRead, ModbusWrite, Reply, Request

_WAKE_EARLY_NS = 150_000  # a sleep may end so much late on a busy machine; the rest is waited for byte by byte
_MOST_BYTES = 600  # two frames of the greatest length and some noise; a line that says more does not answer
_BABBLE_S = 1.0  # a line that is never silent for so long, beyond the device's time-out, is not ours alone


@dataclass(slots=True)
class _Hold:
    """The line is not used before ``until_ns`` unless the answer to ``call`` passes, of which ``heard`` came already."""

    call: Exchange
    until_ns: int
    heard: bytearray


class RtuLink(LinkBase):
    """See `link.Link`. ``echo``: every character sent is heard as well (two-wire); found out by itself at the first read otherwise."""

    def __init__(self, port: Stream, line: Line, clock: Clock, *, echo: bool = False) -> None:
        super().__init__(port, clock)
        self._character_ns = int(line.characters_s(1) * NS)
        self._silence_ns = int(line.silence_s * NS)
        self._echo = echo
        self._echo_found = False
        self._hold: _Hold | None = None
        self._doubts = Doubts()
        self._last_ns = clock.monotonic_ns()  # when the last character stood on the line

    @property
    def warnings(self) -> tuple[str, ...]:
        """See `link.Link`."""
        if self._echo_found:
            return (*self._port.warnings, "the line gives back every character sent: set echo = true for this bus")
        return self._port.warnings

    def _reset(self) -> None:
        self._hold = None
        self._last_ns = self._now()

    def transact(self, unit: int, request: Request, traits: LinkTraits) -> Reply | LinkFailure:
        """See `link.Link`."""
        if not isinstance(request, ModbusRead | ModbusWrite):
            raise BusError(f"{request} cannot be sent on a Modbus line")
        call = exchange(unit, request, traits.write_reply_words)
        now_ns = self._now()
        if not self._port.is_open:
            return self._lost(request, now_ns, "the port is not open")
        if self._doubts.must_rest(unit, now_ns):
            detail = "not asked: after answers of wrong lengths, only time shows that no late one is under way"
            return self._fail(request, FailureCause.SKIPPED, detail, now_ns)
        try:
            self._sit_out()
            while probe := self._doubts.probe(call, self._now()):
                outcome = self._once(probe, traits)
                if isinstance(outcome, LinkFailure) and outcome.cause is not FailureCause.EXCEPTION:
                    return replace(outcome, request=request)
            return self._once(call, traits)
        except PortLostError as exc:
            return self._lost(request, now_ns, str(exc))

    def _once(self, call: Exchange, traits: LinkTraits) -> Reply | LinkFailure:
        """One request and its answer, after the silence that it needs."""
        if not self._wait_for_silence(traits):
            detail = f"the line is never silent for {self._silence_ns / 1e6:.3g} ms: another master, or noise"
            return self._fail(call.request, FailureCause.WRONG_REPLY, detail, self._now())
        return self._answer(call, traits, self._send(call))

    def _wait_for_silence(self, traits: LinkTraits) -> bool:
        """Wait until nothing has come for the silence; False when that never happens."""
        self._sit_out()
        quiet_ns = max(self._silence_ns, int(traits.quiet_s * NS))
        give_up_ns = 0
        while True:
            self._clock.sleep_until(self._last_ns + quiet_ns)
            stale = self._port.read(0.0)
            if not stale:
                return True
            self._last_ns = self._now()
            self._tally.bytes_in += len(stale)
            self._tally.stale_dropped += 1
            give_up_ns = give_up_ns or self._last_ns + int((traits.timeout_s + _BABBLE_S) * NS)
            if self._last_ns > give_up_ns:
                return False

    def _sit_out(self) -> None:
        """Hold the line while the answer to a request that failed may come."""
        hold, self._hold = self._hold, None
        if hold is None:
            return
        begun_ns = now_ns = self._now()
        while now_ns < hold.until_ns and len(hold.heard) <= _MOST_BYTES:
            if data := self._port.read((hold.until_ns - now_ns) / NS):
                self._arrived(data)
                hold.heard += data
                if pdu := find_answer(hold.call, hold.heard, ANY_TAIL):
                    self._tally.stale_dropped += 1
                    settle = self._doubts.refused if is_exception(pdu) else self._doubts.answered
                    settle(hold.call.unit)
                    break
            now_ns = self._now()
        self._doubts.heard(hold.call, answer_sizes(hold.call, hold.heard), now_ns)
        self._tally.hold_s += (self._now() - begun_ns) / NS

    def _send(self, call: Exchange) -> int:
        """Send the request; returns when its first character left."""
        t_ns = self._now()
        self._tally.silence(t_ns - self._last_ns)
        self._tally.transactions += 1
        self._tally.bytes_out += len(call.frame)
        self._last_ns = t_ns + len(call.frame) * self._character_ns
        self._port.write(call.frame)
        return t_ns

    def _answer(self, call: Exchange, traits: LinkTraits, t_request_ns: int) -> Reply | LinkFailure:
        heard = bytearray()
        sent_ns = self._last_ns
        fault = self._hear_echo(call, traits, heard, sent_ns) if self._echo else None
        pdu = b"" if fault else self._listen(call, traits, heard, sent_ns)
        verdict = fault or (decode(call, pdu) if pdu else diagnose(call, heard, traits.timeout_s))
        if not isinstance(verdict, Fault):
            self._doubts.answered(call.unit)
            return Reply(call.request, verdict, "", t_request_ns, self._last_ns)
        failure = self._fail(call.request, verdict.cause, verdict.detail, t_request_ns, verdict.exception_code)
        self._doubts.heard(call, answer_sizes(call, heard), failure.t_end_ns)
        if self._is_answer_owed(call, pdu, heard):
            timeout_ns = int(traits.timeout_s * NS)
            self._hold = _Hold(call, failure.t_end_ns + timeout_ns, heard)
            self._doubts.owes(call, failure.t_end_ns + LASTS_TIMEOUTS * timeout_ns)
            if pdu:
                self._doubts.refused(call.unit)
        return failure

    def _is_answer_owed(self, call: Exchange, pdu: bytes, heard: bytearray) -> bool:
        """True when the answer may still come. An exception response does not say to which request it belongs."""
        if pdu:
            return is_exception(pdu) and self._doubts.concern(call.unit)
        return not has_passed(call, heard)

    def _listen(self, call: Exchange, traits: LinkTraits, heard: bytearray, sent_ns: int) -> bytes:
        """The PDU of the answer, or nothing; ``heard`` gets all that came, without an echo."""
        first_ns = end_ns = sent_ns + int(traits.timeout_s * NS)
        while True:
            if heard and (pdu := _recognise(call, heard)):
                return pdu
            if len(heard) > _MOST_BYTES:
                return b""
            left_ns = end_ns - self._now()
            data = self._port.read(max(0, left_ns) / NS)  # also when the time is over: a busy machine may have woken us too late
            if not data:
                if left_ns > 0:
                    continue
                return find_answer(call, heard, LEAST_FRAME_BYTES - 1)
            now_ns = self._arrived(data)
            if now_ns < sent_ns and self._port.half_duplex and not call.frame.startswith(heard + data):
                self._tally.stale_dropped += 1  # nothing can answer before the request has left
                continue
            begins = not heard
            heard += data
            self._strip_undeclared_echo(call, heard)
            if begins:
                self._sleep_through(call, heard, now_ns)
            end_ns = self._listen_until(call, traits, heard, now_ns, first_ns)

    def _arrived(self, data: bytes) -> int:
        self._last_ns = now_ns = self._now()
        self._tally.bytes_in += len(data)
        return now_ns

    def _missing(self, call: Exchange, heard: bytearray) -> int:
        """Characters that the frame still needs, by what is known of its length."""
        return max(0, answer_bytes(call, heard) - len(heard)) if heard else 0

    def _sleep_through(self, call: Exchange, heard: bytearray, now_ns: int) -> None:
        """Sleep until the rest of the frame can be there. Once an answer: characters that came meanwhile are in the port's buffer, and a
        second sleep would count their time again."""
        missing = self._missing(call, heard)
        if missing > 1 and self._port.line_paced:
            self._clock.sleep_until(now_ns + missing * self._character_ns - _WAKE_EARLY_NS)

    def _listen_until(self, call: Exchange, traits: LinkTraits, heard: bytearray, now_ns: int, first_ns: int) -> int:
        """Until when to go on listening for the rest."""
        if not heard:
            return first_ns
        end_ns = now_ns + self._missing(call, heard) * self._character_ns + self._gap_ns(traits)
        return end_ns if looks_like_answer(call, heard) else max(first_ns, end_ns)

    def _strip_undeclared_echo(self, call: Exchange, heard: bytearray) -> None:
        """A write's echo looks like its answer and cannot be told apart; a read's can, and the line is known from then on."""
        if not self._echo and isinstance(call.request, ModbusRead) and heard.startswith(call.frame):
            self._echo = self._echo_found = True
            del heard[: len(call.frame)]

    def _hear_echo(self, call: Exchange, traits: LinkTraits, heard: bytearray, sent_ns: int) -> Fault | None:
        """Wait for the characters just sent; what came behind them is left in ``heard``."""
        if self._port.line_paced:
            self._clock.sleep_until(sent_ns - _WAKE_EARLY_NS)
        size = len(call.frame)
        end_ns = sent_ns + int(traits.timeout_s * NS)
        left_ns = 1
        while len(heard) < size and left_ns > 0:
            left_ns = end_ns - self._now()
            if data := self._port.read(max(0, left_ns) / NS):
                self._arrived(data)
                heard += data
        if heard.startswith(call.frame):
            del heard[:size]
            return None
        if not heard:
            return Fault(FailureCause.TIMEOUT, "not even the echo of the request came back: transmitter off, or no echo on this line")
        return Fault(FailureCause.WRONG_REPLY, f"echo differs from the request: collision or noise: {heard[:16].hex(' ')}")


def _recognise(call: Exchange, heard: bytearray) -> bytes:
    """The PDU once the answer is complete."""
    if pdu := exact_answer(call, heard):
        return pdu
    if len(heard) < answer_bytes(call, heard) and looks_like_answer(call, heard):
        return b""
    return find_answer(call, heard)
