"""Which registers are read together: ranges are put together to the blocks whose transactions take the least time on the wire.

Rule (measured with conforming devices): two ranges are worth one block when the gap between them is at most
(13·tc + silences + processing)/(2·tc) registers, tc the time of a character; 13 characters are what a request and the frame of its answer
take beside the registers. The choice here is the exact minimum over all ways to cut the sorted ranges, which is that rule as long as no
block limit is met. Without a serial line the number of transactions counts first. Gaps are crossed only where the profile allows it, holes
never.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from loadlog.model.wire import READ_COILS, READ_DISCRETE, Line, LinkTraits, ModbusRead, transaction_s
from loadlog.profiles.profile import Profile, Registers


def gap_limit(line: Line, traits: LinkTraits) -> int:
    """The widest gap, in registers, that is cheaper to read along than to leave out."""
    overhead_s = transaction_s(line, ModbusRead(3, 0, 0), traits)
    return int(overhead_s / line.characters_s(2) + 1e-9)


def coalesce(places: Iterable[Registers], profile: Profile, line: Line | None) -> tuple[ModbusRead, ...]:
    """The reads that cover all places, sorted by function and address. Places may touch, repeat and overlap."""
    reads: list[ModbusRead] = []
    by_function: dict[int, set[Registers]] = {}
    for place in places:
        by_function.setdefault(place.function, set()).add(place)
    for function in sorted(by_function):
        for first, end in _blocks(sorted(by_function[function], key=lambda p: (p.address, p.end)), profile, line):
            reads.append(ModbusRead(function, first, end - first))
    return tuple(reads)


def _blocks(places: Sequence[Registers], profile: Profile, line: Line | None) -> list[tuple[int, int]]:
    """The cheapest cut of sorted places of one function into blocks; dynamic programming over the last block."""
    best: list[tuple[float, list[tuple[int, int]]]] = [(0.0, [])]
    asked = {register for place in places for register in range(place.address, place.end)}
    for last in range(len(places)):
        options = []
        end = 0
        for first in range(last, -1, -1):
            begin, function = places[first].address, places[first].function
            end = max(end, places[first].end)
            size = end - begin
            if first < last and (size > profile.block_limit(function) or not _readable(function, set(range(begin, end)) - asked, profile)):
                break  # what begins earlier is longer still, and holds the same gaps
            cost, blocks = best[first]
            options.append((cost + _cost(function, size, profile.traits, line), blocks, (begin, end)))
        cost, blocks, block = min(options, key=lambda o: (round(o[0], 9), len(o[1])))
        best.append((cost, [*blocks, block]))
    return best[-1][1]


def _cost(function: int, size: int, traits: LinkTraits, line: Line | None) -> float:
    if line is not None:
        return transaction_s(line, ModbusRead(function, 0, size), traits)
    words = size / 16 if function in (READ_COILS, READ_DISCRETE) else size
    return 1.0 + words * 1e-4  # one transaction outweighs any gap that a block can hold; fewer registers decide between equals


def _readable(function: int, gaps: set[int], profile: Profile) -> bool:
    """Whether the registers ``gaps``, which nobody asked for, may be read along."""
    if not gaps:
        return True
    if not profile.read_gaps:
        return False
    return not any(h.function == function and any(h.address <= register < h.end for register in gaps) for h in profile.holes)
