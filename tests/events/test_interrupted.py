"""Faults at interruptions that must be told in every single case: a load that reports its protection; rates are for `make events`."""

from __future__ import annotations

import pytest

from tests.checklists.traces import fresh_random
from tests.events.interrupted import COMBINATIONS, trial


@pytest.mark.parametrize(("fault", "interruption", "position"), [c for c in COMBINATIONS if c[0] == "load trip"])
def test_a_load_trip_is_told_once_with_its_cause_whatever_interrupts_the_readings(fault: str, interruption: str, position: str) -> None:
    assert trial(fault, interruption, position, str(fresh_random().randrange(10**9))).wrong == ""
