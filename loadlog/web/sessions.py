"""Logging in and out, and what the page may do."""

from __future__ import annotations

import logging
from typing import Annotated, Any

from fastapi import Depends, Request, Response
from pydantic import Field

from loadlog.web.access import SESSION_S, Level
from loadlog.web.limits import peer_of
from loadlog.web.orders import Body
from loadlog.web.problems import Problem
from loadlog.web.security import cookie_name
from loadlog.web.site import Site, site_of
from loadlog.web.strict import make_router
from loadlog.web.texts import TEXT

router = make_router("/api")
_log = logging.getLogger(__name__)
SiteOf = Annotated[Site, Depends(site_of)]


class Login(Body):
    """A token, in exchange for a session cookie."""

    token: Annotated[str, Field(max_length=1000, pattern=TEXT)]


@router.get("/session", summary="What this client may do")
async def session(request: Request, site: SiteOf) -> dict[str, Any]:
    """``login``: whether there is a token to log in with; ``logged_in``: whether one was shown."""
    level: Level = request.state.level
    return {
        "login": site.access.has_login,
        "logged_in": level > Level.NOBODY,
        "may_read": level >= site.access.reading_needs,
        "may_act": level >= site.access.acting_needs,
    }


@router.post("/session", status_code=204, summary="Log in: a token for a session cookie with its rights")
async def log_in(body: Login, request: Request, site: SiteOf) -> Response:
    """Sets the cookie."""
    if not site.access.has_login:
        raise Problem(409, "no token is configured: nothing to log in to")
    peer = peer_of(request.scope)
    site.limits.failures.refuse_blocked(peer)
    level = site.access.level_of(body.token.strip())
    if not level:
        site.limits.failures.add(peer)
        raise Problem(401, "the token is wrong", field="token")
    _log.info("logged in", extra={"fields": {"peer": peer, "may": level.name.lower()}})
    answer = Response(status_code=204)
    value = site.access.new_session(level, site.utc_s())
    secure = request.url.scheme == "https"
    answer.set_cookie(cookie_name(request.scope), value, max_age=SESSION_S, path="/", secure=secure, httponly=True, samesite="strict")
    return answer


@router.delete("/session", status_code=204, summary="Log out")
async def log_out(request: Request) -> Response:
    """Removes the cookie."""
    answer = Response(status_code=204)
    secure = request.url.scheme == "https"
    answer.delete_cookie(cookie_name(request.scope), path="/", secure=secure, httponly=True, samesite="strict")
    return answer
