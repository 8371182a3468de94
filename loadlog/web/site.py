"""What the routes share: the bench's name, who may do what, where facts come from, and the stream."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from fastapi import Request
from starlette.types import Scope

from loadlog.model.errors import UsageError
from loadlog.web.access import Access
from loadlog.web.security import Limits
from loadlog.web.source import Source
from loadlog.web.stream import Hub


def _leave_open(_scope: Scope) -> None:
    """Servers that cannot cut a connection close it in their own time."""


def _no_target(name: str) -> None:
    raise UsageError(f"there is no forwarding target {name!r}")


@dataclass(slots=True)
class Site:
    """One bench's page. ``utc_s`` and ``monotonic_s``: time as arguments. ``abort``: cut the connection of a request at once.
    ``retry_forward``: send to a target what it refused before; raises `UsageError` where there is no such target."""

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


def site_of(request: Request) -> Site:
    """The site that a request belongs to."""
    site: Site = request.app.state.site
    return site
