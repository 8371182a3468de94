"""What both kinds of profile file share: names, timing, accuracy, ratings. Every table refuses unknown keys.

The file is TOML; these models judge its shape, `checks` judges whether its entries agree with each other. Values are strict: a number in
quotes or a boolean for a number is refused, because in a register map such a slip changes what is read.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from loadlog.config import Name, nearest
from loadlog.model.quantity import CHANNEL_NAME, STATUS_CHANNELS, UNIT_OF_SUFFIX, unit_of

COMMON_CHANNELS = (
    "voltage_v", "current_a", "power_w", "resistance_ohm", "charge_ah", "energy_wh", "temperature_c", "ambient_c", "setpoint", "fan_rpm",
)  # fmt: skip
MODES = ("cc", "cv", "cp", "cr")
WRITES = ("input_off", "input_on", "setpoint")
COUNT_MAX = 2**63 - 1  # a count is kept as a signed 64-bit integer


class Table(BaseModel):
    """A table of a profile: unknown keys refused, types not bent, numbers finite, values frozen."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


def _plain_name(name: str) -> str:
    if not CHANNEL_NAME.fullmatch(name):
        raise ValueError(f"{name!r} is no name: lower case letters, digits and single underscores, e.g. 'voltage_v'")
    return name


def _channel_name(name: str) -> str:
    _plain_name(name)
    if name in STATUS_CHANNELS:
        raise ValueError(f"{name!r} is a status: describe it under [[status]]")
    if unit_of(name) is None:
        endings = ", ".join("_" + suffix for suffix in UNIT_OF_SUFFIX)
        raise ValueError(f"{name!r} does not end in a unit; known endings: {endings}{nearest(name, COMMON_CHANNELS)}")
    return name


PlainName = Annotated[str, AfterValidator(_plain_name)]
ChannelName = Annotated[str, AfterValidator(_channel_name)]
Pair = Annotated[list[float], Field(min_length=2, max_length=2)]
Every = Annotated[int, Field(ge=1, le=10_000)]
OneLine = Annotated[str, Field(max_length=200, pattern=r"^[^\r\n]*$")]


class TimingTable(Table):
    """``quiet_s``: silence before a request beyond the standard's 3.5 characters. ``timeout_s``: from the request's last character to the
    answer's first, at the latest. ``processing_s``: typical time until the answer begins. ``gap_s``: longest silence inside an answer.
    ``largest_block``: registers in one read (Modbus). ``longest_message``: characters in one program message (SCPI)."""

    quiet_s: float = Field(default=0.0, ge=0, le=10)
    timeout_s: float = Field(default=0.2, gt=0, le=30)
    processing_s: float = Field(default=0.002, ge=0, le=30)
    gap_s: float = Field(default=0.02, gt=0, le=10)

    @model_validator(mode="after")
    def _answers_before_the_timeout(self) -> TimingTable:
        if self.processing_s >= self.timeout_s:
            raise ValueError(f"processing_s = {self.processing_s:g} must be below timeout_s = {self.timeout_s:g}")
        return self


class AccuracyTable(Table):
    """± (percent_of_reading % of the reading + percent_of_range % of the upper end of ``range`` + counts · resolution + absolute)."""

    percent_of_reading: float = Field(default=0.0, ge=0, le=100)
    percent_of_range: float = Field(default=0.0, ge=0, le=100)
    counts: float = Field(default=0.0, ge=0)
    absolute: float = Field(default=0.0, ge=0)

    @model_validator(mode="after")
    def _says_something(self) -> AccuracyTable:
        if not (self.percent_of_reading or self.percent_of_range or self.counts or self.absolute):
            raise ValueError("give percent_of_reading, percent_of_range, counts or absolute; leave accuracy out when it is unknown")
        return self


class Quantity(Table):
    """What a channel has apart from the way it is read. ``scale``, ``offset``: value = raw · scale + offset in the unit of the name.

    ``resolution``: the smallest step, in the unit; what a count is. ``range``: what the instrument is rated to show. ``possible``: beyond
    it the reading cannot be true. ``sentinels``: raw values by which the instrument says "no value". ``every``: read at every n-th poll.
    ``page``: where the manual says so.
    """

    name: ChannelName
    scale: float = 1.0
    offset: float = 0.0
    resolution: float | None = Field(default=None, gt=0)
    accuracy: AccuracyTable | None = None
    range: Pair | None = None
    possible: Pair | None = None
    sentinels: list[Any] = Field(default_factory=list)
    every: Every = 1
    page: str = ""

    @model_validator(mode="after")
    def _numbers_agree(self) -> Quantity:
        if self.scale == 0:
            raise ValueError("scale = 0 makes every reading the same")
        for key in ("range", "possible"):
            pair = getattr(self, key)
            if pair is not None and not pair[0] < pair[1]:
                raise ValueError(f"{key} = [{pair[0]:g}, {pair[1]:g}]: the first must be below the second")
        if self.range and self.possible and not (self.possible[0] <= self.range[0] and self.range[1] <= self.possible[1]):
            raise ValueError(f"range {self.range} is not inside possible {self.possible}")
        if self.accuracy and self.accuracy.percent_of_range and self.range is None:
            raise ValueError("accuracy.percent_of_range needs range")
        for sentinel in self.sentinels:
            if isinstance(sentinel, bool) or not isinstance(sentinel, int | float):
                raise ValueError(f"sentinels: {sentinel!r} is not a number")
        return self


class StatusBase(Table):
    """What a status has apart from the way it is read. ``values``: names and the numbers or mnemonics that stand for them."""

    name: PlainName
    every: Every = 1
    page: str = ""

    @model_validator(mode="after")
    def _no_unit(self) -> StatusBase:
        if self.name not in STATUS_CHANNELS and unit_of(self.name) is not None:
            raise ValueError(
                f"{self.name!r} ends in a unit or is a number: describe it under [[channel]]{nearest(self.name, STATUS_CHANNELS)}"
            )
        return self


class Common(Table):
    """The head of a profile. ``roles``: what the instrument may be used as. ``ratings``: the absolute ratings, channel -> value."""

    name: Name
    description: OneLine = ""
    manual: OneLine = ""
    roles: list[Literal["load", "supply", "meter", "thermometer"]] = Field(min_length=1)
    ratings: dict[ChannelName, float] = Field(default_factory=dict)


def check_one_way(status: StatusBase, kind: str, given: Mapping[str, object]) -> None:
    """A status is described in one way, the one that its name asks for; ``given``: ``bit``, ``values``, ``bits``, ``on``, ``off``.

    Raises:
        ValueError: it is described in several, or in another.
    """
    _check_kind(status.name, kind)
    ways = [way for way in ("bit", "values", "bits") if given[way] is not None]
    if given["on"] is not None or given["off"] is not None:
        ways.append("on and off")
    if len(ways) > 1:
        raise ValueError(f"{' and '.join(ways)} contradict each other: give one")


def _check_kind(name: str, kind: str) -> None:
    """A status that detectors know by its name has the kind that they take it for.

    Raises:
        ValueError: it has another one.
    """
    wanted = {"input_on": "bool", "sense_remote": "bool", "mode": "enum", "protection": "bits"}.get(name, kind)
    if kind != wanted:
        how = {"bool": "bit, or on and off", "enum": "values", "bits": "bits"}
        raise ValueError(f"{name} is described by {how[wanted]}, not by {how[kind]}")


def check_value_names(name: str, values: dict[str, Any]) -> None:
    """Names of an enumeration: plain, no number twice; for ``mode`` at least one of cc, cv, cp, cr.

    Raises:
        ValueError: one line with the nearest name.
    """
    if not values:
        raise ValueError("values is empty")
    for key in values:
        if not CHANNEL_NAME.fullmatch(key):
            hint = f" (write {key.lower()!r})" if CHANNEL_NAME.fullmatch(key.lower()) else ""
            raise ValueError(f"values: {key!r} is no name: lower case letters, digits and single underscores{hint}")
    if name == "mode" and not set(values) & set(MODES):
        raise ValueError(f"values: mode needs at least one of {', '.join(MODES)}{nearest(next(iter(values)), MODES)}")
    seen: dict[Any, str] = {}
    for key, value in values.items():
        if value in seen:
            raise ValueError(f"values: {seen[value]} and {key} both stand for {value!r}")
        seen[value] = key
