"""What one device is asked at its n-th poll, and what the answers say.

Fast channels are due at every poll, slow ones at every n-th; slow ones that would need transactions of their own are staggered, so that
they do not all come due at once. Channels that share ``every`` and a block stay together, so staggering never costs a
transaction. What is due repeats after the least common multiple of all ``every``; each distinct poll is planned once, so a poll costs a
look-up and one decoder per channel.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from loadlog.model.device import ChannelSpec
from loadlog.model.wire import Line, ModbusRead, Reply, Request, ScpiQuery, transaction_s
from loadlog.profiles.blocks import coalesce
from loadlog.profiles.decode import UNDECODABLE
from loadlog.profiles.profile import Answer, Place, Point, Profile, Registers
from loadlog.profiles.scpi_numbers import split

Piece = tuple[int, ...] | str
Window = tuple[int, slice]  # number of the request, and what to cut out of the words of its reply
Replies = Sequence[Reply | None]
Cut = Callable[[Replies], "Piece | None"]


@dataclass(frozen=True, slots=True)
class Decoded:
    """``counts``: channel -> integer count of the stored scale, None when there is none; ``reasons`` says why (see `decode`). ``texts`` is
    empty: identity has requests of its own. Channels that were not due, or whose reply is missing, are absent."""

    counts: Mapping[str, int | None]
    reasons: Mapping[str, str]
    texts: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class RawPiece:
    """Where a channel was read (for people) and what stood there."""

    place: str
    piece: Piece


@dataclass(frozen=True, slots=True)
class _Poll:
    """The requests of one kind of poll, and where in their replies each of ``names`` finds its pieces. ``windows``: the same for those that
    have but one piece, which is words; else None."""

    requests: tuple[Request, ...]
    names: tuple[str, ...]
    decoders: tuple[Callable[..., int | str | None], ...]
    cuts: tuple[tuple[Cut, ...], ...]
    windows: tuple[Window | None, ...]
    labels: tuple[tuple[str, ...], ...]


class ReadPlan:
    """Made once per device by `make`; see the module."""

    def __init__(self, profile: Profile, line: Line | None) -> None:
        self.profile = profile
        self.line = line
        self._polls: dict[frozenset[int], _Poll] = {}
        points = profile.points
        self.cycle = math.lcm(*(p.spec.every for p in points))
        self._offsets = _stagger(profile, line, self.cycle)
        self._by_phase = tuple(self._poll(frozenset(self._due(phase))) for phase in range(self.cycle))
        self._full = self._poll(frozenset(range(len(points))))
        self._identity = _make_poll(profile, line, [(i.name, (i.place,), i.decode) for i in profile.identity])

    @classmethod
    def make(cls, profile: Profile, line: Line | None) -> ReadPlan:
        """The plan of one device; ``line`` is the pace of its serial bus, None where there is no wire time to save."""
        return cls(profile, line)

    def requests(self, n: int) -> tuple[Request, ...]:
        """What to ask at the n-th poll, in this order; empty when nothing is due."""
        return self._by_phase[n % self.cycle].requests

    def decode(self, n: int, replies: Replies) -> Decoded:
        """The channels of the n-th poll from the replies to `requests`, one each and in the same order; None for one that failed."""
        return _decode(self._by_phase[n % self.cycle], replies)

    def due(self, n: int) -> tuple[ChannelSpec, ...]:
        """The channels of the n-th poll."""
        return tuple(self.profile.points[i].spec for i in self._due(n % self.cycle))

    @property
    def full_requests(self) -> tuple[Request, ...]:
        """What to ask when every channel is wanted at once."""
        return self._full.requests

    def decode_full(self, replies: Replies) -> Decoded:
        """Every channel from the replies to `full_requests`."""
        return _decode(self._full, replies)

    def raw_full(self, replies: Replies) -> dict[str, tuple[RawPiece, ...]]:
        """Per channel the words or the text as they came, from the replies to `full_requests`; channels without a reply are absent."""
        out = {}
        for name, cuts, labels in zip(self._full.names, self._full.cuts, self._full.labels, strict=True):
            pieces = [cut(replies) for cut in cuts]
            if None not in pieces:
                out[name] = tuple(RawPiece(label, piece) for label, piece in zip(labels, pieces, strict=True) if piece is not None)
        return out

    @property
    def identity_requests(self) -> tuple[Request, ...]:
        """What to ask for the identity; empty when the profile has none."""
        return self._identity.requests

    def decode_identity(self, replies: Replies) -> dict[str, str]:
        """The identity texts by name, from the replies to `identity_requests`; one that cannot be decoded is absent."""
        texts = {}
        for name, decode, cuts in zip(self._identity.names, self._identity.decoders, self._identity.cuts, strict=True):
            piece = cuts[0](replies)
            text = decode(piece) if piece else None
            if isinstance(text, str):
                texts[name] = text
        return texts

    def _due(self, phase: int) -> Iterable[int]:
        points = self.profile.points
        return (i for i, p in enumerate(points) if phase % p.spec.every == self._offsets[i])

    def _poll(self, due: frozenset[int]) -> _Poll:
        poll = self._polls.get(due)
        if poll is None:
            chosen = [self.profile.points[i] for i in sorted(due)]
            poll = _make_poll(self.profile, self.line, [(p.spec.name, p.places, p.decode) for p in chosen])
            self._polls[due] = poll
        return poll


def _decode(poll: _Poll, replies: Replies) -> Decoded:
    if len(replies) != len(poll.requests):
        raise ValueError(f"{len(replies)} replies to {len(poll.requests)} requests")
    counts: dict[str, int | None] = {}
    reasons: dict[str, str] = {}
    for name, decode, cuts, window in zip(poll.names, poll.decoders, poll.cuts, poll.windows, strict=True):
        if window is not None:
            reply = replies[window[0]]
            if reply is None:
                continue
            found = decode(reply.words[window[1]])
        else:
            pieces = [cut(replies) for cut in cuts]
            if None in pieces:
                continue
            found = decode(*pieces) if "" not in pieces else UNDECODABLE
        if isinstance(found, int):
            counts[name] = found
        else:
            counts[name] = None
            reasons[name] = found or UNDECODABLE
    return Decoded(counts, reasons, _NO_TEXTS)


_NO_TEXTS: Mapping[str, str] = MappingProxyType({})


# -- planning

Wanted = tuple[str, tuple[Place, ...], Callable[..., "int | str | None"]]


def _make_poll(profile: Profile, line: Line | None, wanted: Sequence[Wanted]) -> _Poll:
    places = [place for _, at, _ in wanted for place in at]
    cut_of: dict[Place, Cut] = {}
    window_of: dict[Place, Window] = {}
    requests: tuple[Request, ...]
    if profile.protocol == "modbus":
        reads = coalesce([p for p in places if isinstance(p, Registers)], profile, line)
        window_of = {p: _window(p, reads) for p in places if isinstance(p, Registers)}
        cut_of |= {p: _register_cut(*window) for p, window in window_of.items()}
        requests = reads
    else:
        messages = _messages([p for p in places if isinstance(p, Answer)], profile.longest_message)
        cut_of |= {p: _answer_cut(p, messages) for p in places if isinstance(p, Answer)}
        requests = tuple(ScpiQuery(_joined(queries)) for queries in messages)
    return _Poll(
        requests,
        tuple(name for name, _, _ in wanted),
        tuple(decode for _, _, decode in wanted),
        tuple(tuple(cut_of[p] for p in at) for _, at, _ in wanted),
        tuple(window_of.get(at[0]) if len(at) == 1 else None for _, at, _ in wanted),
        tuple(tuple(str(p) for p in at) for _, at, _ in wanted),
    )


def _window(place: Registers, reads: Sequence[ModbusRead]) -> Window:
    where = next(i for i, r in enumerate(reads) if _holds(r, place))
    start = place.address - reads[where].address
    return where, slice(start, start + place.count)


def _register_cut(where: int, window: slice) -> Cut:
    def cut(replies: Replies) -> Piece | None:
        reply = replies[where]
        return None if reply is None else reply.words[window]

    return cut


def _holds(read: ModbusRead, place: Registers) -> bool:
    return read.function == place.function and read.address <= place.address and place.end <= read.address + read.count


def _messages(answers: Sequence[Answer], longest: int) -> list[list[str]]:
    """Queries per message: each asked once; those that may be joined share messages up to the longest."""
    messages: list[list[str]] = []
    open_message: list[str] | None = None
    joinable: dict[str, bool] = {}
    for answer in answers:
        joinable[answer.query] = joinable.get(answer.query, True) and answer.join
    for query, join in joinable.items():
        if not join:
            messages.append([query])
        elif open_message is not None and len(_joined([*open_message, query])) <= longest:
            open_message.append(query)
        else:
            open_message = [query]
            messages.append(open_message)
    return messages


def _joined(queries: Sequence[str]) -> str:
    """One program message. A colon takes each query back to the root of the command tree (SCPI-99 volume 1, 6.2.4)."""
    first, *rest = queries
    return ";".join([first, *(q if q[0] in ":*" else f":{q}" for q in rest)])


def _answer_cut(answer: Answer, messages: Sequence[Sequence[str]]) -> Cut:
    where = next(i for i, queries in enumerate(messages) if answer.query in queries)
    number, position, field = len(messages[where]), messages[where].index(answer.query), answer.field - 1

    def cut(replies: Replies) -> Piece | None:
        """The field; empty when there is none, because then nothing says which answer belongs to which query."""
        reply = replies[where]
        if reply is None:
            return None
        answers = split(reply.text, ";") if number > 1 else [reply.text]
        if len(answers) != number:
            return ""
        fields = split(answers[position], ",")
        return fields[field] if field < len(fields) else ""

    return cut


def _stagger(profile: Profile, line: Line | None, cycle: int) -> tuple[int, ...]:
    """Per point the phase, below its ``every``, at which it is due. The most frequent group chooses first, the costlier of two before the
    other, each the phase in which the busiest poll that it joins is least busy."""
    groups: dict[tuple[object, ...], list[int]] = {}
    home = _homes(profile, line)
    for index, point in enumerate(profile.points):
        if point.spec.every > 1:
            groups.setdefault((point.spec.every, home[index]), []).append(index)
    offsets = [0] * len(profile.points)
    load = [0.0] * cycle
    costs = {key: _group_cost(profile, line, [profile.points[i] for i in members]) for key, members in groups.items()}
    for key, members in sorted(groups.items(), key=lambda item: (profile.points[item[1][0]].spec.every, -costs[item[0]], item[1])):
        every = profile.points[members[0]].spec.every
        phase = min(range(every), key=lambda p: (max(load[p::every]), sum(load[p::every]), p))
        for index in members:
            offsets[index] = phase
        for n in range(phase, cycle, every):
            load[n] += costs[key]
    return tuple(offsets)


def _homes(profile: Profile, line: Line | None) -> list[object]:
    """Per point the block or message that it shares with others when everything is due."""
    if profile.protocol == "scpi":
        return [p.places[0].query if isinstance(p.places[0], Answer) and not p.places[0].join else None for p in profile.points]
    reads = coalesce([q for p in profile.points for q in p.places if isinstance(q, Registers)], profile, line)
    first = [p.places[0] for p in profile.points]
    return [next(r for r in reads if _holds(r, q)) for q in first if isinstance(q, Registers)]


def _group_cost(profile: Profile, line: Line | None, points: Sequence[Point]) -> float:
    """What a group adds to a poll: seconds on a serial line, else transactions."""
    poll = _make_poll(profile, line, [(p.spec.name, p.places, p.decode) for p in points])
    if line is None:
        return float(len(poll.requests))
    return sum(transaction_s(line, r, profile.traits) if isinstance(r, ModbusRead) else 1.0 for r in poll.requests)
