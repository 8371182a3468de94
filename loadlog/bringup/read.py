"""One live poll of one device, laid open: per channel value, unit, standard uncertainty, quality and what stood in the registers.

For a user who has just written a profile: the raw words and the place they came from stand beside the value that the profile makes of them,
and what the user reads off the front panel can be laid beside it. A block that the instrument refuses costs only its own channels here.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from loadlog.bringup.advice import advise
from loadlog.bus import Link
from loadlog.config import BusConfig, DeviceConfig, nearest
from loadlog.model.clock import Anchor, Clock
from loadlog.model.device import ChannelSpec, DeviceSpec
from loadlog.model.errors import DeviceError, UsageError
from loadlog.model.quantity import SETPOINT_UNIT
from loadlog.model.sample import FailureCause, Quality, Reading, Sample, Stamp
from loadlog.model.wire import Line, LinkFailure, Reply, Request
from loadlog.profiles import Profile, RawPiece, ReadPlan
from loadlog.validation import REASONS, Validator

COVERAGE = 2.0  # expanded uncertainty, about 95 % (JCGM 100:2008, 6.2)


@dataclass(frozen=True, slots=True)
class ChannelRead:
    """One channel. ``value`` in ``unit``, None when there is none or it is a status; ``text`` is what people call it (``12.003``, ``on``,
    ``cc``). ``uncertainty``: standard, in ``unit``. ``quality``: good, uncertain or bad, with its ``reason`` (a name) and ``why`` (a line).

    ``raw``: (place, words in hexadecimal or text) per piece. ``panel``: what the user read off the front panel; ``agrees``: whether it
    does, within the expanded uncertainty and half a step of either.
    """

    name: str
    unit: str
    value: float | None
    text: str
    uncertainty: float | None
    quality: str
    reason: str
    why: str
    count: int | None
    raw: tuple[tuple[str, str], ...]
    page: str = ""
    panel: float | None = None
    difference: float | None = None
    agrees: bool | None = None


@dataclass(frozen=True, slots=True)
class DeviceRead:
    """``t_utc_ns`` is the midpoint of first request and last reply, ``half_width_s`` its uncertainty. ``refused``: requests that the
    instrument answered with an exception response, one line each. ``warnings``: about the port."""

    device: str
    profile: str
    address: str
    t_utc_ns: int
    half_width_s: float
    transactions: int
    quality: str
    channels: tuple[ChannelRead, ...]
    identity: Mapping[str, str]
    identity_expected: Mapping[str, str]
    refused: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()

    @property
    def agrees(self) -> bool:
        """False when a channel departs from what the front panel shows."""
        return all(c.agrees is not False for c in self.channels)


@dataclass(slots=True)
class _Answers:
    """Replies of a series of requests, None for those that were refused."""

    replies: list[Reply | None] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)


def read_device(
    bus: BusConfig,
    device: DeviceConfig,
    spec: DeviceSpec,
    profile: Profile,
    link: Link,
    clock: Clock,
    panel: Mapping[str, float] | None = None,
) -> DeviceRead:
    """Poll ``device`` once. ``link`` is the bus', closed; it is opened and closed here. ``panel``: channel -> value off the front panel.

    Raises:
        UsageError: ``panel`` names a channel that the profile has not.
        BusError: the port cannot be opened.
        DeviceError: the device does not answer, or answers nothing usable; says what to try.
    """
    panel = panel or {}
    for name in panel:
        if spec.channel(name) is None:
            raise UsageError(f"{device.name} has no channel {name!r}{nearest(name, [c.name for c in spec.channels])}")
    plan = ReadPlan.make(profile, Line(bus.baudrate, bus.bits_per_character) if bus.port else None)
    anchor = Anchor(clock)
    link.open()
    try:
        who = _ask(link, device, profile, plan.identity_requests, bus, must_answer=False)
        answers = _ask(link, device, profile, plan.full_requests, bus, must_answer=True)
        warnings = tuple(link.warnings)
    finally:
        link.close()
    whole = len(who.replies) == len(plan.identity_requests)
    identity: Mapping[str, str] = plan.decode_identity(who.replies) if whole else {}
    decoded = plan.decode_full(answers.replies)
    stamp = _stamp(anchor, [r for r in answers.replies if r is not None])
    sample = Validator(spec).update(Reading(device.name, stamp, decoded.counts, decoded.reasons, identity), 0)
    raw = plan.raw_full(answers.replies)
    pages = {p.spec.name: p.page for p in profile.points}
    mode_unit = _mode_unit(spec, sample)
    channels = tuple(_channel(c, sample, mode_unit, raw.get(c.name, ()), pages.get(c.name, ""), panel.get(c.name)) for c in spec.channels)
    return DeviceRead(
        device=device.name,
        profile=profile.name,
        address=bus.address if device.unit_id is None else f"{bus.address} unit {device.unit_id}",
        t_utc_ns=stamp.t_utc_ns,
        half_width_s=stamp.half_width_ns / 1e9,
        transactions=len(answers.replies),
        quality=sample.quality.name.lower(),
        channels=channels,
        identity=dict(identity),
        identity_expected=dict(spec.identity),
        refused=(*who.refused, *answers.refused),
        warnings=warnings,
    )


def _ask(link: Link, device: DeviceConfig, profile: Profile, requests: Sequence[Request], bus: BusConfig, *, must_answer: bool) -> _Answers:
    answers = _Answers()
    for request in requests:
        answer = link.transact(device.unit_id or 0, request, profile.traits)
        if isinstance(answer, Reply):
            answers.replies.append(answer)
            continue
        answers.refused.append(f"{request}: {answer.detail}")
        if answer.cause is not FailureCause.EXCEPTION and not must_answer:
            return answers
        if answer.cause is not FailureCause.EXCEPTION:
            raise _no_answer(device, bus, answer)
        answers.replies.append(None)
    if must_answer and not any(answers.replies):
        raise DeviceError(
            f"refuses everything it is asked: {answers.refused[0]}",
            where=f"device {device.name} on {bus.address}",
            hint="the profile does not fit this instrument; loadlog registers shows which addresses exist",
        )
    return answers


def _no_answer(device: DeviceConfig, bus: BusConfig, failure: LinkFailure) -> DeviceError:
    unit = "" if device.unit_id is None else f" unit {device.unit_id}"
    return DeviceError(
        failure.detail, where=f"device {device.name} on {bus.address}{unit}", hint=advise(failure.cause, bus), retryable=True
    )


def _stamp(anchor: Anchor, replies: Sequence[Reply]) -> Stamp:
    first_ns, last_ns = replies[0].t_request_ns, replies[-1].t_reply_ns
    middle_ns = (first_ns + last_ns) // 2
    return Stamp(anchor.to_utc(middle_ns), (last_ns - first_ns + 1) // 2, middle_ns)


def _channel(spec: ChannelSpec, sample: Sample, mode_unit: str, raw: Sequence[RawPiece], page: str, panel: float | None) -> ChannelRead:
    name = spec.name
    value, uncertainty = sample.values.get(name), sample.uncertainty.get(name)
    reason = sample.uncertain.get(name, "")
    count = sample.counts.get(name)
    if count is None and not reason:
        reason = "no_value_yet"
    quality = Quality.BAD if name in sample.bad else Quality.UNCERTAIN if reason else Quality.GOOD
    difference = None if panel is None or value is None else value - panel
    return ChannelRead(
        name=name,
        unit=mode_unit if name == "setpoint" else spec.unit,
        value=value,
        text=_text(spec, value, count),
        uncertainty=uncertainty if value is not None else None,
        quality=quality.name.lower(),
        reason=reason,
        why=REASONS[reason].text if reason in REASONS else "",
        count=count,
        raw=tuple((piece.place, _piece(piece.piece)) for piece in raw),
        page=page,
        panel=panel,
        difference=difference,
        agrees=None if difference is None else abs(difference) <= COVERAGE * (uncertainty or 0.0) + spec.resolution,
    )


def _mode_unit(device: DeviceSpec, sample: Sample) -> str:
    """The unit of the set-point, which follows the mode; empty when the mode is unknown."""
    mode = device.channel("mode")
    if mode is None or "mode" not in sample.status:
        return ""
    return SETPOINT_UNIT.get(mode.names.get(sample.status["mode"], ""), "")


def _piece(piece: tuple[int, ...] | str) -> str:
    return repr(piece) if isinstance(piece, str) else " ".join(f"{word:04X}" for word in piece)


def _text(spec: ChannelSpec, value: float | None, count: int | None) -> str:
    """A number with as many decimals as its resolution has; the name of a state."""
    if spec.kind == "number":
        return "–" if value is None else f"{value:.{_decimals(spec.resolution)}f}"
    if count is None:
        return "–"
    if spec.kind == "bool":
        return "on" if count else "off"
    if spec.kind == "enum":
        return spec.names.get(count, f"{count} (not named in the profile)")
    bits = [spec.names.get(bit, f"bit {bit}") for bit in range(count.bit_length()) if count >> bit & 1]
    return ", ".join(bits) or "none"


def _decimals(resolution: float) -> int:
    return max(0, min(9, math.ceil(-math.log10(resolution) - 1e-9))) if resolution > 0 else 6
