"""Accuracy verification: readings of an instrument beside reference readings, held against its accuracy specification.

Error = reading − reference; limit = ± (% of reading + absolute) of the profile at that reading. The verdict has the guard band U = 2 u of
JCGM 106 (see `verdict`): u of the error is the reference's standard uncertainty, the rounding of the reading (resolution/√12) and the
scatter of the readings taken, in quadrature. Without the reference's uncertainty there is no verdict, only the error and its share of
the limit. The test-uncertainty ratio (TUR) is limit / U; below 4:1 common practice (no source) calls the reference too poor.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from loadlog.analysis.figure import COVERAGE_FACTOR
from loadlog.analysis.verdict import Decision
from loadlog.config import nearest
from loadlog.model.clock import format_utc, parse_utc
from loadlog.model.device import ChannelSpec, DeviceSpec
from loadlog.model.errors import UsageError
from loadlog.model.quantity import Accuracy

ENOUGH_RATIO = 4.0


@dataclass(frozen=True, slots=True)
class Reference:
    """A reference reading, and perhaps the instrument's reading that goes with it, in the channel's unit.

    ``u_reference``: standard uncertainty, None when nobody knows it. ``condition``: ``cold``, ``hot`` or empty. ``t_utc_ns``: when, None:
    now. ``source``: what the reference is.
    """

    channel: str
    reference: float
    reading: float | None = None
    u_reference: float | None = None
    condition: str = ""
    t_utc_ns: int | None = None
    source: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Point:
    """One comparison as it is stored: everything that the verdict needs, so that it can be formed again.

    ``reading``: mean of ``readings`` readings with standard deviation ``scatter``. ``percent_of_reading``, ``absolute``: the specification
    in force. ``temperature_c``: of the instrument at that time, None when not measured.
    """

    device: str
    channel: str
    unit: str
    t_utc_ns: int
    reading: float
    reference: float
    percent_of_reading: float
    absolute: float
    resolution: float
    u_reference: float | None = None
    readings: int = 1
    scatter: float = 0.0
    condition: str = ""
    temperature_c: float | None = None
    source: str = ""
    profile: str = ""
    note: str = ""

    @property
    def error(self) -> float:
        """Reading less reference."""
        return self.reading - self.reference

    @property
    def limit(self) -> float:
        """The bound of the specification at this reading."""
        return Accuracy(self.percent_of_reading, self.absolute).half_width(self.reading)

    @property
    def share(self) -> float:
        """Share of the limit that the error uses, 1 = all of it."""
        return abs(self.error) / self.limit if self.limit else math.inf

    @property
    def u_error(self) -> float | None:
        """Standard uncertainty of the error, None without that of the reference."""
        if self.u_reference is None:
            return None
        scatter = self.scatter / math.sqrt(self.readings)
        return math.hypot(self.u_reference, self.resolution / math.sqrt(12.0), scatter)

    @property
    def test_ratio(self) -> float | None:
        """Limit over expanded uncertainty of the error (TUR)."""
        u = self.u_error
        return None if not u else self.limit / (COVERAGE_FACTOR * u)

    def to_json(self) -> dict[str, Any]:
        """As stored, with the time as text."""
        data = asdict(self)
        data["t"] = format_utc(data.pop("t_utc_ns"))
        return data

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Point:
        """The inverse of `to_json`.

        Raises:
            UsageError: not such a record; says which part.
        """
        fields = dict(data)
        try:
            fields["t_utc_ns"] = parse_utc(str(fields.pop("t")))
            point = cls(**fields)
            numbers = (point.reading, point.reference, point.percent_of_reading, point.absolute, point.resolution, point.scatter)
            if not all(isinstance(n, int | float) and math.isfinite(n) for n in numbers):
                raise ValueError("a number is missing or not finite")
        except (KeyError, TypeError, ValueError) as exc:
            raise UsageError(f"no accuracy point: {exc}") from exc
        return point


@dataclass(frozen=True, slots=True)
class PointVerdict:
    """``reason``: one line for people. ``guard_band``: U in the channel's unit, None when not known."""

    point: Point
    decision: Decision
    reason: str
    guard_band: float | None

    def to_json(self) -> dict[str, Any]:
        """The point with what follows from it."""
        p = self.point
        return {
            **p.to_json(), "error": p.error, "limit": p.limit, "share_of_limit": p.share, "u_error": p.u_error, "test_ratio": p.test_ratio,
            "guard_band": self.guard_band, "decision": str(self.decision), "reason": self.reason,
        }  # fmt: skip


def judge_point(point: Point) -> PointVerdict:
    """Pass, fail or cannot be decided."""
    u, error, limit = point.u_error, abs(point.error), point.limit
    used = f"error {point.error:+.4g} {point.unit} uses {100 * point.share:.0f} % of ± {limit:.4g} {point.unit}"
    if u is None:
        why = f"{used}; no verdict without the uncertainty of the reference"
        return PointVerdict(point, Decision.UNDECIDED, why, None)
    band = COVERAGE_FACTOR * u
    ratio = point.test_ratio
    poor = f"; the reference is poor for it (TUR {ratio:.2g})" if ratio is not None and ratio < ENOUGH_RATIO else ""
    if error <= limit - band:
        return PointVerdict(point, Decision.PASS, used + poor, band)
    if error > limit + band:
        return PointVerdict(point, Decision.FAIL, used + poor, band)
    return PointVerdict(point, Decision.UNDECIDED, f"{used}, within the guard band of {band:.2g} {point.unit} of it{poor}", band)


def judge_points(points: Sequence[Point]) -> tuple[Decision, str, tuple[PointVerdict, ...]]:
    """(decision on all, one sentence, each): fail when one fails, undecided when one is, pass when all pass."""
    verdicts = tuple(judge_point(p) for p in points)
    count = {d: sum(v.decision is d for v in verdicts) for d in (Decision.PASS, Decision.FAIL, Decision.UNDECIDED)}
    if not verdicts:
        return Decision.NOT_JUDGED, "no reference reading", ()
    decision = next(d for d in (Decision.FAIL, Decision.UNDECIDED, Decision.PASS) if count[d])
    parts = [f"{n} {'points pass' if n > 1 else 'point passes'}" for n in [count[Decision.PASS]] if n]
    parts += [f"{n} fail{'' if n > 1 else 's'}" for n in [count[Decision.FAIL]] if n]
    parts += [f"{n} cannot be decided" for n in [count[Decision.UNDECIDED]] if n]
    return decision, ", ".join(parts), verdicts


@dataclass(frozen=True, slots=True)
class Warming:
    """The same point cold and hot: ``change`` of the error in ``unit``, and its share of the limit."""

    channel: str
    unit: str
    reference: float
    cold_error: float
    hot_error: float
    limit: float
    both_inside: bool

    @property
    def change(self) -> float:
        """Hot error less cold error."""
        return self.hot_error - self.cold_error

    @property
    def share(self) -> float:
        """Of the limit."""
        return abs(self.change) / self.limit if self.limit else math.inf

    def to_json(self) -> dict[str, Any]:
        """For programs."""
        return {**asdict(self), "change": self.change, "share_of_limit": self.share}


def warming(points: Sequence[Point]) -> tuple[Warming, ...]:
    """Each hot point with the latest cold one of the same channel whose reference lies within 5 % of it (of the limit near zero)."""
    out = []
    for hot in (p for p in points if p.condition == "hot"):
        near = [c for c in points if c.condition == "cold" and c.channel == hot.channel and _near(c, hot)]
        if near:
            cold = max(near, key=lambda p: p.t_utc_ns)
            inside = abs(cold.error) <= cold.limit and abs(hot.error) <= hot.limit
            out.append(Warming(hot.channel, hot.unit, hot.reference, cold.error, hot.error, hot.limit, inside))
    return tuple(out)


def _near(a: Point, b: Point) -> bool:
    return abs(a.reference - b.reference) <= max(0.05 * abs(b.reference), b.limit)


def channel_of(spec: DeviceSpec, name: str) -> ChannelSpec:
    """The numeric channel of that name, or of that beginning when only one has it, with its accuracy specification.

    Raises:
        UsageError: none, or its accuracy is not in the profile, so there is nothing to hold a reading against.
    """
    numbers = {c.name: c for c in spec.channels if c.kind == "number" and c.unit}
    matches = [n for n in numbers if n == name] or [n for n in numbers if n.rpartition("_")[0] == name]
    if len(matches) != 1:
        hint = f"may be {' or '.join(matches)}; write which" if matches else f"there is none{nearest(name, numbers)}"
        raise UsageError(f"channel {name!r}: {hint}", where=spec.name)
    channel = numbers[matches[0]]
    if channel.accuracy is None or (channel.accuracy.absolute <= 0 and channel.accuracy.percent_of_reading <= 0):
        hint = f"write accuracy = {{ percent_of_reading = ..., counts = ... }} at {channel.name}"
        raise UsageError(f"profile {spec.profile_name} has no accuracy of {channel.name} to hold a reading against", hint=hint)
    return channel


@dataclass(frozen=True, slots=True)
class Taken:
    """Readings of the instrument: mean, number and standard deviation; when; its temperature."""

    t_utc_ns: int
    mean: float
    readings: int = 1
    scatter: float = 0.0
    temperature_c: float | None = None


def make_point(spec: DeviceSpec, reference: Reference, taken: Taken) -> Point:
    """Reference and readings joined with the specification in force.

    Raises:
        UsageError: as `channel_of`.
    """
    channel = channel_of(spec, reference.channel)
    assert channel.accuracy is not None  # channel_of refuses
    return Point(
        device=spec.name, channel=channel.name, unit=channel.unit, t_utc_ns=taken.t_utc_ns, reading=taken.mean,
        reference=reference.reference, percent_of_reading=channel.accuracy.percent_of_reading, absolute=channel.accuracy.absolute,
        resolution=channel.resolution, u_reference=reference.u_reference, readings=taken.readings, scatter=taken.scatter,
        condition=reference.condition, temperature_c=taken.temperature_c, source=reference.source, profile=spec.profile_name,
        note=reference.note,
    )  # fmt: skip
