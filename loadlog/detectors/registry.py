"""Which detectors a device gets. A new detector is added here and nowhere else."""

from __future__ import annotations

from loadlog.detectors.base import Detector
from loadlog.detectors.communication import Communication
from loadlog.detectors.limits import Limits
from loadlog.model.device import DeviceSpec

_ALL = (Communication, Limits)
DECLARED_KINDS: tuple[str, ...] = tuple(sorted({kind for made in _ALL for kind in made.KINDS}))


def detectors_for(device: DeviceSpec) -> list[Detector]:
    """The detectors of one device, in the order in which they see a sample."""
    return [make(device) for make in _ALL]
