"""A run held against what truly happened: what was found, when, with which cause, and what was told without reason."""

from __future__ import annotations

from dataclasses import dataclass, field

from loadlog.model.event import Event
from tests.events.truth import Expected
from tests.events.world import Seen, Trace


@dataclass
class Match:
    """One expected event and what was told. ``delay``: samples from the first that can show it, which counts 1. ``stated``: cause stated
    last, the likeliest of the event and its alternatives. ``covers``: the onset's interval contains the truth; ``onset_error_s``: distance
    of the truth from the interval."""

    expected: Expected
    event: Event | None = None
    last: Event | None = None
    delay: int = 0
    stated: str = ""
    covers: bool = False
    onset_error_s: float = 0.0

    @property
    def found(self) -> bool:
        """Something was told of it in time."""
        return self.event is not None

    @property
    def cause_right(self) -> bool:
        """The stated cause is the true one; where it cannot be known, all of the possible ones are named."""
        if self.last is None:
            return False
        if self.expected.both:
            return self.expected.both <= {self.last.kind, *self.last.alternatives}
        return self.stated == self.expected.kind

    @property
    def form_right(self) -> bool:
        """The form told last is the true one."""
        return self.last is not None and self.last.evidence.get("form") == self.expected.form


@dataclass(frozen=True)
class Statement:
    """A probability that was stated, and whether it was so."""

    kind: str
    cause: str
    probability: float
    is_so: bool


@dataclass
class Verdict:
    """``extra``: events without reason; ``companions`` were to be expected beside. ``device_hours``: of all devices that were watched."""

    matches: list[Match] = field(default_factory=list)
    extra: list[Event] = field(default_factory=list)
    statements: list[Statement] = field(default_factory=list)
    device_hours: float = 0.0


def likeliest(event: Event) -> str:
    """The cause that the event holds for the likeliest."""
    return max([(event.confidence, event.kind), *((p, k) for k, p in event.alternatives.items())])[1]


def judge(trace: Trace, expected: list[Expected], companions: frozenset[str], utc_of_s: float, hours: float) -> Verdict:
    """``utc_of_s``: UTC of bench time 0 in ns."""
    verdict = Verdict(device_hours=hours * len(trace.seen))
    free = trace.raised()
    for item in sorted(expected, key=lambda e: e.t_s):
        match = _match(trace, item, free, utc_of_s)
        verdict.matches.append(match)
        if match.event is not None:
            free = [e for e in free if e.id not in {x.id for x in _told_of(match, free)}]
    allowed = companions | {item.kind for item in expected if item.both}
    verdict.extra = [e for e in free if e.kind not in allowed and not _is_of_both(e, expected) and not _is_elsewhere(e, expected)]
    verdict.statements = _statements(trace, verdict)
    return verdict


def _is_of_both(event: Event, expected: list[Expected]) -> bool:
    return any(event.kind in item.both for item in expected)


def _is_elsewhere(event: Event, expected: list[Expected]) -> bool:
    """What the source does is rightly told of everything that hangs on it."""
    return any(item.at_source and event.kind in {item.kind, *item.both} for item in expected)


def _told_of(match: Match, free: list[Event]) -> list[Event]:
    """The matching event and those of its family that revise it, within the same span."""
    assert match.event is not None
    if match.last is None or match.last.id == match.event.id:
        return [match.event]
    return [match.event, match.last]


def _match(trace: Trace, item: Expected, free: list[Event], utc0_ns: float) -> Match:
    onset_ns = round(utc0_ns + item.t_s * 1e9)
    family = {item.kind, *item.others, *item.both}
    seen = [s for s in trace.seen.get(item.device, []) if s.t_s >= item.t_s]
    latest_ns = _latest(seen, onset_ns, item)
    inside = [e for e in free if e.kind in family and _is_at(e, item.device) and onset_ns <= e.detected_utc_ns <= latest_ns]
    if not inside:
        return Match(item)
    right = [e for e in inside if e.kind == item.kind]
    first = inside[0]
    final = right[0] if right and not item.both else first
    last = trace.last(final.id)
    match = Match(item, first, last, sum(1 for s in seen if s.end_utc_ns <= first.detected_utc_ns), likeliest(last))
    onset = last.onset
    match.covers = onset.earliest_utc_ns <= onset_ns <= onset.latest_utc_ns
    match.onset_error_s = max(onset.earliest_utc_ns - onset_ns, onset_ns - onset.latest_utc_ns, 0) / 1e9
    return match


def _latest(seen: list[Seen], onset_ns: int, item: Expected) -> int:
    by_samples = seen[item.within_samples - 1].end_utc_ns if len(seen) >= item.within_samples else onset_ns
    return max(by_samples, onset_ns + round(item.within_s * 1e9))


def _is_at(event: Event, device: str) -> bool:
    return event.device == device or event.device is None or event.group is not None


def _statements(trace: Trace, verdict: Verdict) -> list[Statement]:
    """Each event with its first stated probability (what an operator acts upon), its alternatives too. An event without reason is wrong in
    all that it names."""
    out = []
    true_of = {m.event.id: m.expected.kind for m in verdict.matches if m.event is not None}
    for event in trace.raised():
        if event.id not in true_of and event.id not in {e.id for e in verdict.extra}:
            continue
        if event.confidence >= 1.0 and not event.alternatives:
            continue
        true = true_of.get(event.id, "")
        out.append(Statement(event.kind, event.kind, event.confidence, event.kind == true))
        out += [Statement(event.kind, cause, p, cause == true) for cause, p in event.alternatives.items()]
    return out
