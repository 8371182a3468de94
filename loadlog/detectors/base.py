"""What a detector is, and what it may know.

A detector sees the samples of one device in their order, says `Finding`s, and keeps O(1) memory. It knows no clock: every instant and
interval comes from source timestamps (UTC), because only these are stored and a replay must come to the same result, bit for bit. It never
raises for what a sample contains; what is not known is None, and None decides nothing.

The bench is seen through `Context`: the device, orders of ours, and the recent samples of the other devices of its group.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import ClassVar, Protocol

from loadlog.detectors.converter import Converter
from loadlog.detectors.renewal import Renewal
from loadlog.model.device import ChannelSpec, DeviceSpec
from loadlog.model.event import Event, Finding, Onset
from loadlog.model.learned import Learned
from loadlog.model.sample import Sample, Stamp

NOTHING: tuple[Finding, ...] = ()
RECENT_SAMPLES = 24  # kept of each device for those of its group
RECENT_ORDERS = 16
ORDER_SETTLE_S = 2.0  # within which an order of ours may still take effect, or show in the reports
MOST_SQUARE = 1e60  # of a value in any unit: nothing that is measured comes near it, and sums of powers of it do not overflow


@dataclass(frozen=True, slots=True)
class Order:
    """We wrote ``value`` to ``channel`` (``input_on``, ``setpoint``, ``mode``) of a device at ``t_utc_ns``: a command or a protective
    action. ``drawn_a``: the current that those of its group had last seen of it by then; None where it has none."""

    channel: str
    value: float
    t_utc_ns: int
    drawn_a: float | None = None


@dataclass(slots=True)  # not frozen: one is made at every poll of a group
class Glance:
    """What the others of a group need of a past sample: when it was taken at the earliest and at the latest, V and A as measured in that
    poll (None where held, bad or unknown), and the mark of the voltage."""

    begin_ns: int
    end_ns: int
    voltage_v: float | None
    current_a: float | None
    voltage_mark: str | None

    def usable_v(self, spikes: bool = False) -> float | None:
        """As `usable`."""
        is_untrue = self.voltage_mark in _UNTRUE and not (spikes and self.voltage_mark == "possible_spike")
        return None if is_untrue else self.voltage_v


@dataclass(slots=True)
class Peer:
    """Another device of the same group, as far as it was polled yet: its ``last`` sample, and ``recent`` of those before and the last
    itself, oldest first, without failures. ``orders``: ours to it, oldest first."""

    device: DeviceSpec
    last: Sample | None = None
    recent: deque[Glance] = field(default_factory=lambda: deque(maxlen=RECENT_SAMPLES))
    orders: deque[Order] = field(default_factory=lambda: deque(maxlen=RECENT_ORDERS))
    _temperatures: dict[str, tuple[float, int]] = field(default_factory=dict)  # the last good one, and the poll that gave it
    _polls: int = 0
    _thermal: tuple[DeviceSpec, tuple[str, ...]] | None = None  # its channels of temperatures, as the device was described then

    def take(self, sample: Sample) -> None:
        """It was polled."""
        self.last = sample
        self._polls += 1
        if sample.failure is not None:
            return
        held, values = sample.held, sample.values
        thermal = self._thermal
        if thermal is None or thermal[0] is not self.device:
            thermal = self._thermal = self.device, tuple(c.name for c in self.device.channels if c.unit == "°C")
        for name in thermal[1]:
            if name not in held and name not in sample.uncertain and (value := finite(values.get(name))) is not None:
                self._temperatures[name] = (value, self._polls)
        mark = None
        if sample.uncertain or sample.bad or held:
            mark = sample.uncertain.get("voltage_v")
            v, i = _measured(sample, "voltage_v"), _measured(sample, "current_a")
        else:
            v, i = finite(values.get("voltage_v")), finite(values.get("current_a"))
        stamp = sample.stamp
        self.recent.append(Glance(stamp.t_utc_ns - stamp.half_width_ns, stamp.t_utc_ns + stamp.half_width_ns, v, i, mark))

    @property
    def drawn_a(self) -> float | None:
        """The last current that is known of it, A."""
        return next((abs(seen.current_a) for seen in reversed(self.recent) if seen.current_a is not None), None)

    def latest_good(self, channel: str) -> float | None:
        """The last good value of a temperature; None when there is none in the last `RECENT_SAMPLES` polls."""
        found = self.latest_reading(channel)
        return None if found is None else found[0]

    def latest_reading(self, channel: str) -> tuple[float, int] | None:
        """As `latest_good`, with the number of the poll that gave it."""
        found = self._temperatures.get(channel)
        return found if found is not None and self._polls - found[1] < RECENT_SAMPLES else None

    def forget(self) -> None:
        """The detectors begin afresh."""
        self.last = None
        self._temperatures.clear()
        self.recent.clear()
        self.orders.clear()


@dataclass(slots=True)
class Context:
    """Filled by the pipeline. ``orders``: ours to this device, oldest first. ``peers``: the other devices of the group by name.
    ``discharged``: the battery that feeds the device is at its end (`cutoff`), so what stops now is no trip. ``stop_told``: the current
    stopped and that stands told (`trips`), who tells too that it flows again. As far as those who ask `is_repeat` have seen: ``steps`` of V
    and A that the converter tells apart (`converter`); ``polls_a_reading``: for how many polls one reading lasts; ``may_repeat``: for
    several perhaps, it is not known yet."""

    device: DeviceSpec
    orders: deque[Order] = field(default_factory=lambda: deque(maxlen=RECENT_ORDERS))
    peers: Mapping[str, Peer] = field(default_factory=dict)
    discharged: bool = False
    stop_told: bool = False
    steps: tuple[float, float] = field(init=False)
    polls_a_reading: int = 1
    may_repeat: bool = False
    _mode_of: Sample | None = None
    _mode: str | None = None
    _measured_of: Sample | None = None
    _measured: tuple[float | None, float | None] = (None, None)
    _renewal: Renewal | None = None
    _converter: Converter = field(init=False)
    _repeat_of: Sample | None = None
    _is_repeat: bool = False
    _power_of: Sample | None = None
    _power_w: float | None = None
    _tells_power: bool = field(init=False)

    def __post_init__(self) -> None:
        """Nothing was read yet."""
        self._converter = Converter(self.device)
        self.steps = self._converter.steps
        self._tells_power = self.device.channel("power_w") is not None

    def mode(self, sample: Sample) -> str | None:
        """`status_name` of the device's ``mode``; several detectors ask it of the same sample."""
        if sample is not self._mode_of:
            self._mode_of, self._mode = sample, status_name(self.device, sample, "mode")
        return self._mode

    def measured(self, sample: Sample) -> tuple[float | None, float | None]:
        """V and A as `usable` gives them with possible spikes; several detectors ask for those of the same sample."""
        if sample is not self._measured_of:
            self._measured_of = sample
            if sample.uncertain or sample.bad or "voltage_v" in sample.held or "current_a" in sample.held:
                self._measured = usable(sample, "voltage_v", spikes=True), usable(sample, "current_a", spikes=True)
            else:
                values = sample.values
                self._measured = finite(values.get("voltage_v")), finite(values.get("current_a"))
        return self._measured

    def power_w(self, sample: Sample) -> float | None:
        """As the device tells it, or else V times A; None where this poll does not tell. Several detectors ask for that of the same
        sample."""
        if sample is not self._power_of:
            self._power_of, values = sample, sample.values
            if self._tells_power:
                self._power_w = None if sample.bad and "power_w" in sample.bad else finite(values.get("power_w"))
            else:
                v, i = finite(values.get("voltage_v")), finite(values.get("current_a"))
                self._power_w = None if v is None or i is None else v * i
        return self._power_w

    def is_repeat(self, sample: Sample) -> bool:
        """The poll shows the instrument's last reading again (`renewal`). Ask it of every sample with V and A, or of none."""
        if sample is not self._repeat_of:
            self._repeat_of = sample
            renewal = self._renewal
            if renewal is None:
                renewal = self._renewal = Renewal(self.device)
            v, i = self.measured(sample)
            if v is None or i is None:
                self._is_repeat = False
            else:
                converter = self._converter
                if not converter.is_fine:
                    converter.take(v, i)
                    self.steps = converter.steps
                orders = self.orders
                is_ordered = bool(orders) and abs(sample.stamp.t_utc_ns - orders[-1].t_utc_ns) < ORDER_SETTLE_S * 1e9
                self._is_repeat = renewal.repeats(v, i, is_ordered)
                self.polls_a_reading, self.may_repeat = renewal.polls, renewal.may_repeat
        return self._is_repeat

    def ordered(self, channel: str, after_utc_ns: int, until_utc_ns: int) -> Order | None:
        """The last order of ours for that channel within the span, or None."""
        return next((o for o in reversed(within(self.orders, after_utc_ns, until_utc_ns)) if o.channel == channel), None)


class Detector(Protocol):
    """One detector of one device. ``KINDS``: every event kind that it can say."""

    KINDS: ClassVar[tuple[str, ...]]

    def update(self, sample: Sample, context: Context) -> Sequence[Finding]:
        """Take the device's next sample. The pipeline calls this once for each sample, in the order of ``seq``."""
        ...

    def restore(self, event: Event) -> None:
        """An event of one of ``KINDS`` was active when the service stopped; the detector goes on from there."""
        ...

    def learned(self) -> Sequence[Learned]:
        """What was learned so far, is fixed, or is being learned (`model.learned.fact`); a fact with ``needed`` keeps the detector silent
        until it is there."""
        ...

    def recall(self, known: Mapping[str, Learned]) -> None:
        """What the same device had learned in the same recording before the service was started again, not long ago. Take what still holds
        (resistances do, a level does not), else learn again."""
        ...


class Stateless:
    """Base for detectors that have nothing to restore and learn nothing; each may override."""

    __slots__ = ()

    def restore(self, event: Event) -> None:
        """Nothing to go on with."""

    def learned(self) -> Sequence[Learned]:
        """Nothing is learned."""
        return ()

    def recall(self, known: Mapping[str, Learned]) -> None:
        """Nothing to take."""


def within(orders: Iterable[Order], after_utc_ns: int, until_utc_ns: int) -> list[Order]:
    """Those that were given within the span, oldest first."""
    return [order for order in orders if after_utc_ns <= order.t_utc_ns <= until_utc_ns]


def least_shown(channel: ChannelSpec) -> float:
    """What counts as a voltage or a current at all: twenty counts or twice the accuracy's bound at zero, whichever is more."""
    return max(20.0 * channel.resolution, 2.0 * channel.accuracy.half_width(0.0) if channel.accuracy else 0.0)


def begin_ns(sample: Sample) -> int:
    """Earliest instant at which the sample can have been taken."""
    return sample.stamp.t_utc_ns - sample.stamp.half_width_ns


def end_ns(sample: Sample) -> int:
    """Latest instant at which the sample can have been taken."""
    return sample.stamp.t_utc_ns + sample.stamp.half_width_ns


def onset_since(before: Stamp | None, first: Sample) -> Onset:
    """As `onset_between`, for those who keep no more of the sample before than its stamp."""
    latest = end_ns(first)
    earliest = begin_ns(first) if before is None else before.t_utc_ns - before.half_width_ns
    return Onset(earliest if earliest <= latest else begin_ns(first), latest)


def onset_between(before: Sample | None, first: Sample) -> Onset:
    """From the last sample that does not show it to the first that does. Without a sample before (or with a clock that stepped back
    between) nothing earlier than the first is known, and the interval is that sample's own."""
    return onset_since(None if before is None else before.stamp, first)


def finite(value: float | None) -> float | None:
    """The value, or None for infinity, what is no number, and what nobody measures (`MOST_SQUARE`)."""
    return value if value is not None and value * value < MOST_SQUARE else None  # not-a-number is not less


def _measured(sample: Sample, channel: str) -> float | None:
    return None if channel in sample.held or channel in sample.bad else finite(sample.values.get(channel))


def usable(sample: Sample, channel: str, spikes: bool = False) -> float | None:
    """A finite value measured in this poll that is not bad and not a possible spike; marks that do not touch its truth are accepted.
    ``spikes``: accept possible spikes too."""
    if channel in sample.held:
        return None
    if sample.uncertain or sample.bad:
        reason = sample.uncertain.get(channel)
        if channel in sample.bad or (reason in _UNTRUE and not (spikes and reason == "possible_spike")):
            return None
    return finite(sample.values.get(channel))


_UNTRUE = frozenset({"possible_spike", "frozen", "too_fast", "stale", "no_value_yet"})


def status_name(device: DeviceSpec, sample: Sample, channel: str) -> str | None:
    """Lower-case name of an enumeration's present number, e.g. the mode ``cc``; None when the device does not tell."""
    number = sample.status.get(channel)
    if number is None or channel in sample.bad:
        return None
    spec = device.channel(channel)
    if spec is None:
        return None
    name = spec.names.get(number)
    return (str(number) if name is None else name).lower()


def bit_names(device: DeviceSpec, channel: str, value: int) -> Iterable[str]:
    """Names of the bits set in a status word that the profile names."""
    spec = device.channel(channel)
    return () if spec is None else (name for bit, name in sorted(spec.names.items()) if value >> bit & 1)


class Watched:
    """Time that was really watched, in s: the sum of intervals between successive samples, each counted with at most ``longest_s``, so
    neither a gap nor a step of the clock lets a delay run out unseen. Counted from the first `tick` after `start`."""

    __slots__ = ("_last_ns", "longest_s", "seconds")

    def __init__(self, longest_s: float) -> None:
        self.longest_s = longest_s
        self.seconds = 0.0
        self._last_ns: int | None = None

    def start(self, t_utc_ns: int) -> None:
        """Begin at this instant."""
        self.seconds, self._last_ns = 0.0, t_utc_ns

    def tick(self, t_utc_ns: int) -> float:
        """Another sample; returns the time watched so far."""
        if self._last_ns is not None:
            self.seconds += min(max(t_utc_ns - self._last_ns, 0) / 1e9, self.longest_s)
        self._last_ns = t_utc_ns
        return self.seconds
