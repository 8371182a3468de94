"""One target: reads the recordings in the order of their numbers, sends, and moves the target's cursor when the server has acknowledged.

Invariants: a line that was read is acknowledged, set aside, or sent again, also after a crash at any moment; nothing here holds up another
target or the recorder; memory does not grow with the backlog (a few bodies at a time).

Order of business: the heartbeat, which must come through while hours are caught up; what somebody ordered to be tried again; events, newest
first; samples, oldest first, at most so many a second. `step` does one of these and says when it wants to be called again: it never sleeps.
"""

from __future__ import annotations

import contextlib
import json
import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from loadlog.config import ForwardConfig
from loadlog.forwarder.answers import Answer, Verdict
from loadlog.forwarder.backlog import Rate, waiting_samples
from loadlog.forwarder.bodies import Bodies
from loadlog.forwarder.delivery import Delivery, deliver
from loadlog.forwarder.facts import State, TargetFacts, backlog_age_s
from loadlog.forwarder.lines import event_line, health_lines
from loadlog.forwarder.sender import Send
from loadlog.model.clock import NS
from loadlog.model.errors import StoreError
from loadlog.model.event import Event
from loadlog.store import Archive
from loadlog.store.follower import Follower
from loadlog.store.forward_state import EVENTS, SAMPLES, ForwardState, Position, Step

IDLE_S = 1.0  # between looks for new samples
RETRY_MIN_S, RETRY_MAX_S = 1.0, 60.0
TELL_S = 5.0  # how often the facts are written down
MOST_ASIDE = 100_000  # lines set aside; beyond, the target waits for somebody
_log = logging.getLogger(__name__)

Buses = Mapping[str, Mapping[str, Any]]


@dataclass(frozen=True, slots=True)
class Around:
    """What a courier needs of the world. ``health``: the recorder's buses, None while it does not answer."""

    bench: str
    archive: Archive
    health: Callable[[], Buses | None]
    monotonic_s: Callable[[], float]
    utc_ns: Callable[[], int]


class Courier:
    """See the module. Not thread-safe, except `facts` and `retry`."""

    def __init__(self, config: ForwardConfig, around: Around, state: ForwardState, send: Send) -> None:
        self.config, self._around, self._kept, self._send = config, around, state, send
        self._bodies: Bodies | None = None
        self._acknowledged_state = "{}"
        self._events: dict[tuple[int, str], Event] = {}
        self._events_from: dict[str, int] = {}
        self._facts = TargetFacts(config.name, config.kind, config.url)
        self._rate = Rate()
        self._retry_wanted = self._may_have_lost = False
        self._retry_s = RETRY_MIN_S
        now_s = around.monotonic_s()
        self._next_try_s = self._next_samples_s = self._next_beat_s = self._next_look_s = self._next_events_s = now_s
        self._next_tell_s = now_s + TELL_S
        self._failing_since_s: float | None = None
        self._failures = self._aside = self._lines = self._waiting = 0
        self._acknowledged_utc_ns: int | None = None
        self._newest_utc_ns: int | None = None
        self._state, self._detail = State.STARTING, ""

    # -- what others ask

    @property
    def facts(self) -> TargetFacts:
        """As of the last step."""
        return self._facts

    def retry(self) -> None:
        """Send everything that was set aside again, and try at once."""
        self._retry_wanted = True

    # -- one piece of work

    def step(self) -> float:
        """Do the next thing; returns how long to wait before the next call, s (0: there is more)."""
        now_s = self._around.monotonic_s()
        if self._retry_wanted:
            self._next_try_s = now_s
        if now_s < self._next_try_s:
            self._tell(now_s)
            return min(self._next_try_s - now_s, TELL_S)
        try:
            wait_s = self._work(now_s)
            if self._may_have_lost and self._failing_since_s is None:
                wait_s = self._go_back()
        except StoreError as exc:
            self._fail(Answer(Verdict.UNAVAILABLE, str(exc)))
            self._begin_again()
            wait_s = self._retry_s
        self._tell(self._around.monotonic_s())
        return min(wait_s, TELL_S)  # so that the facts stay fresh while it waits

    def _work(self, now_s: float) -> float:
        if self._bodies is None:
            self._begin()
        if now_s >= self._next_beat_s and not self._beat(now_s):
            return self._next_try_s - now_s
        if self._retry_wanted and not self._send_aside():
            return self._next_try_s - now_s
        if self._aside >= MOST_ASIDE:
            self._fail(Answer(Verdict.TARGET_REFUSES, f"{self._aside} lines are set aside: forwarding waits until the server takes them"))
            return self._next_try_s - now_s
        if now_s >= self._next_events_s or self._events:
            sent = self._send_events(now_s)
            if sent is not None:
                return 0.0 if sent else self._next_try_s - now_s
        if now_s < self._next_samples_s:
            return min(self._next_samples_s, self._next_beat_s) - now_s
        if now_s < self._next_look_s and not self._going().unread[1]:
            return max(0.0, min(self._next_look_s, self._next_beat_s) - now_s)
        return self._send_samples(now_s)

    # -- beginning

    def _begin(self) -> None:
        """Go on where the cursor stands."""
        position = self._kept.position()
        if position.is_new and not self.config.existing:
            position = self._skip_existing()
        if self._state is State.STARTING and self.config.rewind_s and position.acknowledged_utc_ns is not None:
            position = self._rewound(position)
        self._events, self._next_events_s = {}, 0.0  # before any sample
        # What goes with the acknowledged samples: the stamps of a body that waits are not yet given out for good.
        self._acknowledged_state = json.dumps(position.state)
        self._events_from = dict(position.places[EVENTS])
        self._acknowledged_utc_ns, self._newest_utc_ns = position.acknowledged_utc_ns, position.newest_utc_ns
        self._lines, self._aside = position.lines, self._kept.aside_count()
        self._bodies = Bodies(self.config, self._around.bench, self._around.archive, position)

    def _begin_again(self) -> None:
        """What was read and not acknowledged is read again, from where the cursor stands then."""
        if self._bodies is not None:
            self._bodies.close()
        self._bodies = None

    def _skip_existing(self) -> Position:
        """The first start of a target that wants only what comes from now on."""
        reached = {recording.name: recording.last_seq for recording in self._around.archive.recordings()}
        for lane in (SAMPLES, EVENTS):
            self._kept.acknowledge(Step(lane, reached, "{}", self._around.utc_ns()))
        return self._kept.position()

    def _go_back(self) -> float:
        """The server may have been started again between two requests."""
        self._may_have_lost = False
        if self.config.rewind_s and self._bodies is not None:
            self._rewound(self._kept.position())
            self._begin_again()
            self._state, self._next_look_s = State.CATCHING_UP, 0.0
        return 0.0

    def _rewound(self, position: Position) -> Position:
        """For a server whose acknowledgements are not durable: what it acknowledged last is sent again."""
        reached = position.acknowledged_utc_ns or self._around.utc_ns()
        if self._kept.rewind(reached - round(self.config.rewind_s * NS)):
            _log.info("going back", extra={"fields": {"target": self.config.name, "seconds": self.config.rewind_s}})
        return self._kept.position()

    # -- heartbeat

    def _beat(self, now_s: float) -> bool:
        buses = self._around.health()
        self._next_beat_s = now_s + self.config.heartbeat_s
        if buses is None:  # a dead recorder must look dead
            return True
        self._look_at_backlog()
        lines = health_lines(self._around.bench, buses, self._waiting, self._around.utc_ns())
        if not lines:
            return True
        return self._passed(deliver(_body(lines), self._send, self._proof))

    def _proof(self) -> str:
        """A line that every server must take: health of no bus."""
        return health_lines(self._around.bench, {"none": {}}, self._waiting, self._around.utc_ns())[0]

    def _passed(self, delivery: Delivery) -> bool:
        """Whether everything was dealt with; else waits."""
        self._may_have_lost |= delivery.is_other_connection
        if delivery.answer.verdict is Verdict.ACCEPTED:
            self._succeed()
            return True
        self._fail(delivery.answer)
        return False

    # -- set aside

    def _send_aside(self) -> bool:
        """All of them once more; what is refused again stays, with the new reason."""
        after_id = 0
        while chunk := self._kept.aside(after_id, self.config.batch_lines):
            ids = {one.line: one.id for one in chunk}
            delivery = deliver(_body(list(ids)), self._send, self._proof)
            if delivery.answer.verdict is not Verdict.ACCEPTED:
                self._retry_wanted = False
                return self._passed(delivery)
            refused = {ids[line]: reason for line, reason in delivery.aside}
            self._kept.retried([id_ for id_ in ids.values() if id_ not in refused], refused)
            after_id = chunk[-1].id
        self._retry_wanted = False
        self._aside = self._kept.aside_count()
        self._succeed()
        return True

    # -- events

    def _send_events(self, now_s: float) -> bool | None:
        """One body of them, newest first; None when there are none, False when they did not get through."""
        follower = self._going().events
        for event in follower.poll_events():
            self._events[event.id, str(event.state)] = event  # a later state of the same kind takes the place of the earlier
        if not self._events:
            self._keep_event_places(follower)
            self._next_events_s = now_s + IDLE_S  # also while samples are caught up: a look costs as much as a thousand of them
            return None
        newest_first = sorted(self._events.items(), key=lambda item: -item[1].seq)[: self.config.batch_lines]
        lines = [event_line(self._around.bench, event, self.config.stamps) for _, event in newest_first]
        delivery = deliver(_body(lines), self._send, self._proof)
        if not self._passed(delivery):
            return False
        for key, _ in newest_first:
            del self._events[key]
        # The cursor moves when the oldest has arrived: until then a restart sends them all again, to the same points.
        moved = {} if self._events else self._event_places_moved(follower)
        self._acknowledge(Step(EVENTS, moved, self._acknowledged_state, self._around.utc_ns(), delivery.accepted, aside=delivery.aside))
        if not self._events:
            self._events_from = follower.event_places
        return True

    def _event_places_moved(self, follower: Follower) -> dict[str, int]:
        return {name: seq for name, seq in follower.event_places.items() if self._events_from.get(name) != seq}

    def _keep_event_places(self, follower: Follower) -> None:
        """Events that were told by another recording before move the cursor too."""
        if moved := self._event_places_moved(follower):
            self._acknowledge(Step(EVENTS, moved, self._acknowledged_state, self._around.utc_ns()))
            self._events_from = follower.event_places

    # -- samples

    def _send_samples(self, now_s: float) -> float:
        bodies = self._going()
        body = bodies.first()
        if body is None:
            self._next_look_s = now_s + IDLE_S
            self._look_at_backlog()
            self._state = State.UP_TO_DATE if self._state in (State.STARTING, State.CATCHING_UP) else self._state
            return max(0.0, min(self._next_look_s, self._next_beat_s) - now_s)
        delivery = Delivery()
        if body.text:
            bodies.read_ahead()
            delivery = deliver(body.text, self._send, self._proof, body.lines)
            if not self._passed(delivery):
                return self._next_try_s - now_s
        self._acknowledge(
            Step(SAMPLES, body.moved, body.state, self._around.utc_ns(), delivery.accepted, body.newest_utc_ns, delivery.aside)
        )  # fmt: skip
        bodies.done()
        self._next_samples_s = max(self._next_samples_s, now_s) + body.lines / self.config.catch_up_lines_per_s
        self._state = State.CATCHING_UP if body.is_full else State.UP_TO_DATE
        if not body.is_full:
            self._next_look_s = now_s + IDLE_S
            self._look_at_backlog()
        after_s = self._around.monotonic_s()
        self._rate.add(body.lines, after_s)
        return max(0.0, min(self._next_samples_s if body.is_full else self._next_look_s, self._next_beat_s) - after_s)

    def _going(self) -> Bodies:
        if self._bodies is None:
            raise StoreError("forwarding has not begun", retryable=True)
        return self._bodies

    # -- outcomes

    def _acknowledge(self, step: Step) -> None:
        self._kept.acknowledge(step)
        self._acknowledged_state = step.state
        self._acknowledged_utc_ns = step.t_utc_ns
        self._newest_utc_ns = step.newest_utc_ns or self._newest_utc_ns
        self._lines += step.lines
        if step.aside:
            self._aside = self._kept.aside_count()
            _log.warning(
                "lines set aside", extra={"fields": {"target": self.config.name, "lines": len(step.aside), "reason": step.aside[0][1]}}
            )

    def _succeed(self) -> None:
        if self._failing_since_s is not None:
            _log.info("forwarding again", extra={"fields": {"target": self.config.name}})
        self._failing_since_s, self._retry_s, self._detail = None, RETRY_MIN_S, ""
        if self._state in (State.WAITING, State.REFUSED):
            self._state = State.CATCHING_UP

    def _fail(self, answer: Answer) -> None:
        """Keep everything and wait: as long as the server asks, else twice as long as the last time."""
        now_s = self._around.monotonic_s()
        first = self._failing_since_s is None
        if first or answer.reason != self._detail:
            _log.warning("nothing gets through: %s", answer.reason, extra={"fields": {"target": self.config.name}})
        self._failing_since_s = now_s if self._failing_since_s is None else self._failing_since_s
        self._failures += 1
        self._detail = answer.reason
        self._state = State.REFUSED if answer.verdict is Verdict.TARGET_REFUSES else State.WAITING
        wait_s = self._retry_s if answer.retry_after_s is None else max(answer.retry_after_s, RETRY_MIN_S)
        self._next_try_s = now_s + wait_s
        self._retry_s = min(self._retry_s * 2, RETRY_MAX_S)
        if first and answer.verdict is Verdict.UNREACHABLE and self.config.rewind_s and self._bodies is not None:
            self._rewound(self._kept.position())
            self._begin_again()

    # -- facts

    def _look_at_backlog(self) -> None:
        places, lines = self._going().unread  # nothing is known before the beginning
        self._waiting = waiting_samples(self._around.archive.recordings(), places) + lines

    def _tell(self, now_s: float) -> None:
        """Renew the facts; now and then also count what waits, and write them down."""
        is_due = now_s >= self._next_tell_s
        if is_due:
            self._next_tell_s = now_s + TELL_S
            with contextlib.suppress(StoreError):
                self._look_at_backlog()
        remaining = None
        rate = self._rate.per_s(now_s)
        if self._waiting and rate > 0 and self._state is State.CATCHING_UP:
            remaining = self._waiting / rate
        self._facts = TargetFacts(
            self.config.name, self.config.kind, self.config.url, self._state, self._detail, self._waiting,
            backlog_age_s(self._newest_utc_ns, self._waiting, self._around.utc_ns()), self._aside, self._lines, rate, remaining,
            max(0.0, self._next_try_s - now_s), self._failures,
            0.0 if self._failing_since_s is None else now_s - self._failing_since_s, self._acknowledged_utc_ns, self._newest_utc_ns,
        )  # fmt: skip
        if is_due:
            try:
                self._kept.tell(self._facts.to_json())
            except StoreError as exc:
                _log.debug("facts not kept: %s", exc)


def _body(lines: list[str]) -> bytes:
    return "\n".join(lines).encode()
