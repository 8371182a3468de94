"""One device while it is polled: which poll comes next, whether it still answers, what its outcomes are, what it has cost.

Invariants: the number of the poll advances with each reading, so slow channels keep their cadence however many polls fail; it stays for one
repetition after a first failure, and advances from the second on, so that a block that never answers cannot keep the others from being
read. It begins anew, with every channel (`FULL`), when the device answers again after it was silent.
"""

from __future__ import annotations

import logging
from collections import Counter
from collections.abc import Iterator, Sequence

from loadlog.acquisition.conversation import DecodedPoll, PolledDevice, Talk
from loadlog.acquisition.schedule import Missed
from loadlog.acquisition.stamps import Stamper, SteadyUtc
from loadlog.acquisition.statistics import DeviceStatistics, LatenessRecord, lateness_of
from loadlog.model.clock import NS
from loadlog.model.sample import EMPTY, FailureCause, PollFailure, Reading, Stamp
from loadlog.model.wire import Line, LinkFailure, ModbusRead, Request, transaction_s

SILENT_AFTER, SILENT_S = 3, 0.5  # both: three failures in a row on a bad line are soon over where time-outs are short
FEW_MISSED = 10
IDENTITY_S = 60.0
IDENTITY_MAX_S = 3600.0
FULL = -1
_ANSWERS = (FailureCause.EXCEPTION, FailureCause.UNDECODABLE)
_SIGNS_OF_LIFE = (*_ANSWERS, FailureCause.CRC)  # somebody answers in full length, and the line is free at once
_log = logging.getLogger(__name__)

Outcome = Reading | PollFailure


class DeviceState:
    """Used by the bus' thread alone, except `snapshot`. ``line`` is None where the bus is no serial line."""

    def __init__(self, spec: PolledDevice, utc: SteadyUtc, line: Line | None) -> None:
        self.spec = spec
        self.stamper = Stamper(utc)
        self._number = FULL
        self.backed_off = False
        self.lost_next_ns = 0
        self.identity_due_ns = 0
        self._line = line
        self._texts: dict[str, str] = {}
        self._refused: set[Request] = set()
        self._failed_in_row = self._silent_in_row = self._identity_failed = 0
        self._silent_since_ns = 0
        self._polls = self._readings = self._missed = 0
        self._failures: Counter[FailureCause] = Counter()
        self._lateness = LatenessRecord()
        self._measured_s = self._budgeted_s = 0.0
        self._transactions = 0

    # -- what to ask

    def requests(self) -> Sequence[Request]:
        """Of the poll that comes next; polls in which no channel is due are passed over."""
        plan = self.spec.plan
        if self._number == FULL:
            return plan.full_requests
        while not (requests := plan.requests(self._number)):
            self._number += 1
        return requests

    def ask_everything(self) -> None:
        """The next poll reads every channel."""
        self._number = FULL

    # -- outcomes

    def outcome(self, talk: Talk, due_ns: int) -> Outcome:
        """What the poll of `requests`, due at ``due_ns``, gives."""
        stamp = self.stamper.stamp(talk.t_first_ns, talk.t_last_ns, due_ns)
        if talk.failure is not None:
            return PollFailure(self.spec.name, stamp, talk.failure.cause, talk.failure.detail)
        try:
            plan = self.spec.plan
            return self._reading(plan.decode_full(talk.replies) if self._number == FULL else plan.decode(self._number, talk.replies), stamp)
        except Exception as exc:  # a fault in one profile must not end the polls of the bus
            _log.exception("device %s: the replies could not be decoded", self.spec.name)
            return PollFailure(self.spec.name, stamp, FailureCause.UNDECODABLE, f"{type(exc).__name__}: {exc}")

    def _reading(self, decoded: DecodedPoll, stamp: Stamp) -> Reading:
        texts = decoded.texts
        if self._texts:
            texts, self._texts = {**self._texts, **texts}, {}
        return Reading(self.spec.name, stamp, decoded.counts, decoded.reasons, texts or EMPTY)

    def missed(self, missed: Missed) -> Iterator[PollFailure]:
        """The outcomes of deadlines that were passed over: one each while they are few, else one for all."""
        self._missed += missed.count
        if missed.count > FEW_MISSED or (missed.count and self.backed_off):
            why = "backed off" if self.backed_off else "the bus was not free"
            yield self._skipped(missed.first_ns, missed.last_ns, f"{missed.count} polls missed: {why}")
            return
        for index in range(missed.count):
            t_ns = missed.first_ns + (missed.last_ns - missed.first_ns) * index // max(1, missed.count - 1)
            yield self._skipped(t_ns, t_ns, "poll missed: the bus was not free")

    def _skipped(self, first_ns: int, last_ns: int, detail: str) -> PollFailure:
        return PollFailure(self.spec.name, self.stamper.stamp(first_ns, last_ns, first_ns), FailureCause.SKIPPED, detail)

    def port_lost(self, missed: Missed, fault: str) -> PollFailure:
        """One outcome for all deadlines that fell into the time without a port since the last one."""
        self._missed += missed.count - 1
        self._polls += 1
        self._failures[FailureCause.PORT_LOST] += 1
        stamp = self.stamper.stamp(missed.first_ns, missed.last_ns, missed.first_ns)
        more = f" ({missed.count} polls)" if missed.count > 1 else ""
        return PollFailure(self.spec.name, stamp, FailureCause.PORT_LOST, f"{fault}{more}")

    # -- what follows from an outcome

    def polled(self, outcome: Outcome, talk: Talk) -> bool:
        """Note an outcome; True when the device is to be backed off (or stays so)."""
        if isinstance(outcome, PollFailure) and outcome.cause is FailureCause.SKIPPED:  # the bus would not ask it: says nothing about it
            self._missed += 1
            return self.backed_off
        self._polls += 1
        self._lateness.add(outcome.stamp.lateness_s)
        if isinstance(outcome, Reading):
            self._readings += 1
            self._measure(talk)
            self._failed_in_row = self._silent_in_row = 0
            self._number += 1
            self._note_refusal(talk.refused)
            return False
        self._failures[outcome.cause] += 1
        self._failed_in_row += 1
        if self._failed_in_row > 1 or outcome.cause in _ANSWERS:
            self._number += 1
        if outcome.cause in _SIGNS_OF_LIFE:
            self._silent_in_row = 0
        elif outcome.cause is not FailureCause.PORT_LOST:
            self._silent_in_row += 1
            if self._silent_in_row == 1:
                self._silent_since_ns = talk.t_first_ns
        return self._silent_in_row >= SILENT_AFTER and talk.t_last_ns - self._silent_since_ns >= SILENT_S * NS

    def _note_refusal(self, refused: LinkFailure | None) -> None:
        """A block that the device refuses is said once: its channels stay without a value."""
        if refused is not None and refused.request not in self._refused:
            self._refused.add(refused.request)
            _log.warning("device %s refuses %s: %s; check these channels of its profile", self.spec.name, refused.request, refused.detail)

    def begin_anew(self, now_ns: int) -> None:
        """It answers again, or its port is open again: every channel at the next poll, and the identity soon."""
        self.backed_off = False
        self._number = FULL
        self._failed_in_row = self._silent_in_row = self._identity_failed = 0
        self.identity_due_ns = now_ns

    def identified(self, talk: Talk, now_ns: int) -> None:
        """Note an identity that was read, or not; the texts go out with the next reading. One that fails is asked for ever more rarely."""
        if talk.failure is None:
            self._texts = dict(self.spec.plan.decode_identity(talk.replies))
            self._identity_failed = 0
        else:
            self._identity_failed += 1
            _log.info("device %s: identity not read: %s", self.spec.name, talk.failure.detail)
        self.identity_due_ns = now_ns + round(min(IDENTITY_S * 2**self._identity_failed, IDENTITY_MAX_S) * NS)

    # -- cost

    @property
    def transaction_s(self) -> float | None:
        """Mean bus time of a transaction, silence included; None before the first reading."""
        return self._measured_s / self._transactions if self._transactions else None

    def _measure(self, talk: Talk) -> None:
        silence_s = max(self._line.silence_s, self.spec.traits.quiet_s) if self._line else 0.0
        answered = [reply for reply in talk.replies if reply is not None]
        for reply in answered:
            self._measured_s += (reply.t_reply_ns - reply.t_request_ns) / NS + silence_s
            if self._line and isinstance(reply.request, ModbusRead):
                self._budgeted_s += transaction_s(self._line, reply.request, self.spec.traits)
        self._transactions += len(answered)

    def snapshot(self) -> DeviceStatistics:
        """The statistics of now; from any thread."""
        return DeviceStatistics(
            name=self.spec.name,
            polls=self._polls,
            readings=self._readings,
            failures={str(cause): count for cause, count in self._failures.copy().items()},
            missed=self._missed,
            silent=self.backed_off,
            lateness=lateness_of([self._lateness]),
            transaction_s=self.transaction_s,
            budget_s=self._budgeted_s / self._transactions if self._budgeted_s else None,
        )

    @property
    def lateness(self) -> LatenessRecord:
        """For the bus' own statistics."""
        return self._lateness
