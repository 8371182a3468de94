"""An instrument that is polled more often than it has another reading. All benches drawn afresh."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator

import pytest

from loadlog.detectors.renewal import Renewal
from loadlog.model.sample import Reading, Stamp
from loadlog.pipeline import Pipeline
from tests.checklists.traces import T0_NS, fresh_random, load_spec

PERIOD_S = 0.02
Counts = tuple[int, int]  # of 1 mV and 1 mA


def noise(draw: random.Random, counts: float) -> Callable[[int], Counts]:
    """Readings with that deviation of white noise beneath the rounding, at a level that lies anywhere between two counts."""
    volts, amperes = 12000.0 + draw.random(), 3000.0 + draw.random()
    return lambda _: (round(draw.gauss(volts, counts)), round(draw.gauss(amperes, counts)))


def polled(readings: Callable[[int], Counts], polls: int, spread: float, draw: random.Random) -> Iterator[Counts]:
    """Every reading as often as the instrument shows it: its clock and that of the polls drift against each other."""
    due, at = 0.0, 0
    shown = readings(0)
    for poll in range(1 << 30):
        while poll >= due:
            at += 1
            shown, due = readings(at), due + polls + draw.uniform(-spread, spread)
        yield shown


def watch(stream: Iterator[Counts], number: int, one: Renewal | None = None) -> tuple[Renewal, int, set[int]]:
    """(the watch, how many were taken for repeated, the figures that it gave)."""
    one = one or Renewal(load_spec("load-1", period_s=PERIOD_S))
    repeated, given = 0, set()
    for _, (volts, amperes) in zip(range(number), stream, strict=False):
        repeated += one.repeats(volts * 1e-3, amperes * 1e-3, False)
        given.add(one.polls)
    return one, repeated, given


@pytest.mark.parametrize("polls", [2, 3, 5, 25, 50])
@pytest.mark.parametrize("counts", [0.6, 2.0])
def test_readings_that_are_polled_again_are_recognised(polls: int, counts: float) -> None:
    draw = fresh_random()
    stream = polled(noise(draw, counts), polls, 0.4 if polls > 2 else 0.0, draw)
    one, _, _ = watch(stream, 200 * polls)
    assert min(0.7 * polls, polls - 1) <= one.polls <= polls
    _, repeated, given = watch(stream, 200 * polls, one)
    assert given == {one.polls}
    assert 1.0 - 1.5 / polls <= repeated / (200 * polls) <= 1.0 - 0.9 / polls


@pytest.mark.parametrize("counts", [0.02, 0.1, 0.15, 0.2, 0.3, 0.5, 1.0, 5.0])
def test_readings_of_every_poll_are_all_taken(counts: float) -> None:
    """Whether noise changes every one of them, or one in a hundred."""
    draw = fresh_random()
    _, repeated, given = watch(polled(noise(draw, counts), 1, 0.0, draw), 60_000)
    assert (repeated, given) == (0, {1})


@pytest.mark.parametrize("counts", [0.0, 0.02])
@pytest.mark.parametrize("every", [4, 20, 60])
def test_a_level_that_drifts_through_the_counts_is_no_repeated_reading(counts: float, every: int) -> None:
    """A battery that sags: one count every so many polls."""
    draw = fresh_random()
    _, repeated, given = watch(((round(draw.gauss(12000.0 - poll / every, counts)), 3000) for poll in range(20_000)), 20_000)
    assert (repeated, given) == (0, {1})


def test_a_renewal_between_two_registers_of_a_poll_now_and_then_changes_nothing() -> None:
    draw = fresh_random()

    def torn() -> Iterator[Counts]:
        before = (0, 0)
        for volts, amperes in polled(noise(draw, 2.0), 25, 0.4, draw):
            yield (before[0], amperes) if (volts, amperes) != before and draw.random() < 0.02 else (volts, amperes)
            before = (volts, amperes)

    one, _, _ = watch(torn(), 60 * 25)
    assert one.polls > 1
    assert watch(torn(), 400 * 25, one)[2] == {one.polls}


def test_an_instrument_that_gets_quicker_is_followed_within_a_few_polls() -> None:
    draw = fresh_random()
    one, _, _ = watch(polled(noise(draw, 2.0), 10, 0.4, draw), 600)
    assert one.polls > 1
    one, repeated, _ = watch(polled(noise(draw, 2.0), 1, 0.0, draw), 40, one)
    assert one.polls == 1
    assert repeated <= 12


def test_what_orders_change_is_no_evidence() -> None:
    """A plan that orders a step every tenth poll, at a noise that shows none between."""
    one = Renewal(load_spec("load-1", period_s=PERIOD_S))
    for poll in range(20_000):
        level = (poll // 10) % 2
        assert not one.repeats(12.0 - 0.1 * level, 3.0 + level, True)
    assert one.polls == 1


def test_the_period_of_the_readings_is_shown_beside_what_was_learned() -> None:
    """Polled fifty times a second, renewed five times; an instrument that has another reading at every poll has no such fact."""
    for polls in (10, 1):
        draw = fresh_random()
        spec = load_spec("load-1", period_s=PERIOD_S)
        pipeline = Pipeline([spec], next_seq=1, next_event_id=1)
        stream = polled(noise(draw, 2.0), polls, 0.4 if polls > 1 else 0.0, draw)
        for poll, (volts, amperes) in zip(range(1500), stream, strict=False):
            stamp = Stamp(T0_NS + round(poll * PERIOD_S * 1e9), 1_000_000)
            pipeline.feed(Reading("load-1", stamp, {"voltage_v": volts, "current_a": amperes, "input_on": 1, "mode": 0, "setpoint": 3000}))
        facts = {f.name: f for f in pipeline.learned("load-1").facts}
        if polls == 1:
            assert "reading_period_s" not in facts
            continue
        shown = facts["reading_period_s"]
        assert shown.unit == "s"
        assert shown.value == pytest.approx(polls * PERIOD_S, abs=3 * PERIOD_S)


def test_while_readings_may_repeat_that_is_said_and_a_shorter_run_takes_it_back() -> None:
    """After some runs of ten polls it is likely, not certain yet; a change in the next poll refutes it, and takes more the next time."""
    one = Renewal(load_spec("load-1", period_s=PERIOD_S))
    level = 0

    def run(polls: int) -> None:
        nonlocal level
        for _ in range(polls):
            assert not one.repeats(12.0 + 0.003 * level, 3.0, False)
        level = 1 - level

    waits = []
    for _ in range(3):
        wait = 0
        while not one.may_repeat:
            run(10)
            wait += 1
            assert wait < 20
        assert one.polls == 1
        waits.append(wait)
        run(1)
        run(1)
        assert not one.may_repeat
    assert waits == sorted(set(waits))
