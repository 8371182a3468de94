"""Reading and watching a range, on instruments that have holes, refuse halves, or fall silent."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import pytest
from virtual_unit import Bench, Unit

from loadlog.bringup import Change, Settled, read_registers, watch_registers
from loadlog.bringup.registers import SETTLE_READS
from loadlog.model.errors import DeviceError, UsageError


def test_a_range_without_holes_is_read_in_blocks() -> None:
    unit = Unit(words={a: a * 3 for a in range(64)})
    bench = Bench(unit)
    link = bench.link()
    link.open()
    found = read_registers(bench.bus, link, bench.clock, 1, 0, 64)
    assert found.words == {a: a * 3 for a in range(64)}
    assert not found.holes
    assert len(unit.asked) == 2


def test_holes_are_found_by_halving() -> None:
    exists = [*range(0, 4), *range(16, 26), *range(32, 38), 48, *range(64, 69)]  # as the simulated load's map
    unit = Unit(words={a: 1 for a in exists})
    bench = Bench(unit)
    link = bench.link()
    link.open()
    found = read_registers(bench.bus, link, bench.clock, 1, 0, 72)
    assert sorted(found.words) == exists
    assert [(h.first, h.last) for h in found.holes] == [(4, 15), (26, 31), (38, 47), (49, 63), (69, 71)]
    assert all("exception 2" in h.detail for h in found.holes)


def test_a_value_of_two_registers_that_is_refused_by_halves() -> None:
    unit = Unit(words={10: 1, 11: 2, 13: 3, 14: 4}, whole=frozenset({10, 13}))
    bench = Bench(unit)
    link = bench.link()
    link.open()
    found = read_registers(bench.bus, link, bench.clock, 1, 8, 9)
    assert found.words == {10: 1, 11: 2, 13: 3, 14: 4}


def test_an_instrument_that_gives_few_registers_at_once() -> None:
    unit = Unit(words={a: a for a in range(40)}, largest=8)
    bench = Bench(unit)
    link = bench.link()
    link.open()
    assert len(read_registers(bench.bus, link, bench.clock, 1, 0, 40).words) == 40


def test_silence_is_told_soon_and_with_advice() -> None:
    unit = Unit(is_silent=True)
    bench = Bench(unit)
    link = bench.link()
    link.open()
    with pytest.raises(DeviceError, match="swap the wires"):
        read_registers(bench.bus, link, bench.clock, 1, 0, 100)
    assert len(unit.asked) <= 4


@pytest.mark.parametrize(("function", "first", "count"), [(5, 0, 1), (3, -1, 2), (3, 65530, 10), (3, 0, 0)])
def test_what_modbus_has_not_is_refused(function: int, first: int, count: int) -> None:
    bench = Bench(Unit())
    with pytest.raises(UsageError):
        read_registers(bench.bus, bench.link(), bench.clock, 1, first, count, function)


def watched(bench: Bench, unit: Unit, steps: Iterator[dict[int, int]], reads: int) -> list[Settled | Change]:
    """Watch while the map takes the next of ``steps`` before every read."""
    link = bench.link()
    link.open()
    start = read_registers(bench.bus, link, bench.clock, 1, 0, 8)
    made = 0

    def turn() -> bool:
        nonlocal made
        unit.words.update(next(steps, {}))
        made += 1
        return made > reads

    return list(watch_registers(bench.bus, link, bench.clock, start, should_stop=turn))


def test_a_turned_knob_is_told_old_and_new() -> None:
    unit = Unit(words=dict.fromkeys(range(8), 0) | {4: 0x0000, 5: 0x4148})
    steps = iter([{}] * (SETTLE_READS + 1) + [{5: 0x4150}])
    settled, *changes = watched(Bench(unit), unit, steps, SETTLE_READS + 4)
    assert settled == Settled(())
    assert [c.address for c in changes if isinstance(c, Change)] == [5]
    change = changes[0]
    assert isinstance(change, Change)
    assert (change.old.u16, change.new.u16) == (0x4148, 0x4150)
    assert change.alone


def test_what_moves_by_itself_is_not_told() -> None:
    unit = Unit(words=dict.fromkeys(range(8), 100))
    counter = itertools.count(101)
    steps = ({2: next(counter), 3: 100 + (i % 3)} for i in itertools.count())
    settled, *changes = watched(Bench(unit), unit, steps, 30)
    assert isinstance(settled, Settled)
    assert settled.restless == (2, 3)
    assert not changes


def test_a_jump_of_something_restless_is_told() -> None:
    unit = Unit(words=dict.fromkeys(range(8), 100))
    steps = ({2: 100 + i + (5000 if i > 12 else 0)} for i in itertools.count())
    _, *changes = watched(Bench(unit), unit, steps, 20)
    assert [c.address for c in changes if isinstance(c, Change)] == [2]


def test_two_registers_that_change_together_are_marked() -> None:
    unit = Unit(words=dict.fromkeys(range(8), 0))
    steps = iter([{}] * (SETTLE_READS + 1) + [{6: 0x4049, 7: 0x0FDB}])
    _, *changes = watched(Bench(unit), unit, steps, SETTLE_READS + 3)
    assert [(c.address, c.alone) for c in changes if isinstance(c, Change)] == [(6, False), (7, False)]
    assert isinstance(changes[0], Change)
    assert changes[0].new.f32 is not None
    assert abs(changes[0].new.f32 - 3.14159) < 1e-4


def test_watching_ends_with_an_error_when_the_unit_falls_silent() -> None:
    unit = Unit(words=dict.fromkeys(range(8), 0))
    bench = Bench(unit)
    link = bench.link()
    link.open()
    start = read_registers(bench.bus, link, bench.clock, 1, 0, 8)
    unit.is_silent = True
    with pytest.raises(DeviceError, match="any more"):
        list(watch_registers(bench.bus, link, bench.clock, start))
