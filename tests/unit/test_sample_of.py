"""The quick way to a sample gives what the constructor gives."""

from __future__ import annotations

import pickle
from dataclasses import FrozenInstanceError, fields, replace

import pytest

from loadlog.model.sample import Quality, Sample, Stamp, sample_of, stamp_of


def made() -> tuple[Sample, Sample]:
    """The same sample both ways, with every field its own value."""
    nothing = frozenset[str]()
    both = [
        make(
            7, "load-1", at(10**18, 10**6, 0, 0.002), Quality.UNCERTAIN, {"voltage_v": 24000}, {"voltage_v": 24.0}, {"input_on": 1},
            {"voltage_v": 0.01}, {"voltage_v": "frozen"}, nothing, frozenset({"setpoint"}), detail="why",
        )
        for make, at in ((Sample, Stamp), (sample_of, stamp_of))
    ]  # fmt: skip
    return both[0], both[1]


def test_it_is_the_same_sample() -> None:
    plain, quick = made()
    assert type(quick) is Sample
    assert quick == plain
    assert [getattr(quick, f.name) for f in fields(Sample)] == [getattr(plain, f.name) for f in fields(Sample)]
    assert repr(quick) == repr(plain)


def test_it_is_as_frozen_and_can_be_copied() -> None:
    _, quick = made()
    with pytest.raises(FrozenInstanceError):
        quick.seq = 8  # type: ignore[misc]
    with pytest.raises(FrozenInstanceError):
        quick.stamp.t_utc_ns = 8  # type: ignore[misc]
    assert replace(quick, seq=8).seq == 8
    assert pickle.loads(pickle.dumps(quick)) == quick
