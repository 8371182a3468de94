"""What flows from the wire to the store: `Reading` or `PollFailure` (acquisition), then `Sample` (validation).

Quality follows OPC UA Part 4/8 (good, uncertain, bad), but a bad value is kept and marked. One poll gives one sample, failures too.
Instants are integer nanoseconds: ``t_utc_ns`` orders and is stored; ``t_mono_ns`` measures intervals and does not leave the process.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from enum import IntEnum, StrEnum
from types import MappingProxyType
from typing import Any

EMPTY: Mapping[str, str] = MappingProxyType({})


class Quality(IntEnum):
    """Ordered so that the worst of several is their maximum; the numbers are those of the line protocol."""

    GOOD = 0
    UNCERTAIN = 1
    BAD = 2


class FailureCause(StrEnum):
    """Why a poll gave no reading."""

    TIMEOUT = "timeout"
    CRC = "crc"
    SHORT = "short_reply"
    WRONG_UNIT = "wrong_unit"
    WRONG_REPLY = "wrong_reply"  # function, length or text is not an answer to the request
    EXCEPTION = "exception_response"
    PORT_LOST = "port_lost"
    SKIPPED = "skipped"  # not polled: the device is backed off, or the deadline had passed when the bus came free
    UNDECODABLE = "undecodable"


@dataclass(frozen=True, slots=True)
class Stamp:
    """Source timestamp: midpoint of request and reply, with its half-width as uncertainty.

    ``lateness_s``: how long after its deadline the poll's first request started, s.
    """

    t_utc_ns: int
    half_width_ns: int
    t_mono_ns: int = 0
    lateness_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Reading:
    """Decoded answers of one poll of one device, not yet judged.

    ``counts``: channel -> stored integer count (`quantity.Scale`), None when the instrument said not-a-number or the registers could
    not be decoded; ``reasons`` says which. Status channels are counts too: booleans 0/1, enumerations and bit fields their number.
    Channels that were not due in this poll are absent. ``texts``: decoded string channels (identity), usually empty.
    """

    device: str
    stamp: Stamp
    counts: Mapping[str, int | None]
    reasons: Mapping[str, str] = field(default_factory=lambda: EMPTY)
    texts: Mapping[str, str] = field(default_factory=lambda: EMPTY)


@dataclass(frozen=True, slots=True)
class PollFailure:
    """A poll that gave no reading, and why; ``detail`` is one line for people."""

    device: str
    stamp: Stamp
    cause: FailureCause
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Sample:
    """One validated poll of one device. The only thing that detectors accept.

    ``seq`` increases over all devices and is never reused (0: not yet numbered). ``values``: channel -> reading in its unit, None when
    unknown. Slow channels keep their last value between their polls and are marked in ``held``. ``quality`` is the worst of the
    *essential* channels (voltage, current and power for a load), ``uncertain``: channel -> reason for each channel that is not good;
    ``bad``: the channels among them that are bad. ``uncertainty``: channel -> standard uncertainty in the channel's unit.
    ``counts`` holds what the store keeps. ``failure`` is set, and everything else empty, when the poll failed.
    """

    seq: int
    device: str
    stamp: Stamp
    quality: Quality
    counts: Mapping[str, int | None]
    values: Mapping[str, float | None]
    status: Mapping[str, int]
    uncertainty: Mapping[str, float] = field(default_factory=dict)
    uncertain: Mapping[str, str] = field(default_factory=lambda: EMPTY)
    bad: frozenset[str] = frozenset()
    held: frozenset[str] = frozenset()
    failure: FailureCause | None = None
    detail: str = ""

    def good(self, channel: str) -> float | None:
        """The channel's value when its quality is good, else None."""
        if self.failure is not None or channel in self.uncertain:
            return None
        return self.values.get(channel)


class _Draft:
    """The same fields, not frozen yet: a frozen dataclass fills each field by a call, which is most of what a sample costs to read back."""

    __slots__ = tuple(f.name for f in fields(Sample))


class _DraftStamp:
    __slots__ = tuple(f.name for f in fields(Stamp))


def stamp_of(t_utc_ns: int, half_width_ns: int, t_mono_ns: int, lateness_s: float) -> Stamp:
    """As `sample_of`."""
    made: Any = _DraftStamp()
    made.t_utc_ns, made.half_width_ns, made.t_mono_ns, made.lateness_s = t_utc_ns, half_width_ns, t_mono_ns, lateness_s
    made.__class__ = Stamp
    return made  # type: ignore[no-any-return]


def sample_of(
    seq: int, device: str, stamp: Stamp, quality: Quality, counts: Mapping[str, int | None], values: Mapping[str, float | None],
    status: Mapping[str, int], uncertainty: Mapping[str, float], uncertain: Mapping[str, str], bad: frozenset[str], held: frozenset[str],
    detail: str,
) -> Sample:  # fmt: skip
    """The `Sample` of a poll that did not fail, for those who make one for every poll: four times as fast as its constructor."""
    made: Any = _Draft()
    made.seq, made.device, made.stamp, made.quality = seq, device, stamp, quality
    made.counts, made.values, made.status, made.uncertainty = counts, values, status, uncertainty
    made.uncertain, made.bad, made.held, made.failure, made.detail = uncertain, bad, held, None, detail
    made.__class__ = Sample
    return made  # type: ignore[no-any-return]
