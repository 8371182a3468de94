"""What the routes share: the bench's name, who may do what, where facts come from, and the stream."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from typing import Any, Protocol, runtime_checkable

from fastapi import Request
from starlette.types import Scope

from loadlog.model.errors import UsageError
from loadlog.web.access import Access
from loadlog.web.limits import peer_of
from loadlog.web.security import Limits
from loadlog.web.source import Source
from loadlog.web.stream import Hub


def _leave_open(_scope: Scope) -> None:
    """Servers that cannot cut a connection close it in their own time."""


def _nothing_open() -> None:
    """Most sites have nothing to close."""


def _no_target(name: str) -> None:
    raise UsageError(f"there is no forwarding target {name!r}")


@runtime_checkable
class Working(Protocol):
    """How far a review is: ``done`` of ``total`` samples were read, ``before``: other runs that are reviewed first."""

    @property
    def done(self) -> int: ...
    @property
    def total(self) -> int: ...
    @property
    def before(self) -> int: ...


class Written(Protocol):
    """A finished review, gzip each."""

    @property
    def json_gz(self) -> bytes: ...
    @property
    def html_gz(self) -> bytes: ...


def _no_review(run_id: str, _ended_utc_ns: int | None) -> Written | Working:
    raise UsageError(f"nothing here reviews {run_id}")


@dataclass(slots=True)
class Site:
    """One bench's page. ``utc_s`` and ``monotonic_s``: time as arguments. ``abort``: cut the connection of a request at once.
    ``retry_forward``: send to a target what it refused before; raises `UsageError` where there is no such target. ``plans``: every plan
    as JSON. ``review``: the post-mortem of a run (its id, and its end or None), or how far it is, without waiting. ``close``: give up
    what goes on behind it."""

    bench: str
    software: str
    access: Access
    source: Source
    hub: Hub
    limits: Limits
    utc_s: Callable[[], float]
    trusted_proxies: tuple[str, ...] = ()
    abort: Callable[[Scope], None] = field(default=_leave_open)
    retry_forward: Callable[[str], None] = field(default=_no_target)
    plans: Callable[[], list[dict[str, Any]]] = field(default=list)
    review: Callable[[str, int | None], Written | Working] = field(default=_no_review)
    close: Callable[[], None] = field(default=_nothing_open)


def site_of(request: Request) -> Site:
    """The site that a request belongs to."""
    site: Site = request.app.state.site
    return site


async def costly(request: Request) -> AsyncIterator[None]:
    """A place among the costly reads, for as long as the answer is worked on (not while it is sent: a client may be slow)."""
    async with site_of(request).limits.places.take(peer_of(request.scope)):
        yield
