"""Which detectors a device gets. A new detector is added here and nowhere else."""

from __future__ import annotations

from loadlog.detectors.base import Detector
from loadlog.detectors.baseline import Baseline
from loadlog.detectors.communication import Communication
from loadlog.detectors.contact import ContactHeating
from loadlog.detectors.cooling import CoolingDegraded
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
from loadlog.detectors.unreported import UnreportedSetpoint
from loadlog.detectors.unreported_input import UnreportedInput
from loadlog.model.device import DeviceSpec

_FOR_ALL = (Communication, LatePolls, DeviceChanged, Protection, Operated, Limits, ReadingFrozen, ReadingImplausible)
# Each says itself by `applies` which devices it is for. `Cutoff` stands before `Trips`, and that before `UnreportedInput`, which ask what
# was found.
_WHERE_IT_APPLIES = (
    Cutoff, Trips, SenseIntermittent, CurrentLimit, UnreportedSetpoint, UnreportedInput, Sharing, Baseline,
    TemperatureRising, CoolingDegraded, ContactHeating,
)  # fmt: skip
DECLARED_KINDS: tuple[str, ...] = tuple(sorted({kind for made in (*_FOR_ALL, *_WHERE_IT_APPLIES) for kind in made.KINDS}))


def detectors_for(device: DeviceSpec) -> list[Detector]:
    """The detectors of one device, in the order in which they see a sample."""
    detectors: list[Detector] = [make(device) for make in _FOR_ALL]
    detectors += [make(device) for make in _WHERE_IT_APPLIES if make.applies(device)]
    return detectors
