"""What happened first, and whose doing it was, in words.

The verdict without acceptance limits rests on events alone: a run *held* when no alarm or warning about the bench was raised and nearly all
of the time was seen. Events of the service about itself belong to the health of the data, not to the verdict on the bench.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from loadlog.analysis import Placed, surely_before, timeline
from loadlog.model.clock import NS, utc_words
from loadlog.model.event import KINDS, Event, Severity, probability_words

SILENT_S = 60.0  # without a sample: a run that is not ended does not go on
MIN_SEEN = 0.95  # of the readings that the rates make, for a statement about the whole run
SUPPLY, LOAD, LEAD, HAND, BUS, BENCH, SOURCE = (
    "the supply", "the load", "a lead or contact", "a hand on the controls", "the bus or an instrument", "the bench", "the battery",
)  # fmt: skip
WHOSE: dict[str, str] = {
    "supply_trip": SUPPLY, "current_limit_entered": SUPPLY, "drift": SUPPLY, "noise_changed": SUPPLY,
    "load_trip": LOAD, "cooling_degraded": LOAD, "over_temperature": LOAD, "temperature_rising": LOAD, "protection": LOAD,
    "sense_fallback": LEAD, "sense_intermittent": LEAD, "open_circuit": LEAD, "contact_heating": LEAD,
    "setpoint_changed": HAND, "mode_changed": HAND, "input_switched": HAND,
    "communication_lost": BUS, "device_changed": BUS, "reading_frozen": BUS, "reading_implausible": BUS,
    "cutoff_reached": SOURCE, "sharing_imbalance": BENCH, "limit": BENCH,
}  # fmt: skip
# ends of others, and what the service says about itself: no kind of these makes a verdict
OF_THE_SERVICE = frozenset({
    "sense_restored", "communication_restored", "clock_step", "sample_gap", "late_polls", "store_trouble", "disk_low", "forward_backlog",
    "forward_refused", "notify_failed", "action_failed", "action_taken",
})  # fmt: skip
ABOUT_THE_DATA = frozenset({"communication_lost", "device_changed", "reading_frozen", "reading_implausible"})
EXPECTED = frozenset({"cutoff_reached"})  # an end that is no failure


@dataclass(frozen=True, slots=True)
class Verdict:
    """``word``: held, did not hold, cannot be judged, going on. ``sentence`` says it all; ``first``: events none of which surely came
    after another's beginning, worst first."""

    word: str
    sentence: str
    first: tuple[Placed, ...]


def concerns_the_bench(event: Event) -> bool:
    """A warning or an alarm about what was tested, not about the service; not one that was withdrawn when it was known as another kind,
    which is told for itself."""
    is_trouble = event.severity is not Severity.INFO and event.kind in WHOSE and event.kind not in EXPECTED
    return is_trouble and event.evidence.get("revised_to") not in KINDS


def told_once(events: Sequence[Event]) -> tuple[list[Event], dict[int, list[str]]]:
    """Without events that name another device's as the same cause, where that one is there: a source takes down all that hangs on it.
    Beside it, by the id of those that stay, the devices of those that do not."""
    kept: list[Event] = []
    newest: dict[tuple[str, str], Event] = {}
    also: dict[int, list[str]] = {}
    for event in sorted(events, key=lambda e: (e.onset.latest_utc_ns, e.id)):
        named = event.evidence.get("same_cause_as")
        same = newest.get((event.kind, str(named))) if named else None
        if same is None or surely_before(same, event):  # sorted, so it cannot be the other way round
            kept.append(event)
            newest[event.kind, event.device or ""] = event
        else:
            also.setdefault(same.id, []).append(event.device or "")
    return kept, also


def was_momentary(event: Event) -> bool:
    """It was over when it was told, so that it has no length."""
    return event.cleared_utc_ns is not None and event.cleared_utc_ns <= event.detected_utc_ns


def verdict(
    events: Sequence[Event], *, started_utc_ns: int, ended: bool, seen: float | None, length_s: float, silent_s: float | None = None
) -> Verdict:  # fmt: skip
    """``seen``: share of the readings that the rates make of the run, None when none was due. ``silent_s``: how long nothing was recorded
    of a run that has not ended."""
    troubles, also = told_once([e for e in events if concerns_the_bench(e)])
    placed = timeline(troubles)
    order = {Severity.ALARM: 0, Severity.WARNING: 1, Severity.INFO: 2}
    first = tuple(sorted((p for p in placed if p.may_be_first), key=lambda p: (order[p.event.severity], -p.event.confidence, p.event.id)))
    bench = [e for e in troubles if e.kind not in ABOUT_THE_DATA]
    lasted = f"{duration(length_s)}{'' if ended else ' so far'}"
    complete = "" if seen is None else f", {100 * seen:.1f} % of the readings were taken"
    if bench:
        return Verdict("did not hold", f"Did not hold: {_first_words(first, also, started_utc_ns)}{_rest(troubles, first)}.", first)
    if seen is None or seen < MIN_SEEN:
        share = "nothing was recorded" if not seen else f"only {100 * seen:.1f} % of the readings were taken"
        return Verdict("cannot be judged", f"Cannot be judged: {share} in {lasted}, and what was seen shows no fault of the bench.", first)
    doubts = f"; {len(troubles)} {'doubt' if len(troubles) == 1 else 'doubts'} about the readings" if troubles else ""
    if not ended and silent_s is not None and silent_s > SILENT_S:
        since = f"nothing was recorded for the last {duration(silent_s)}: the recorder is not running, or cannot record"
        return Verdict("cannot be judged", f"Not ended, and {since}. Held for {lasted} until then{complete}{doubts}.", first)
    if not ended:
        return Verdict("going on", f"Going on: held for {lasted}{complete}{doubts}.", first)
    return Verdict("held", f"Held for {lasted}: no warning or alarm about the bench{complete}{doubts}.", first)


def without_events(said: Verdict, why: str) -> Verdict:
    """The verdict where events cannot be read: what was told is not known, and silence means nothing."""
    beside = f" What can be read says: {said.sentence}" if said.word == "did not hold" else ""
    return Verdict("cannot be judged", f"Cannot be judged: the events cannot be read, {why}.{beside}", said.first)


def _first_words(first: Sequence[Placed], also_at: Mapping[int, Sequence[str]], started_utc_ns: int) -> str:
    event = first[0].event
    after_ns = event.onset.latest_utc_ns - started_utc_ns
    when = f"after {duration(after_ns / NS)} at" if after_ns >= 0 else "since before the start, from"
    where = ", ".join([event.device or event.group or "the bench", *also_at.get(event.id, ())])
    also = "" if len(first) == 1 else f"; not ordered against it: {', '.join(sorted({p.event.kind for p in first[1:]}))}"
    sure = f" ({words})" if (words := probability_words(event.confidence)) else ""
    text = f"first {event.kind} on {where}, {when} {utc_words(event.onset.latest_utc_ns, 0)}: {WHOSE[event.kind]}{sure}"
    return text + also


def _rest(troubles: Sequence[Event], first: Sequence[Placed]) -> str:
    later = len(troubles) - len(first)
    return f"; {later} more {'warning or alarm' if later == 1 else 'warnings and alarms'} followed" if later else ""


def duration(seconds: float) -> str:
    """``12 h 03 min``, ``4 min 10 s``, ``12.3 s``."""
    if seconds < 120:
        return f"{seconds:.3g} s"
    whole = round(seconds)
    hours, rest = divmod(whole, 3600)
    return f"{hours} h {rest // 60:02d} min" if hours else f"{rest // 60} min {rest % 60:02d} s"
