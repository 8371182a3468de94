"""Instrument profiles: TOML files that describe a model; what is to be read, what the answers mean, and what that costs on the wire.

Pure: text in, objects out; the caller opens the files. Only `shipped` touches the disk: it reads the profiles that come with the package.
"""

from loadlog.profiles.blocks import gap_limit
from loadlog.profiles.budget import BusBudget, DeviceBudget, bus_budget
from loadlog.profiles.devices import check_fit, device_spec, link_traits, remarks_on
from loadlog.profiles.load import load_profile
from loadlog.profiles.plan import Decoded, RawPiece, ReadPlan
from loadlog.profiles.profile import Profile
from loadlog.profiles.shipped import shipped, shipped_names

__all__ = [
    "BusBudget",
    "Decoded",
    "DeviceBudget",
    "Profile",
    "RawPiece",
    "ReadPlan",
    "bus_budget",
    "check_fit",
    "device_spec",
    "gap_limit",
    "link_traits",
    "load_profile",
    "remarks_on",
    "shipped",
    "shipped_names",
]
