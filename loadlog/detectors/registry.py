"""Which detectors a device gets. A new detector is added here and nowhere else."""

from __future__ import annotations

from collections.abc import Callable

from loadlog.detectors.base import Detector
from loadlog.detectors.baseline import Baseline
from loadlog.detectors.communication import Communication
from loadlog.detectors.contact import ContactHeating
from loadlog.detectors.current_limit import CurrentLimit
from loadlog.detectors.cutoff import Cutoff
from loadlog.detectors.doubt import ReadingFrozen, ReadingImplausible
from loadlog.detectors.heating import TemperatureRising
from loadlog.detectors.late import LatePolls
from loadlog.detectors.limits import Limits
from loadlog.detectors.operated import Operated
from loadlog.detectors.sense_intermittent import SenseIntermittent
from loadlog.detectors.sharing import Sharing
from loadlog.detectors.status import DeviceChanged, Protection
from loadlog.detectors.trips import Trips
from loadlog.model.device import DeviceSpec

_FOR_ALL: tuple[Callable[[DeviceSpec], Detector], ...] = (
    Communication,
    LatePolls,
    DeviceChanged,
    Protection,
    Operated,
    Limits,
    ReadingFrozen,
    ReadingImplausible,
)
_KINDS = (
    Communication,
    LatePolls,
    DeviceChanged,
    Protection,
    Operated,
    Limits,
    ReadingFrozen,
    ReadingImplausible,
    Trips,
    SenseIntermittent,
    Baseline,
    Cutoff,
    CurrentLimit,
    Sharing,
    TemperatureRising,
    ContactHeating,
)
DECLARED_KINDS: tuple[str, ...] = tuple(sorted({kind for made in _KINDS for kind in made.KINDS}))


def detectors_for(device: DeviceSpec) -> list[Detector]:
    """The detectors of one device, in the order in which they see a sample."""
    detectors = [make(device) for make in _FOR_ALL]
    if Cutoff.applies(device):  # before `Trips`, which asks it
        detectors.append(Cutoff(device))
    if Trips.applies(device):
        detectors.append(Trips(device))
    if SenseIntermittent.applies(device):
        detectors.append(SenseIntermittent(device))
    if CurrentLimit.applies(device):
        detectors.append(CurrentLimit(device))
    if Sharing.applies(device):
        detectors.append(Sharing(device))
    if Baseline.applies(device):
        detectors.append(Baseline(device))
    if TemperatureRising.applies(device):
        detectors.append(TemperatureRising(device))
    if ContactHeating.applies(device):
        detectors.append(ContactHeating(device))
    return detectors
