"""Odds of who stopped a current: what was read, and what the other devices of the group show."""

from __future__ import annotations

from dataclasses import replace

import pytest

from loadlog.detectors.asked import asks_for_more, asks_for_nothing
from loadlog.detectors.base import Context, Glance, Peer
from loadlog.detectors.stop_causes import LEAD, SUPPLY, WHOLE_CONNECTOR, Stop, supply_share
from loadlog.model.event import Onset
from loadlog.model.sample import Quality, Sample, Stamp
from tests.checklists.traces import load_spec, meter_spec

ONSET = Onset(1_000, 2_000)
LOCAL, REMOTE = SUPPLY / (SUPPLY + LEAD), SUPPLY / (SUPPLY + LEAD * WHOLE_CONNECTOR)


def share(*seen: tuple[int, float], remote: bool = False, flows: bool = False, until_ns: int = 5_000) -> tuple[float, bool]:
    """Of the supply; ``seen``: instants and voltages of a meter in the group, 24 V at the instant 500."""
    peer = Peer(meter_spec())
    peer.recent.extend(Glance(t_ns, t_ns, v, None, None) for t_ns, v in ((500, 24.0), *seen))
    return supply_share(remote, flows, Context(load_spec(), peers={"meter": peer}), ONSET, until_ns)


def test_alone_the_odds_stand() -> None:
    assert share() == (pytest.approx(LOCAL), False)
    assert share(remote=True) == (pytest.approx(REMOTE), False)
    assert share(flows=True)[0] == pytest.approx(0.99)


def test_a_collapse_elsewhere_is_the_supplys() -> None:
    for t_ns in (1_200, 2_500):
        assert share((t_ns, 0.0)) == (0.99, True)


def test_one_that_held_within_the_interval_leaves_the_supply_the_rest_of_it() -> None:
    for t_ns, rest in ((1_001, 1.0), (1_500, 0.5), (1_900, 0.1), (1_999, 0.05)):
        probability, is_seen = share((t_ns, 24.0))
        assert probability == pytest.approx(SUPPLY * rest / (SUPPLY * rest + LEAD), rel=0.01)
        assert not is_seen


def test_one_that_holds_afterwards_speaks_for_the_lead_the_more_the_more_often() -> None:
    """With remote sense the whole connector must be off, so once is not enough."""
    once, often = share((2_100, 24.0), remote=True), share((2_100, 24.0), (2_200, 24.0), (2_300, 24.0), remote=True)
    assert (once[1], often[1]) == (True, True)
    assert 0.3 < once[0] < 0.5
    assert often[0] < 0.05
    assert share((2_100, 24.0))[0] < 0.05
    assert share((2_100, 24.0), flows=True)[0] < 0.05  # through a contact that hardly holds
    assert share((2_100, 24.0), (2_200, 24.0), until_ns=2_000) == (pytest.approx(LOCAL), False)  # ours is back


def test_one_that_held_once_and_is_gone_too_met_a_pulse_of_a_supply_that_tries_again() -> None:
    """That a source fails by chance within the few polls after a lead broke is rare; the oftener it held first, the likelier it did."""
    for remote, least in ((True, 0.9), (False, 0.5)):
        probability, is_seen = share((2_100, 24.0), (2_200, 0.0), remote=remote)
        assert is_seen
        assert least < probability < 0.99
    assert share((2_100, 24.0), (2_200, 24.0), (3_000, 0.0))[0] < 0.5


@pytest.mark.parametrize(
    ("mode", "setpoint", "expected"),
    [
        ("cc", 0.0, True), ("cc", 4.0, False), ("cp", 1.0, True), ("cp", 90.0, False), ("cr", 1000.0, True), ("cr", 6.0, False),
        ("cr", 0.0, False), ("cv", 25.0, True), ("cv", 23.0, False), (None, 4.0, True), (None, 5.0, False), ("cc", float("nan"), False),
    ],
)  # fmt: skip
def test_a_set_point_explains_only_what_it_asks_for(mode: str | None, setpoint: float, expected: bool) -> None:
    assert asks_for_nothing(mode, setpoint, 24.0, 5.0) is expected


@pytest.mark.parametrize(
    ("mode", "setpoint", "expected"),
    [
        ("cc", 7.0, True), ("cc", 5.0, False), ("cc", 4.0, False), ("cp", 150.0, True), ("cp", 120.0, False), ("cr", 3.0, True),
        ("cr", 4.8, False), ("cr", 0.0, True), ("cv", 20.0, True), ("cv", 25.0, False), (None, 4.0, True), (None, 5.0, False),
    ],
)  # fmt: skip
def test_a_set_point_that_was_reached_asks_for_no_more(mode: str | None, setpoint: float, expected: bool) -> None:
    assert asks_for_more(mode, setpoint, 24.0, 5.0) is expected


def sample(values: dict[str, float | None], status: dict[str, int]) -> Sample:
    counts = dict.fromkeys([*values, *status], 0)
    return Sample(1, "load-1", Stamp(0, 1), Quality.GOOD, counts, values, status)


def test_what_is_read_takes_its_cause_away() -> None:
    """Not all of it at once: the first report may be from before."""
    device = load_spec(period_s=1.0)
    before = sample({"setpoint": 5.0}, {"input_on": 1, "mode": 0, "protection": 0})
    why = Stop(device, before, "cc", (24.0, 5.0), 5.0)
    assert set(why.shares()) == {"load_trip", "open_circuit", "input_switched", "setpoint_changed", "mode_changed"}
    unread = why.shares()
    assert why.read(sample({"setpoint": 5.0}, {"input_on": 1, "mode": 0, "protection": 0}), "cc") == ""
    first = why.shares()
    assert set(first) == set(unread)
    for kind, is_less in (("input_switched", True), ("setpoint_changed", True), ("open_circuit", False)):
        assert (first[kind] < unread[kind]) is is_less
    assert why.read(sample({}, {"input_on": 1, "mode": 0, "protection": 0}), "cc") == ""
    assert set(why.shares()) == {"load_trip", "open_circuit", "setpoint_changed"}
    assert not why.is_over
    assert why.read(sample({"setpoint": 5.0}, {}), "cc") == ""
    assert set(why.shares()) == {"load_trip", "open_circuit"}
    assert sum(why.shares().values()) == pytest.approx(1.0)
    assert why.is_over


@pytest.mark.parametrize(("period_s", "polls"), [(2.0, 2), (1.0, 2), (0.1, 6), (0.02, 26)])
def test_a_report_counts_for_what_was_ready_before_the_stop_until_it_must_be_new(period_s: float, polls: int) -> None:
    """Half a second and two polls; a protection that comes by then is the load's."""
    for late in (True, False):
        why = Stop(
            load_spec(period_s=period_s), sample({"setpoint": 5.0}, {"input_on": 1, "mode": 0, "protection": 0}), "cc", (24.0, 5.0), 5.0
        )
        for _ in range(polls - 1):
            assert why.read(sample({"setpoint": 5.0}, {"input_on": 1, "mode": 0, "protection": 0}), "cc") == ""
            assert not why.is_over
        word = 1 << 5 if late else 0
        assert why.read(sample({"setpoint": 5.0}, {"input_on": 1, "mode": 0, "protection": word}), "cc") == ("load_trip" if late else "")
        assert why.is_over
        assert why.protections == (("over_temperature",) if late else ())


def test_an_input_that_is_off_waits_for_the_word_of_the_protections() -> None:
    """The load's own protection switches the input off too."""
    before = sample({"setpoint": 5.0}, {"input_on": 1, "mode": 0, "protection": 0})
    for word, explained in ((0, "input_switched"), (1 << 4, "load_trip"), (1 << 7, "protection")):
        why = Stop(load_spec(period_s=1.0), before, "cc", (24.0, 5.0), 5.0)
        assert why.read(sample({}, {"input_on": 0}), "cc") == ""
        assert why.is_doubtful
        assert why.read(sample({}, {"input_on": 0, "protection": word}), "cc") == explained


def test_a_channel_that_never_comes_is_not_waited_for_without_end() -> None:
    device = load_spec(slow=10, period_s=1.0)
    why = Stop(device, sample({"setpoint": 5.0}, {"input_on": 1}), "cc", (24.0, 5.0), 5.0)
    polls = 0
    while not why.is_over and polls < 100:
        why.read(sample({}, {}), "cc")
        polls += 1
    assert polls == 21  # twice and one more


def test_local_sense_leaves_little_for_a_lead() -> None:
    """The voltage would be gone with it."""
    before = sample({"setpoint": 5.0}, {"input_on": 1, "mode": 0, "protection": 0})
    why = Stop(replace(load_spec(), sense="local", path_resistance_ohm=None), before, "cc", (24.0, 5.0), 5.0)
    assert why.shares()["open_circuit"] < 0.01
