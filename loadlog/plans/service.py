"""The thread that starts planned runs and ends them. Lives in the viewer's process; everything that counts is in the recordings.

What was started is known from the recordings (runs carry the plan's name), so a restart neither repeats nor forgets a start: a start is
*missed* when no run of that name began at or after it, and `PlanConfig.missed` says what becomes of it. Of several viewers on one data
directory only the one that holds its state (`store.viewer_state`) starts and ends anything; when it goes, another takes over.

What ends a run is what its plan said when it began, which its recording knows: a plan that is changed, or removed, changes the next run.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Sequence

from loadlog.config.plan import PlanConfig, recorded_plan
from loadlog.control.client import Control
from loadlog.model.clock import NS, format_utc
from loadlog.model.errors import ConfigError, LoadlogError, StoreError
from loadlog.model.run import RunInfo
from loadlog.plans.in_force import PlanSet
from loadlog.plans.schedule import due
from loadlog.plans.stops import Stops
from loadlog.store import Archive
from loadlog.store.follower import Follower

LOOK_S = 1.0
ON_TIME_S = 30.0  # a start that is not later than this was not missed
_log = logging.getLogger(__name__)


class _Watched:
    """A run that is on, and what may end it."""

    def __init__(self, run: RunInfo, stops: Stops, follower: Follower) -> None:
        self.run, self.stops, self.follower = run, stops, follower

    def reason(self) -> str | None:
        """Why it ends now; takes in what was recorded since the last look."""
        while records := self.follower.poll():
            for record in records:
                if record.run == self.run.id and (why := self.stops.sample(record.sample)) is not None:
                    return why
        return self.stops.events(self.follower.poll_events(), self.run.id)


class Plans:
    """Use `start`, then `stop`; or `look` by hand, for tests. Starts of before the process are made up for only where a plan says so, those
    of before a plan was changed never. ``in_force``: the plans as the configuration has them by now; one object until they change.
    ``claim``: raises `StoreError` while another viewer is the one to start and end runs."""

    def __init__(
        self,
        in_force: Callable[[], PlanSet],
        archive: Archive,
        control: Control,
        utc_ns: Callable[[], int],
        claim: Callable[[], object] = lambda: None,
    ) -> None:
        self._claim = claim
        self._in_force, self._set = in_force, in_force()
        plans = self._set.plans
        self._plans = {plan.name: plan for plan in plans}
        self._archive, self._control, self._utc_ns = archive, control, utc_ns
        longest_s = max((plan.missed_within_s for plan in plans if plan.missed == "start"), default=0.0)
        begun = utc_ns()
        self._seen = {plan.name: begun - round((longest_s if plan.missed == "start" else 0.0) * NS) for plan in plans}
        self._watched: dict[str, _Watched | None] = {}  # None: nothing but its time, or an order, ends it
        self._runs_may_be_on = True
        self._trouble = ""
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._run, name="plans", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self) -> None:
        """End; runs stay on."""
        self._closing.set()
        if self._thread.ident is not None:
            self._thread.join(5.0)

    def _run(self) -> None:
        while not self._closing.wait(LOOK_S):
            try:
                self.look()
                self._trouble = ""
            except LoadlogError as exc:
                if str(exc) != self._trouble:  # once for each trouble, not every second
                    self._trouble = str(exc)
                    _log.warning("plans wait: %s", exc)

    def look(self) -> None:
        """One turn: start what is due, end what has reached its end.

        Raises:
            LoadlogError: the recorder or the recordings do not answer, or another viewer is at work; tried again at the next turn.
        """
        self._follow()
        if not self._plans and not self._runs_may_be_on:
            return
        runs = self._archive.runs()
        on = {run.id: run for run in runs if run.ended_utc_ns is None}
        self._watched = {id_: self._watched[id_] if id_ in self._watched else self._watch(run) for id_, run in on.items()}
        watched = [one for one in self._watched.values() if one is not None]
        self._runs_may_be_on = bool(watched)
        if not self._plans and not watched:
            return
        self._claim()
        for plan in self._plans.values():
            self._start_when_due(plan, runs)
        for one in watched:
            self._end_when_reached(one)

    def _follow(self) -> None:
        found = self._in_force()
        if found is self._set:
            return
        now_ns = self._utc_ns()
        known = self._plans
        self._set = found
        self._plans = {plan.name: plan for plan in found.plans}
        self._seen = {name: self._seen[name] if known.get(name) == plan else now_ns for name, plan in self._plans.items()}
        self._runs_may_be_on = True

    def _start_when_due(self, plan: PlanConfig, runs: Sequence[RunInfo]) -> None:
        now_ns = self._utc_ns()
        found = due(plan, self._seen[plan.name], now_ns)
        if found is None:
            return
        if any(r.name == plan.name and r.started_utc_ns >= found.t_utc_ns for r in runs):
            self._seen[plan.name] = found.t_utc_ns
            return
        allowed_s = plan.missed_within_s if plan.missed == "start" else ON_TIME_S
        if found.late_s > allowed_s:
            _log.warning("plan %s: start of %s was missed and is skipped", plan.name, format_utc(found.t_utc_ns)[:19])
            self._seen[plan.name] = found.t_utc_ns
            return
        if any(r.name == plan.name and r.ended_utc_ns is None for r in runs):
            _log.warning("plan %s: start of %s is skipped: its last run is still on", plan.name, format_utc(found.t_utc_ns)[:19])
            self._seen[plan.name] = found.t_utc_ns
            return
        answer = self._control.call("run_start", name=plan.name)
        self._seen[plan.name] = found.t_utc_ns
        _log.info("plan %s: run %s started, %.1f s after its time", plan.name, answer["run"], found.late_s)

    def _watch(self, run: RunInfo) -> _Watched | None:
        try:
            plan = recorded_plan(self._archive.begun_with(run.id).config, run.name)
        except (ConfigError, StoreError) as exc:
            if exc.retryable:
                raise
            _log.warning("run %s: what ends it cannot be read: %s", run.id, exc)
            return None
        if plan is None or plan.stop is None:
            return None
        spec = self._archive.devices(run.id).get(plan.stop.device)
        first = min((r.floor_seq for r in self._archive.recordings_of(run.id)), default=0)
        return _Watched(run, Stops(plan, 1.0 if spec is None else spec.period_s), self._archive.follow(first))

    def _end_when_reached(self, watched: _Watched) -> None:
        run, reason = watched.run, watched.reason()
        if reason is not None:
            self._control.call("run_stop", run=run.id, reason=f"plan {run.name}: {reason}")
            _log.info("plan %s: run %s stopped: %s", run.name, run.id, reason)
