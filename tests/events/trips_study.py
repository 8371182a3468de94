"""Trips of all kinds on any bench: told within two samples, of the right cause, in the right form?

The scenarios draw each trip on a bench that shows it well; here mode, sense, poll rate, instrument, what the load reports and what hangs
beside it are drawn freely, and some trips follow an order of ours, as a test plan's next step makes a supply give up. Samples count from
the first that can show it: voltage down by `SHOWS_V` or current by `SHOWS_A` of what they were. A cause counts as right where what is
measured tells it (`_possible`); where it does not, all that is possible must be named. A form counts where polls meet it often enough.
Nothing here looks at what detectors think.
"""

from __future__ import annotations

import random
from collections import Counter
from dataclasses import dataclass, field

from loadlog.model.event import Event
from loadlog.model.sample import Sample
from tests.checklists.traces import PROTECTIONS
from tests.events.draw import draw
from tests.events.figure import Figure, Study, at_least
from tests.events.judge import likeliest
from tests.events.score import grid
from tests.events.world import Setting, Trace, World

FORMS = ("latch_off", "hiccup", "foldback", "current_limit", "thermal_cycling", "dropout")
CAUSES = {**{form: 1.0 for form in FORMS}, "load_trip": 3.0, "open_circuit": 3.0}
SHOWS_V, SHOWS_A = 0.3, 0.7
WITHIN = 2
AFTER_ORDER = 0.2  # share of trips of a supply that follow a step of the load by order
TRIPS = ("supply_trip", "load_trip", "open_circuit")
OTHERS = frozenset({"protection", "current_limit_entered", "sample_gap", "late_polls"})  # may stand beside
IN_CV = frozenset({"sense_fallback"})  # the same where a load in CV draws less from a source that limits


@dataclass
class Trial:
    """One trip. ``cause``, ``form``: the truth; ``possible``: causes that what is measured cannot tell apart. ``delay``: None when never
    told; 0 when nothing could show it. ``form_shows``: polls meet it often enough."""

    cause: str
    form: str
    possible: frozenset[str]
    form_shows: bool
    setting: Setting
    seed: str
    shown: bool = False
    delay: int | None = None
    told: Event | None = None
    beside: list[Event] = field(default_factory=list)

    @property
    def cause_right(self) -> bool:
        """The stated cause is the true one, or all of the possible ones are named."""
        if self.told is None:
            return False
        if len(self.possible) > 1:
            return self.possible <= {self.told.kind, *self.told.alternatives}
        return likeliest(self.told) == self.cause

    @property
    def form_right(self) -> bool:
        """The form told last is the true one."""
        return self.told is not None and self.told.evidence.get("form") == self.form

    @property
    def wrong(self) -> str:
        """What went wrong, empty when nothing did."""
        told = f"{self.told.kind} {self.told.confidence:.2f} {dict(self.told.alternatives)}" if self.told else "nothing"
        out = []
        if self.shown and (self.delay is None or self.delay > WITHIN):
            out.append(f"delay {self.delay}")
        if self.shown and self.told and not self.cause_right:
            out.append(f"told {told}")
        if self.shown and self.told and self.form and self.form_shows and not self.form_right:
            out.append(f"form told {self.told.evidence.get('form')}")
        out += [f"beside: {e.kind} at {e.device} {e.state} {e.message}" for e in self.beside]
        return "; ".join(out)


def _possible(cause: str, setting: Setting, flows: bool) -> frozenset[str]:
    """Causes that would have given the same readings."""
    witness = setting.second or setting.meter
    if cause == "load_trip" or (cause == "open_circuit" and setting.remote):
        return frozenset({cause}) if setting.status else frozenset({"load_trip", "open_circuit"} if setting.remote else {"load_trip"})
    return frozenset({cause}) if witness or setting.remote or flows else frozenset({"supply_trip", "open_circuit"})


def bench(rnd: random.Random) -> tuple[str, Setting]:
    """What happens, and on which bench."""
    what = rnd.choices(list(CAUSES), list(CAUSES.values()))[0]
    fixed: dict[str, object] = {"second": rnd.random() < 0.35}
    if what in FORMS:
        fixed["source"] = "supply"
    setting = draw(rnd, fine_physics=True, **fixed)
    setting.status_every = rnd.choice((1, 1, 1, 5)) if setting.status else 1
    return what, setting


def trial(seed: str) -> Trial:
    """One trip on one bench."""
    rnd = random.Random(seed)
    what, setting = bench(rnd)
    world = World(rnd, setting)
    period_s = setting.period_s
    begin_s = max(30.0, 60 * period_s) * rnd.uniform(1.0, 1.4)
    until_s = begin_s + max(300.0 if what == "thermal_cycling" else 15.0, 30 * period_s)
    cause, form, shows = ("supply_trip", what, True) if what in FORMS else (what, "", False)
    params: dict[str, float | str] = {"form": form}
    if form == "hiccup":
        params |= {"on_s": rnd.uniform(0.15, 0.4), "off_s": rnd.uniform(0.5, 1.5)}
        shows = 2.0 * period_s <= float(params["on_s"]) - 0.06  # its ramp
    elif form == "dropout":
        params |= {"off_s": rnd.uniform(0.4, 2.0)}
        shows = 2.0 * period_s <= float(params["off_s"])
    elif form == "thermal_cycling":
        params |= {"on_s": rnd.uniform(50, 80), "off_s": rnd.uniform(30, 60)}
    if form and setting.mode != "CV" and rnd.random() < AFTER_ORDER:
        more = 1.3 if setting.mode != "CR" else 0.77
        world.order(begin_s - rnd.uniform(0.05, 1.5), "setpoint", round(setting.level * more, 3))
    if form:
        world.fault(begin_s, "supply_trip", "source", None, **params)
    elif cause == "load_trip":
        world.fault(begin_s, "load_trip", protection=rnd.choice([n for n in PROTECTIONS.values() if n.startswith("over_")]))
    else:
        world.fault(begin_s, "power_lead_off")
    flows = form in ("foldback", "current_limit")
    out = Trial(cause, form, _possible(cause, setting, flows), shows, setting, seed)
    _play(world, out, begin_s, until_s)
    return out


def _play(world: World, out: Trial, begin_s: float, until_s: float) -> None:
    """Run it, and find the first sample that can show it and the one at which it was told."""
    own: list[tuple[float, int, float, float]] = []  # bench time, end, V, A
    remember = world.remember

    def keep(sample: Sample, events: list[Event]) -> None:
        if sample.device == "load-1":
            v, i = (sample.values.get(name) or 0.0 for name in ("voltage_v", "current_a"))
            own.append((world.now_s, sample.stamp.t_utc_ns + sample.stamp.half_width_ns, v, i))
        remember(sample, events)

    world.remember = keep  # type: ignore[method-assign]
    trace = world.run(until_s)
    _, _, before_v, before_a = next(seen for seen in reversed(own) if seen[0] < begin_s)
    after = [seen for seen in own if seen[0] >= begin_s]
    holds_v = out.setting.mode == "CV" and bool(out.form)  # by itself: a source that limits looks like one that sags
    is_shown = [v < (1.0 - SHOWS_V) * before_v or (abs(i) < (1.0 - SHOWS_A) * before_a and not holds_v) for _, _, v, i in after]
    told = _told(trace, out, world.utc_ns(0) + round(begin_s * 1e9))
    if any(is_shown):
        out.shown = True
        first_ns = after[is_shown.index(True)][1]
        if told is not None:
            out.delay = sum(first_ns <= end_ns <= told.detected_utc_ns for _, end_ns, _, _ in after)


def _told(trace: Trace, out: Trial, begin_ns: int) -> Event | None:
    """The first that told it; its state and cause are those of the last of its revisions."""
    raised = [e for e in trace.raised() if e.kind in TRIPS and e.detected_utc_ns >= begin_ns]
    own = [e for e in raised if e.device == "load-1"]
    raised = own if own or out.cause != "supply_trip" else raised  # what the source does may be told of any that hangs on it
    last = [trace.last(e.id) for e in raised]
    kept = [e for e in last if "revised_to" not in e.evidence]
    out.told = kept[0] if kept else None
    at_source = {"supply_trip"} if out.cause == "supply_trip" else set()
    mine = {e.id for e in kept[:1]}
    allowed = OTHERS | (IN_CV if out.form and out.setting.mode == "CV" else frozenset())
    every = [trace.last(e.id) for e in trace.raised()]
    out.beside = [
        e for e in every
        if e.id not in mine and e.kind not in allowed and "revised_to" not in e.evidence
        and not (e.kind in at_source and e.device != "load-1")
    ]  # fmt: skip
    return raised[0] if raised else None


def trips_study(seed: int, trials: int) -> Study:
    """The figures asked for."""
    done = [trial(f"trips:{seed}:{n}") for n in range(trials)]
    shown = [t for t in done if t.shown]
    quick = [t for t in shown if t.delay is not None and t.delay <= WITHIN]
    known = [t for t in shown if t.told and len(t.possible) == 1]
    unknown = [t for t in shown if t.told and len(t.possible) > 1]
    forms = [t for t in shown if t.told and t.form and t.form_shows]
    delays = Counter("never" if t.delay is None else str(t.delay) for t in shown)
    lines = []
    for what in CAUSES:
        some = [t for t in shown if (t.form or t.cause) == what]
        first = [t for t in some if t in quick]
        lines.append([what, str(len(some)), str(len(first)), str(sum(t.cause_right for t in some)), str(sum(t.form_right for t in some))])
    text = grid(["", "n", "within two", "cause right", "form right"], lines)
    text += f"\ndelay in samples: {dict(sorted(delays.items()))}; {len(done) - len(shown)} showed nothing"
    wrong = [f"{t.seed} {t.form or t.cause} {describe(t.setting)}: {t.wrong}" for t in done if t.wrong]
    text += "".join(f"\n{line}" for line in wrong)
    return Study("trips of all kinds on any bench", text, [
        Figure("any trip told within two samples", "100 %", f"{len(quick)} of {len(shown)}", len(quick) == len(shown)),
        at_least("any trip: supply, load or lead right", 0.99, sum(t.cause_right for t in known), len(known)),
        at_least("any trip: all that is possible named", 0.99, sum(t.cause_right for t in unknown), len(unknown)),
        at_least("any trip: form right where polls show it", 0.95, sum(t.form_right for t in forms), len(forms)),
    ])  # fmt: skip


def describe(setting: Setting) -> str:
    """The bench in a line."""
    words = [f"{setting.mode} {setting.level:g}", f"{setting.rate_hz:g} Hz", "coarse" if setting.coarse else "fine"]
    words.append("remote" if setting.remote else "local")
    words.append(f"status every {setting.status_every}, set-point every {setting.slow_channels}" if setting.status else "no status")
    words += [w for w, is_there in (("second", setting.second), ("meter", setting.meter), (setting.source, True)) if is_there]
    return ", ".join(words)
