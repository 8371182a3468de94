"""Plays one scenario with one seed: the same seed gives the same bench, the same trace and the same verdict."""

from __future__ import annotations

import random
from dataclasses import dataclass, field

from tests.events.benign import ALWAYS_ALLOWED, BENIGN
from tests.events.case import Case
from tests.events.faulty import FAULTY
from tests.events.judge import Verdict, judge
from tests.events.rivals import first_after, listen
from tests.events.truth import Expected, consequences, from_log

SCENARIOS = {**FAULTY, **BENIGN}


@dataclass
class Outcome:
    """``rival_delays``: rival -> delay of each expected event, None where missed. ``rival_alarms``: false ones in benign scenarios."""

    scenario: str
    seed: int
    verdict: Verdict
    samples: int
    hours: float
    rate_hz: float
    benign: bool
    rival_delays: dict[str, list[int | None]] = field(default_factory=dict)
    rival_alarms: dict[str, int] = field(default_factory=dict)

    @property
    def at_fault(self) -> list[str]:
        """What went wrong, a line each."""
        out = [f"missed {m.expected.kind} at {m.expected.device}, {m.expected.t_s:.3f} s" for m in self.verdict.matches if not m.found]
        for m in self.verdict.matches:
            if m.last is not None and not m.cause_right:
                out.append(f"cause of {m.expected.kind}: told {m.last.kind} {m.last.confidence:.2f} {dict(m.last.alternatives)}")
            elif m.found and not m.expected.slow and not m.covers:
                out.append(f"onset of {m.expected.kind}: {m.onset_error_s:.3f} s outside of its interval")
            if m.found and m.expected.form and not m.form_right:
                out.append(f"form {m.expected.form}: told {m.last.evidence.get('form') if m.last else None}")
        return out + [f"false {e.kind} at {e.device}: {e.message} {dict(e.evidence)}" for e in self.verdict.extra]


def play(scenario: str, seed: int, *, rivals: bool = True, part: float = 1.0) -> Outcome:
    """One scenario; ``part``: only so much of a benign one."""
    case = SCENARIOS[scenario](random.Random(f"{scenario}:{seed}"))
    if scenario in BENIGN:
        case.until_s *= part
    world = case.world
    trace = world.run(case.until_s)
    expected, companions = expectation(case)
    utc0_ns = world.utc_ns(0)
    hours = case.until_s / 3600.0
    verdict = judge(trace, expected, companions, utc0_ns, hours)
    outcome = Outcome(scenario, seed, verdict, trace.samples, hours, world.setting.rate_hz, scenario in BENIGN)
    if rivals:
        _rivals(outcome, case, expected)
    return outcome


def expectation(case: Case) -> tuple[list[Expected], frozenset[str]]:
    """What the simulator's log and the scenario say must be told, and what may stand beside it."""
    log = [t for t in case.world.bench.truth if t.what not in case.without]
    expected = [*from_log(log, "load-1", case.both, case.within_s), *case.expected]
    expected = [_at_its_time(e, case) for e in expected]
    return expected, case.companions | ALWAYS_ALLOWED | consequences(case.world.bench.truth)


def _at_its_time(expected: Expected, case: Case) -> Expected:
    """A time below 0 stands for the instant at which the load's undervoltage stop acted."""
    if expected.t_s >= 0.0:
        return expected
    stopped = next((t.t_ns / 1e9 for t in case.world.bench.truth if t.what == "undervoltage_stop"), case.until_s)
    return Expected(**{**{name: getattr(expected, name) for name in Expected.__dataclass_fields__}, "t_s": stopped})


def _rivals(outcome: Outcome, case: Case, expected: list[Expected]) -> None:
    for device, seen in case.world.trace.seen.items():
        for heard in listen(seen):
            if outcome.benign:
                outcome.rival_alarms[heard.name] = outcome.rival_alarms.get(heard.name, 0) + len(heard.alarms)
            for item in expected:
                if item.device == device and not item.slow:
                    outcome.rival_delays.setdefault(heard.name, []).append(first_after(heard, seen, item.t_s))
