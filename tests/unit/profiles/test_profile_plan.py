"""Read plans: few transactions, never across what must not be read, slow channels apart from each other, nothing lost on the way.

The gap rule is that of the project's measured facts; `test_no_other_cut_is_quicker` compares with every way to cut.
"""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loadlog.model.wire import Line, LinkTraits, ModbusRead, Reply, ScpiQuery, transaction_s
from loadlog.profiles import ReadPlan, gap_limit, load_profile, shipped, shipped_names
from loadlog.profiles.blocks import coalesce
from loadlog.profiles.profile import Profile, Registers

NO_PROCESSING = LinkTraits(processing_s=0.0)


@pytest.mark.parametrize(("baudrate", "gap"), [(9600, 10), (19200, 10), (38400, 13), (115200, 26)])
def test_gap_limit_of_the_measured_rule(baudrate: int, gap: int) -> None:
    assert gap_limit(Line(baudrate), NO_PROCESSING) == gap


def _profile(*places: tuple[int, int], holes: str = "", gaps: bool = True, largest: int = 125, every: tuple[int, ...] = ()) -> Profile:
    """A meter with one u16 or u32 per (address, words)."""
    text = f'name = "m"\nprotocol = "modbus"\nroles = ["meter"]\n[timing]\nprocessing_s = 0.0\nlargest_block = {largest}\n[quirks]\n'
    text += f"read_gaps = {str(gaps).lower()}\nholes = [{holes}]\n"
    for index, (address, words) in enumerate(places):
        rate = every[index] if every else 1
        text += f'[[channel]]\nname = "c{index}_v"\naddress = {address}\ntype = "u{16 * words}"\nevery = {rate}\n'
    return load_profile(text, "p")


def _reads(profile: Profile, line: Line | None) -> list[tuple[int, int]]:
    return [(r.address, r.count) for r in ReadPlan.make(profile, line).requests(0) if isinstance(r, ModbusRead)]


@pytest.mark.parametrize(("baudrate", "gap"), [(9600, 10), (38400, 13), (115200, 26)])
def test_ranges_are_merged_up_to_the_gap_limit_and_no_further(baudrate: int, gap: int) -> None:
    line = Line(baudrate)
    assert _reads(_profile((0, 2), (2 + gap, 2)), line) == [(0, 4 + gap)]
    assert _reads(_profile((0, 2), (3 + gap, 2)), line) == [(0, 2), (3 + gap, 2)]


def test_gaps_are_crossed_only_where_the_profile_allows_it() -> None:
    assert _reads(_profile((0, 2), (3, 2), gaps=False), Line(9600)) == [(0, 2), (3, 2)]
    assert _reads(_profile((0, 2), (2, 2), gaps=False), Line(9600)) == [(0, 4)]
    assert _reads(_profile((0, 2), (3, 2), holes="{ first = 2, last = 2 }"), Line(9600)) == [(0, 2), (3, 2)]
    assert _reads(_profile((0, 2), (3, 2), holes="{ first = 2, last = 2, function = 4 }"), Line(9600)) == [(0, 5)]
    assert _reads(_profile((0, 2), (3, 2), holes="{ first = 2, last = 2 }"), None) == [(0, 2), (3, 2)]


def test_blocks_stay_within_the_largest() -> None:
    assert _reads(_profile(*((2 * n, 2) for n in range(6)), largest=5), Line(9600)) == [(0, 4), (4, 4), (8, 4)]
    assert _reads(_profile(*((n, 1) for n in range(130))), Line(9600)) in ([(0, 125), (125, 5)], [(0, 5), (5, 125)])


def test_without_a_line_the_number_of_transactions_counts() -> None:
    assert _reads(_profile((0, 2), (100, 2)), None) == [(0, 102)]
    assert _reads(_profile((0, 2), (124, 2)), None) == [(0, 2), (124, 2)]


def test_a_range_within_another_cuts_no_block_in_two() -> None:
    """26 is no gap behind the range 25..25: the range 24..26 asks for it."""
    places = [Registers(3, 24, 3), Registers(3, 25, 1), Registers(3, 27, 1)]
    assert coalesce(places, _profile((200, 1), gaps=False), Line(9600)) == (ModbusRead(3, 24, 4),)


PLACES = st.lists(st.tuples(st.integers(0, 60), st.integers(1, 4)), min_size=1, max_size=7)


@settings(max_examples=150)
@given(
    ranges=PLACES,
    holes=st.lists(st.integers(0, 64), max_size=3),
    largest=st.integers(4, 30),
    baudrate=st.sampled_from([9600, 38400, 115200]),
    gaps=st.booleans(),
)
def test_no_other_cut_is_quicker(ranges: list[tuple[int, int]], holes: list[int], largest: int, baudrate: int, gaps: bool) -> None:
    """Brute force over all cuts of the sorted ranges; the plan must cover everything, obey every rule, and be as quick as the best."""
    taken = {a + n for a, size in ranges for n in range(size)}
    forbidden = set(holes) - taken
    text = ", ".join(f"{{ first = {h}, last = {h} }}" for h in forbidden)
    profile = _profile((200, 1), holes=text, gaps=gaps, largest=largest)
    line = Line(baudrate)
    places = sorted((Registers(3, a, size) for a, size in set(ranges)), key=lambda p: (p.address, p.end))

    def legal(read: ModbusRead) -> bool:
        span = set(range(read.address, read.address + read.count))
        return not span & forbidden and (gaps or span <= taken)

    reads = coalesce(places, profile, line)
    assert all(any(r.address <= p.address and p.end <= r.address + r.count for r in reads) for p in places)
    assert all(legal(r) and (r.count <= largest or any(p.count == r.count for p in places)) for r in reads)
    best = math.inf
    for cuts in itertools.product((False, True), repeat=len(places) - 1):
        blocks = [[places[0]]]
        for place, cut in zip(places[1:], cuts, strict=True):
            if cut:
                blocks.append([place])
            else:
                blocks[-1].append(place)
        tried = [ModbusRead(3, b[0].address, max(p.end for p in b) - b[0].address) for b in blocks]
        if all(legal(r) and r.count <= largest for r in tried):
            best = min(best, sum(transaction_s(line, r, profile.traits) for r in tried))
    assert sum(transaction_s(line, r, profile.traits) for r in reads) == pytest.approx(best, rel=1e-9)


def test_slow_channels_are_read_every_nth_poll_and_not_all_at_once() -> None:
    plan = ReadPlan.make(_profile((0, 2), (100, 2), (200, 2), (300, 2), every=(1, 4, 4, 4)), Line(9600))
    assert plan.cycle == 4
    for name, every in (("c0_v", 1), ("c1_v", 4), ("c2_v", 4), ("c3_v", 4)):
        due = [n for n in range(40) if name in {c.name for c in plan.due(n)}]
        assert [b - a for a, b in itertools.pairwise(due)] == [every] * (len(due) - 1)
    assert sorted(len(plan.requests(n)) for n in range(4)) == [1, 2, 2, 2]


def test_slow_channels_of_one_block_stay_together() -> None:
    plan = ReadPlan.make(_profile((0, 2), (100, 2), (102, 2), (104, 2), every=(1, 5, 5, 5)), Line(9600))
    assert sorted(len(plan.requests(n)) for n in range(5)) == [1, 1, 1, 1, 2]


@pytest.mark.parametrize(
    ("every", "busiest"),
    [((1, 2, 4, 4), 2), ((1, 4, 4, 2), 2), ((1, 4, 2, 4), 2), ((1, 2, 2, 2), 3), ((1, 10, 5, 10, 5, 5, 5), 2), ((1, 3, 6, 6, 6, 3), 3)],
)
def test_the_busiest_poll_is_no_busier_than_it_must_be(every: tuple[int, ...], busiest: int) -> None:
    """Each channel needs a transaction of its own; on average sum(1/every) of them come due, so the least possible peak is known."""
    places = [(100 * n, 2) for n in range(len(every))]
    plan = ReadPlan.make(_profile(*places, every=every), Line(9600))
    assert math.ceil(sum(1 / e for e in every) - 1e-9) == busiest
    assert max(len(plan.requests(n)) for n in range(plan.cycle)) == busiest


def test_the_costlier_of_two_slow_blocks_finds_the_emptier_poll() -> None:
    """With two phases and three blocks the two short ones share a poll."""
    wide = tuple((100 + n, 1) for n in range(20))
    plan = ReadPlan.make(_profile((0, 2), (200, 2), *wide, (300, 2), every=(1, 2, *(2,) * 20, 2), gaps=False), Line(9600))
    due = [{r.count for r in plan.requests(n) if isinstance(r, ModbusRead)} for n in range(2)]
    assert {2, 20} in due
    assert [len(plan.requests(n)) for n in range(2)] in ([2, 3], [3, 2])
    assert all(len(plan.requests(n)) == 2 for n in range(2) if 20 in due[n])


def test_different_cycles() -> None:
    plan = ReadPlan.make(_profile((0, 2), (100, 2), (200, 2), every=(1, 4, 6)), Line(9600))
    assert plan.cycle == 12
    seen = [{c.name for c in plan.due(n)} for n in range(24)]
    assert sum("c1_v" in s for s in seen) == 6
    assert sum("c2_v" in s for s in seen) == 4
    assert plan.requests(5) == plan.requests(17)


@pytest.mark.parametrize("name", shipped_names())
def test_every_channel_of_a_cycle_is_decoded_from_the_registers_that_the_profile_names(name: str) -> None:
    """Each register answers with its own address, so a channel read from a wrong place would show; a full poll gives the same."""
    profile = load_profile(shipped(name), name)
    plan = ReadPlan.make(profile, Line(19200) if profile.protocol == "modbus" else None)
    full = plan.raw_full([_answer(r) for r in plan.full_requests])
    assert set(full) == {p.spec.name for p in profile.points}
    seen: set[str] = set()
    for n in range(plan.cycle):
        decoded = plan.decode(n, [_answer(r) for r in plan.requests(n)])
        assert set(decoded.counts) == {c.name for c in plan.due(n)}
        seen |= set(decoded.counts)
    assert seen == set(full)
    for point in profile.points:
        for place, raw in zip(point.places, full[point.spec.name], strict=True):
            assert raw.place == str(place)
            if isinstance(place, Registers) and place.function in (3, 4):
                assert raw.piece == tuple(range(place.address, place.end))


def _answer(request: object) -> Reply:
    if isinstance(request, ModbusRead):
        words = range(request.address, request.address + request.count)
        return Reply(request, tuple(w & 1 for w in words) if request.function in (1, 2) else tuple(words), "", 0, 1)
    assert isinstance(request, ScpiQuery)
    return Reply(request, (), ";".join("1" for _ in request.text.split(";")), 0, 1)


def test_the_simulated_load_is_read_in_one_transaction_but_for_the_slow_block() -> None:
    profile = load_profile(shipped("simulated-load"), "s")
    plan = ReadPlan.make(profile, Line(38400))
    assert [len(plan.requests(n)) for n in range(5)].count(2) == 1
    assert plan.identity_requests == (ModbusRead(3, 0x0000, 4), ModbusRead(3, 0x0030, 8))


SCPI = """
name = "m"
protocol = "scpi"
roles = ["meter"]
[timing]
longest_message = 30
"""


def _scpi(*channels: tuple[str, bool]) -> list[str]:
    text = SCPI
    for index, (query, join) in enumerate(channels):
        text += f'[[channel]]\nname = "c{index}_v"\nquery = "{query}"\njoin = {str(join).lower()}\nresolution = 0.1\n'
    return [r.text for r in ReadPlan.make(load_profile(text, "p"), None).requests(0) if isinstance(r, ScpiQuery)]


def test_scpi_queries_share_a_message_only_where_they_may() -> None:
    assert _scpi(("A?", True), ("B?", True)) == ["A?;:B?"]
    assert _scpi(("A?", False), ("B?", False)) == ["A?", "B?"]
    assert _scpi(("A?", True), ("B?", False), ("C?", True)) == ["A?;:C?", "B?"]
    assert _scpi((":A?", True), (":B?", True), ("*OPT?", True)) == [":A?;:B?;*OPT?"]


def test_a_query_of_two_fields_is_asked_once_and_joined_only_if_both_may() -> None:
    text = SCPI
    for name, field, join in (("a_v", 1, "false"), ("b_v", 2, "true"), ("c_v", 1, "true")):
        query = "READ?" if name != "c_v" else "C?"
        text += f'[[channel]]\nname = "{name}"\nquery = "{query}"\nfield = {field}\njoin = {join}\nresolution = 0.1\n'
    assert [r.text for r in ReadPlan.make(load_profile(text, "p"), None).requests(0) if isinstance(r, ScpiQuery)] == ["READ?", "C?"]


def test_scpi_messages_stay_within_the_longest() -> None:
    messages = _scpi(*((f"MEAS:VOLT{n}?", True) for n in range(6)))
    assert all(len(m) <= 30 for m in messages)
    assert sum(m.count("?") for m in messages) == 6
    assert len(messages) == 3
