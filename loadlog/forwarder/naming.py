"""What things are called in the time-series database: measurements, tags, fields. Dashboards are written against these names.

Source: "Line protocol" (InfluxData documentation, v2 and v3): what must be escaped, what cannot be carried at all (a line break, an empty
tag value, a tag that ends in a backslash), which names are reserved (a leading underscore, the tag or field ``time``). A tag and a field of
one measurement must not share a name: InfluxQL cannot tell them apart.
"""

from __future__ import annotations

from collections.abc import Iterable

from loadlog.model.device import DeviceSpec
from loadlog.model.errors import ConfigError

ROLES = ("load", "supply", "meter", "thermometer")  # the measurement of a device is its role
EVENT, HEALTH = "bench_event", "bench_health"
SAMPLE_TAGS = ("bench", "device", "role", "run")
EVENT_TAGS = ("bench", "device", "kind", "severity")
HEALTH_TAGS = ("bench", "bus")
QUALITY = "quality"
EVENT_FIELDS = ("id", "state", "confidence", "acknowledged", "text")
ACKNOWLEDGEMENT_FIELDS = ("acknowledged_by", "acknowledged_at", "note")  # texts, of acknowledged events only, and only where there is one
HEALTH_FIELDS = ("lateness_s", "polls", "timeouts", "crc_errors", "backlog")
NONE = "none"  # tag value where there is nothing to name: between runs, events of no device; an empty one cannot be carried
MINIMUM, MAXIMUM = "_min", "_max"  # beside a channel's mean, where samples are reduced to intervals
_RESERVED = frozenset({"time", QUALITY, *SAMPLE_TAGS})

_MEASUREMENT = str.maketrans({",": r"\,", " ": r"\ "})
_KEY = str.maketrans({",": r"\,", " ": r"\ ", "=": r"\="})
_TEXT = str.maketrans({'"': r"\"", "\\": r"\\", "\n": " ", "\r": " "})  # a line break inside a string is not supported


def measurement(name: str) -> str:
    """Escaped."""
    return name.translate(_MEASUREMENT)


def key(name: str) -> str:
    """A tag key, tag value or field key, escaped."""
    return name.translate(_KEY)


def text(value: str) -> str:
    """A string field value with its quotes; line breaks become blanks."""
    return f'"{value.translate(_TEXT)}"'


def why_not(name: str) -> str:
    """Why line protocol cannot carry ``name`` as tag value or key; empty when it can."""
    if not name:
        return "is empty"
    if name.endswith("\\"):
        return "ends in a backslash"
    return "" if name.isprintable() else "holds a line break or another control character"


def why_not_field(name: str) -> str:
    """As `why_not`, for the name of a channel."""
    if name in _RESERVED:
        return "is a name that line protocol or the fixed tags use"
    return "begins with an underscore, which is reserved" if name.startswith("_") else why_not(name)


def check_names(bench: str, devices: Iterable[DeviceSpec], where: str) -> None:
    """Before anything is forwarded.

    Raises:
        ConfigError: line protocol cannot carry a name; says which, and where it stands.
    """
    names = [("bench.name", bench)]
    for device in devices:
        names += [(f"device[{device.name}].name", device.name), (f"device[{device.name}].bus", device.bus)]
        for channel in device.channels:
            if reason := why_not_field(channel.name):
                place = f"device[{device.name}]: channel {channel.name!r} of its profile"
                raise ConfigError(f"{place} {reason}", where=where, hint="rename it in the profile")
    for place, name in names:
        if reason := why_not(name):
            raise ConfigError(f"{place}: {name!r} {reason}, and cannot be forwarded", where=where, hint="rename it")
