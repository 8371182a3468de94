"""Whether the entries of a profile agree with each other; what both protocols share. Every check raises ValueError with one line that
begins with the key."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

from loadlog.config import nearest, printable
from loadlog.model.device import ChannelSpec
from loadlog.model.quantity import Accuracy, Scale, unit_of
from loadlog.profiles.schema import WRITES, Quantity

REQUIRED = {"load": ("voltage_v", "current_a"), "supply": ("voltage_v",)}
LONGEST_CYCLE = 10_000  # polls until the pattern of due channels repeats; each distinct poll of it is planned beforehand
_SHOWS = {"input_off": "bool", "input_on": "bool", "setpoint": "number"}


def check_names(channels: Iterable[str], statuses: Iterable[str]) -> None:
    """No channel or status twice."""
    seen: dict[str, str] = {}
    for key, names in (("channel", channels), ("status", statuses)):
        for name in names:
            if name in seen:
                raise ValueError(f"{key}[{name}]: the name is given twice (first under [[{seen[name]}]])")
            seen[name] = key


def check_roles(roles: Sequence[str], specs: Sequence[ChannelSpec]) -> None:
    """Each role has the channels without which nothing can be said about it."""
    numbers = {s.name: s for s in specs if s.kind == "number"}
    for role in roles:
        for name in REQUIRED.get(role, ()):
            if name not in numbers:
                raise ValueError(f"roles: a {role} needs a [[channel]] named {name}{nearest(name, numbers)}")
        if role == "thermometer" and not any(s.unit == "°C" for s in numbers.values()):
            raise ValueError("roles: a thermometer needs a [[channel]] in °C, named e.g. temperature_c")


def check_cycle(every: Iterable[int]) -> None:
    """The pattern of slow channels repeats before it becomes too long to plan."""
    numbers = sorted(set(every))
    cycle = math.lcm(*numbers)
    if cycle > LONGEST_CYCLE:
        listed = ", ".join(map(str, numbers))
        raise ValueError(f"every: {listed} repeat only after {cycle} polls (at most {LONGEST_CYCLE}); use numbers that divide each other")


def check_ratings(ratings: Mapping[str, float], channels: Sequence[Quantity]) -> None:
    """Each rating belongs to a channel and lies where the channel can be."""
    by_name = {c.name: c for c in channels}
    for name, rating in ratings.items():
        channel = by_name.get(name)
        if channel is None:
            raise ValueError(f"ratings.{name}: there is no such channel{nearest(name, by_name)}")
        if channel.possible and not channel.possible[0] <= rating <= channel.possible[1]:
            raise ValueError(f"ratings.{name} = {rating:g} is not inside the channel's possible {channel.possible}")


def check_write(name: str, read_back: str, specs: Sequence[ChannelSpec]) -> str:
    """The name and the read-back of an order; returns the channel that shows its effect, empty when the profile has none."""
    if name not in WRITES:
        raise ValueError(f"writes.{printable(name)}: unknown; allowed: {', '.join(WRITES)}{nearest(name, WRITES)}")
    by_name = {s.name: s for s in specs}
    if not read_back:
        usual = "setpoint" if name == "setpoint" else "input_on"
        return usual if usual in by_name else ""
    if read_back not in by_name:
        raise ValueError(f"writes.{name}.read_back: there is no channel or status {read_back!r}{nearest(read_back, by_name)}")
    if by_name[read_back].kind != _SHOWS[name]:
        wanted = "a channel" if name == "setpoint" else "a status that is on or off"
        raise ValueError(f"writes.{name}.read_back: {read_back} cannot show it; {wanted} can")
    return read_back


def check_range(name: str, limits: Sequence[float] | None) -> None:
    """The range of an order, in order."""
    if limits is not None and not limits[0] < limits[1]:
        raise ValueError(f"writes.{name}.range = [{limits[0]:g}, {limits[1]:g}]: the first must be below the second")


def within(value: float | None, limits: Sequence[float] | None) -> float:
    """The value of an order that takes one.

    Raises:
        ValueError: missing, no number, or outside of the range.
    """
    if value is None:
        raise ValueError("needs a value")
    if not math.isfinite(value):
        raise ValueError(f"{value} cannot be ordered")
    if limits is not None and not limits[0] <= value <= limits[1]:
        raise ValueError(f"{value:g} is not in the range {limits[0]:g} to {limits[1]:g} that the profile allows")
    return value


def number_spec(channel: Quantity, floating: bool, sentinels: Iterable[int], rating: float | None) -> ChannelSpec:
    """The stored channel of a quantity: integers are kept as they are read, floating-point readings in steps of the resolution."""
    step = abs(channel.scale) if channel.resolution is None else channel.resolution
    upper = rating if channel.range is None else channel.range[1]
    return ChannelSpec(
        name=channel.name,
        unit=unit_of(channel.name) or "",
        kind="number",
        scale=Scale.of(step) if floating else Scale.of(channel.scale, channel.offset),
        resolution=step,
        accuracy=_accuracy(channel, step),
        low=None if channel.range is None else channel.range[0],
        high=upper,
        possible_low=None if channel.possible is None else channel.possible[0],
        possible_high=None if channel.possible is None else channel.possible[1],
        every=channel.every,
        sentinels=frozenset(sentinels),
    )


def _accuracy(channel: Quantity, step: float) -> Accuracy | None:
    given = channel.accuracy
    if given is None:
        return None
    full = max(abs(channel.range[0]), abs(channel.range[1])) if channel.range else 0.0
    return Accuracy(given.percent_of_reading, given.counts * step + given.absolute + given.percent_of_range / 100.0 * full)


def status_spec(name: str, kind: str, every: int, names: Mapping[int, str]) -> ChannelSpec:
    """The stored channel of a status: its number as it is."""
    return ChannelSpec(name=name, unit="", kind=kind, scale=Scale(1, 1), resolution=1.0, every=every, names=dict(names))
