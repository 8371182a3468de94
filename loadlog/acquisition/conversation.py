"""One poll on the wire: its requests one after the other, until one fails.

A poll gives one outcome. Nothing is repeated here: a repetition after a time-out is how late replies are taken for the wrong request. A
request that the device refuses (exception response) is an answer: the others are made all the same.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from loadlog.bus import Link
from loadlog.model.errors import BusError
from loadlog.model.sample import FailureCause
from loadlog.model.wire import LinkFailure, LinkTraits, Reply, Request


class DecodedPoll(Protocol):
    """What a plan makes of the replies; see `model.sample.Reading` for the meaning of the fields."""

    @property
    def counts(self) -> Mapping[str, int | None]: ...
    @property
    def reasons(self) -> Mapping[str, str]: ...
    @property
    def texts(self) -> Mapping[str, str]: ...


Replies = Sequence[Reply | None]  # one for each request, None where it was refused


class PollPlan(Protocol):
    """What acquisition needs of `profiles.ReadPlan`."""

    @property
    def full_requests(self) -> Sequence[Request]:
        """Requests for every channel at once, in order."""
        ...

    @property
    def identity_requests(self) -> Sequence[Request]:
        """Requests whose replies say which instrument answers; may be empty."""
        ...

    def requests(self, n: int) -> Sequence[Request]:
        """Requests of the n-th poll, in order; empty when no channel is due."""
        ...

    def decode_full(self, replies: Replies) -> DecodedPoll:
        """The replies to ``full_requests``."""
        ...

    def decode(self, n: int, replies: Replies) -> DecodedPoll:
        """The replies to ``requests(n)``."""
        ...

    def decode_identity(self, replies: Replies) -> Mapping[str, str]:
        """The replies to ``identity_requests`` as texts by name."""
        ...


@dataclass(frozen=True, slots=True)
class PolledDevice:
    """One device of a bus: where it stands (``unit``; ignored by SCPI), how it is read and spoken to, and how often, s."""

    name: str
    unit: int
    plan: PollPlan
    traits: LinkTraits
    period_s: float


@dataclass(frozen=True, slots=True)
class Talk:
    """What came of a series of requests, from first request to last reply or to giving up.

    ``failure``: what ended it, or the refusal when every request was refused; None when there is something to decode. ``refused``: the
    first refusal among answers.
    """

    replies: tuple[Reply | None, ...]
    failure: LinkFailure | None
    refused: LinkFailure | None
    t_first_ns: int
    t_last_ns: int


def converse(link: Link, device: PolledDevice, requests: Sequence[Request], now_ns: int) -> Talk:
    """Carry out ``requests``; ``now_ns`` stands for the instants when there are none."""
    replies: list[Reply | None] = []
    t_first_ns = t_last_ns = now_ns
    refused = None
    for position, request in enumerate(requests):
        answer = transact(link, device, request, t_last_ns)
        if position == 0:
            t_first_ns = answer.t_request_ns
        if isinstance(answer, LinkFailure):
            t_last_ns = max(answer.t_end_ns, t_last_ns)
            if answer.cause is not FailureCause.EXCEPTION:
                return Talk(tuple(replies), answer, refused, t_first_ns, t_last_ns)
            refused = refused or answer
            replies.append(None)
        else:
            replies.append(answer)
            t_last_ns = answer.t_reply_ns
    failure = refused if requests and not any(replies) else None
    return Talk(tuple(replies), failure, refused, t_first_ns, t_last_ns)


def transact(link: Link, device: PolledDevice, request: Request, now_ns: int) -> Reply | LinkFailure:
    """One request. One that the bus cannot carry at all is a failure of this device alone, not of the bus."""
    try:
        return link.transact(device.unit, request, device.traits)
    except BusError as exc:
        return LinkFailure(request, FailureCause.WRONG_REPLY, str(exc), now_ns, now_ns)
