"""Wire faults: what becomes of an answer on its way. Pure; chance comes from the generator that is passed.

An answer is a list of transmissions (delay after the proper moment, bytes). The faults of one instrument apply one after another to
what the ones before have left. `Alteration` records each, so that a test can say which answers were touched.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from loadlog.sim import frames
from loadlog.sim.noise import Chance
from loadlog.sim.timetable import Fault


@dataclass(frozen=True, slots=True)
class Transmission:
    """``data`` goes out ``delay_s`` after the moment at which a sound answer would begin, after what stands before it."""

    data: bytes
    delay_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Exchange:
    """One request and the sound answer to it. ``answer_other``: the PDU that would answer the request moved by so many addresses.
    ``framing``: ``rtu``, ``mbap`` or ``scpi``."""

    framing: str
    unit: int
    request_pdu: bytes
    answer_pdu: bytes
    transaction: int = 0
    answer_other: Callable[[int], bytes] | None = None

    def frame(self, pdu: bytes | None = None, unit: int | None = None, transaction: int | None = None) -> bytes:
        """The answer as it goes over the wire."""
        pdu = self.answer_pdu if pdu is None else pdu
        unit = self.unit if unit is None else unit
        if self.framing == "rtu":
            return frames.rtu_frame(unit, pdu)
        if self.framing == "mbap":
            return frames.mbap_frame(self.transaction if transaction is None else transaction, unit, pdu)
        return pdu


@dataclass(frozen=True, slots=True)
class Alteration:
    """An answer that a fault has touched: ``faults`` in the order in which they applied."""

    t_ns: int
    instrument: str
    faults: tuple[str, ...]
    request_pdu: bytes
    sent: bytes


@dataclass
class WireFaults:
    """The wire faults in force on one line. ``active`` is replaced as a whole, so another thread may read it at any time."""

    rng: Chance
    active: tuple[Fault, ...] = ()
    echo: bool = False
    last_frames: dict[str, bytes] = field(default_factory=dict)

    def begin(self, fault: Fault) -> None:
        """From now on."""
        if fault.name == "echo":
            self.echo = True
        else:
            self.active = (*self.active, fault)

    def end(self, fault: Fault) -> None:
        """No longer."""
        if fault.name == "echo":
            self.echo = False
        else:
            self.active = tuple(f for f in self.active if f is not fault and f != fault)

    def answer(self, line: str, instrument: str, exchange: Exchange) -> tuple[list[Transmission], tuple[str, ...]]:
        """What goes out instead of the sound answer, and which faults did it."""
        sound = exchange.frame()
        out = [Transmission(sound)]
        hit = [f for f in self.active if f.target in (line, instrument) and self.rng.random() < float(f.params.get("share", 1.0))]
        if hit:
            for fault in sorted(hit, key=lambda f: _ORDER.index(f.name)):
                out = _ALTER[fault.name](self, instrument, exchange, fault.params, out)
        self.last_frames[instrument] = sound
        return out, tuple(f.name for f in hit)


Params = Mapping[str, float | str]
Out = list[Transmission]


def _each(out: Sequence[Transmission], change: Callable[[bytes], bytes]) -> Out:
    return [Transmission(change(t.data), t.delay_s) for t in out]


def _silent(_w: WireFaults, _i: str, _x: Exchange, _p: Params, _out: Out) -> Out:
    return []


def _late(_w: WireFaults, _i: str, _x: Exchange, p: Params, out: Out) -> Out:
    return [Transmission(t.data, t.delay_s + float(p["delay_s"])) for t in out]


def _corrupt(w: WireFaults, _i: str, _x: Exchange, p: Params, out: Out) -> Out:
    def flip(data: bytes) -> bytes:
        changed = bytearray(data)
        for bit in w.rng.sample(range(8 * len(changed)), min(int(p["bits"]), 8 * len(changed))):
            changed[bit // 8] ^= 1 << (bit % 8)
        return bytes(changed)

    return _each(out, flip)


def _truncate(_w: WireFaults, _i: str, _x: Exchange, p: Params, out: Out) -> Out:
    return _each(out, lambda data: data[: int(p["keep"])])


def _drop_byte(w: WireFaults, _i: str, _x: Exchange, _p: Params, out: Out) -> Out:
    def drop(data: bytes) -> bytes:
        at = w.rng.randrange(len(data)) if data else 0
        return data[:at] + data[at + 1 :]

    return _each(out, drop)


def _foreign_unit(_w: WireFaults, _i: str, x: Exchange, p: Params, _out: Out) -> Out:
    return [Transmission(x.frame(unit=int(p["unit"])))]


def _wrong_register(_w: WireFaults, _i: str, x: Exchange, p: Params, out: Out) -> Out:
    if x.answer_other is None:
        return out
    return [Transmission(x.frame(x.answer_other(int(p["offset"]))))]


def _wrong_function(_w: WireFaults, _i: str, x: Exchange, _p: Params, _out: Out) -> Out:
    other = {3: 4, 4: 3, 1: 2, 2: 1}.get(x.answer_pdu[0], x.answer_pdu[0] ^ 1)
    return [Transmission(x.frame(bytes((other,)) + x.answer_pdu[1:]))]


def _registers(x: Exchange, change: Callable[[bytes], bytes], out: Out) -> Out:
    if x.answer_pdu[0] not in (3, 4):
        return out
    data = change(x.answer_pdu[2:])
    return [Transmission(x.frame(bytes((x.answer_pdu[0], len(data))) + data))]


def _too_few(_w: WireFaults, _i: str, x: Exchange, _p: Params, out: Out) -> Out:
    return _registers(x, lambda data: data[:-2], out)


def _too_many(_w: WireFaults, _i: str, x: Exchange, _p: Params, out: Out) -> Out:
    return _registers(x, lambda data: data + b"\x2a\x2a", out)


def _previous(w: WireFaults, i: str, _x: Exchange, _p: Params, out: Out) -> Out:
    return [Transmission(w.last_frames[i])] if i in w.last_frames else out


def _duplicate(_w: WireFaults, _i: str, _x: Exchange, _p: Params, out: Out) -> Out:
    return [*out, *out]


def _exception(_w: WireFaults, _i: str, x: Exchange, p: Params, _out: Out) -> Out:
    return [Transmission(x.frame(frames.exception_pdu(x.request_pdu[0], int(p["code"]))))]


def _garbage_before(w: WireFaults, _i: str, _x: Exchange, p: Params, out: Out) -> Out:
    return [Transmission(w.rng.randbytes(int(p["count"]))), *out]


def _garbage_after(w: WireFaults, _i: str, _x: Exchange, p: Params, out: Out) -> Out:
    return [*out, Transmission(w.rng.randbytes(int(p["count"])))]


def _foreign_transaction(_w: WireFaults, _i: str, x: Exchange, _p: Params, _out: Out) -> Out:
    return [Transmission(x.frame(transaction=(x.transaction + 0x1234) & 0xFFFF))]


# Faults that make another answer come first, then those that damage it, then those that time and repeat it.
_ALTER: Mapping[str, Callable[[WireFaults, str, Exchange, Params, Out], Out]] = {
    "exception_reply": _exception,
    "wrong_register": _wrong_register,
    "previous_reply": _previous,
    "too_few_registers": _too_few,
    "too_many_registers": _too_many,
    "wrong_function": _wrong_function,
    "foreign_unit": _foreign_unit,
    "foreign_transaction": _foreign_transaction,
    "corrupt_reply": _corrupt,
    "dropped_byte": _drop_byte,
    "truncated_reply": _truncate,
    "garbage_before": _garbage_before,
    "garbage_after": _garbage_after,
    "duplicate_reply": _duplicate,
    "late_reply": _late,
    "silent_unit": _silent,
}
_ORDER = list(_ALTER)
