"""What every stage after the bus needs to know of a device: its channels with units, its ratings, and how it is wired.

Made once from the configuration and the profile (`profiles`), snapshotted with each recording, so that a recording explains itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from loadlog.model.quantity import Accuracy, Scale


@dataclass(frozen=True, slots=True)
class ChannelSpec:
    """One stored channel.

    ``kind``: ``number`` (value by ``scale``), ``bool``, ``enum`` (names by number in ``names``) or ``bits`` (bit -> name in ``names``).
    ``resolution``, ``low``, ``high`` (rating), ``possible_low``, ``possible_high`` (physically possible) in the channel's unit.
    ``every``: read at every n-th poll (1: fast). ``sentinels``: counts by which the instrument says "no value".
    """

    name: str
    unit: str
    kind: str
    scale: Scale
    resolution: float
    accuracy: Accuracy | None = None
    low: float | None = None
    high: float | None = None
    possible_low: float | None = None
    possible_high: float | None = None
    every: int = 1
    names: Mapping[int, str] = field(default_factory=dict)
    sentinels: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class LimitSpec:
    """Limits of one channel in its unit; delays in s (ISA-18.2, IEC 62682). None: not set."""

    low_low: float | None = None
    low: float | None = None
    high: float | None = None
    high_high: float | None = None
    deadband: float = 0.0
    on_delay_s: float = 0.0
    off_delay_s: float = 0.0


@dataclass(frozen=True, slots=True)
class DeviceSpec:
    """One device as the pipeline, the store and the viewer see it.

    ``period_s``: poll period. ``sense``: how it is wired, ``local`` or ``remote``. ``path_resistance_ohm``: both leads and contacts,
    None when unknown. ``group``: name of the set of devices that share one source. ``source``: ``supply``, ``battery`` or empty when not
    said; ``cutoff_v``: end-of-discharge voltage of a battery, ``rated_ah``: its rated capacity. ``fixed``: facts (`model.learned`) that
    are not to be learned. ``identity``: expected identity texts, empty when unknown. ``profile_hash``: SHA-256 of the profile file.
    """

    name: str
    role: str
    bus: str
    period_s: float
    channels: tuple[ChannelSpec, ...]
    sense: str = "local"
    path_resistance_ohm: float | None = None
    group: str | None = None
    limits: Mapping[str, LimitSpec] = field(default_factory=dict)
    identity: Mapping[str, str] = field(default_factory=dict)
    profile_name: str = ""
    profile_hash: str = ""
    source: str = ""
    cutoff_v: float | None = None
    fixed: Mapping[str, float] = field(default_factory=dict)
    rated_ah: float | None = None
    _by_name: dict[str, ChannelSpec] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_by_name", {channel.name: channel for channel in reversed(self.channels)})

    def channel(self, name: str) -> ChannelSpec | None:
        """The channel of that name, or None."""
        return self._by_name.get(name)  # asked often


def polls_due(period_s: float, length_s: float, taken: int) -> int:
    """Whole periods of a time, floats not taken at their word; more where more were ``taken``: n periods with a poll at both ends hold
    n + 1, and what was taken was due."""
    return max(int(length_s / period_s + 1e-6), taken)
