"""The guard around every route: who may read and who may act, judged before any route is reached.

Rules, of which the first two in short: changes need the token; reading needs it wherever the address is not loopback.

- A request shows a token as ``Authorization: Bearer ...``, or as the session cookie that ``POST /api/session`` gives for it. The cookie is
  HttpOnly and SameSite=Strict, under TLS also Secure. A read token never acts (403, not 401: showing it again would not help).
- On a loopback address without a configured token, everybody on this machine may read and act, as with any local tool; but a page of
  another origin open in the same browser may do neither, see the next three rules. What came through a proxy is refused there, for it
  makes of everybody a peer on this machine.
- A change that does not carry a bearer token must carry the header ``X-Loadlog`` (a foreign page cannot set it without a preflight, which
  is refused: no CORS) and, where the browser says so, come from the page's own origin (Fetch Metadata: ``Sec-Fetch-Site``; else
  ``Origin``).
- What the bench says is not read by a foreign page either (``Sec-Fetch-Site``), not even to make this machine work in vain.
- The Host header must name this machine, an address where others reach it, or one of ``web.hosts``: it defeats DNS rebinding.
- Bodies are at most `MAX_BODY` bytes and come within `BODY_S`. Rates are those of `limits`.
"""

from __future__ import annotations

import asyncio
import ipaddress
from collections.abc import Callable
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from loadlog.web.access import Access, Level
from loadlog.web.limits import FailureCounter, Places, RateLimit, peer_of
from loadlog.web.problems import Problem

MAX_BODY = 64 * 1024
BODY_S = 15.0
CHANGE_HEADER = "x-loadlog"
OPEN_PATHS = frozenset({"/", "/healthz", "/api/session"})
_OPEN_PREFIX = "/assets/"  # page, scripts and styles hold nothing of the bench
_READING = frozenset({"GET", "HEAD"})
_PROXY_HEADERS = ("forwarded", "x-forwarded-for", "x-forwarded-host", "x-real-ip")

CONTENT_SECURITY_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
# No Strict-Transport-Security: browsers apply it to every port of the host, so it would cut off what else runs there without TLS.
_HEADERS = {
    "content-security-policy": CONTENT_SECURITY_POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
}


@dataclass(frozen=True, slots=True)
class Limits:
    """What counts requests, one of each for the whole service."""

    failures: FailureCounter
    reads: RateLimit
    changes: RateLimit
    places: Places


class Guard:
    """ASGI middleware that enforces the rules above and puts the security headers on every answer, of a fault too."""

    def __init__(self, app: ASGIApp, access: Access, limits: Limits, utc_s: Callable[[], float]) -> None:
        self._app, self._access, self._limits, self._utc_s = app, access, limits, utc_s

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                answer = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    answer.setdefault(name, value)
                answer.setdefault("cache-control", "no-cache" if scope["path"].startswith(_OPEN_PREFIX) else "no-store")
            await send(message)

        try:
            self._judge(scope, headers)
            receive_limited = _limited(receive, headers)
        except Problem as problem:
            await problem.response()(scope, receive, send_guarded)
            return
        await self._app(scope, receive_limited, send_guarded)

    def _judge(self, scope: Scope, headers: Headers) -> None:
        """Raises `Problem` for a request that is not permitted."""
        self._judge_host(headers)
        reading, path = scope["method"] in _READING, scope["path"]
        is_open = path in OPEN_PATHS or path.startswith(_OPEN_PREFIX)
        bearer = self._bearer(scope, headers)
        session = self._access.level_of_session(session_cookie(scope, headers), self._utc_s())
        scope.setdefault("state", {})["level"] = level = max(bearer, session)
        if not is_open:
            refuse_below(level, self._access.reading_needs if reading else self._access.acting_needs)
        if not bearer and not reading:
            refuse_foreign_change(headers)
        elif not bearer and not is_open:
            refuse_foreign_reading(headers)
        if not reading:
            self._limits.changes.spend(peer_of(scope))
        elif not is_open:
            self._limits.reads.spend(peer_of(scope))

    def _judge_host(self, headers: Headers) -> None:
        name = host_name(headers.get("host", ""))
        if self._access.others_reach:
            # A foreign name would be without cookie, so it is refused only where the right ones are known. An address cannot be rebound.
            known = not self._access.hosts or name in self._access.hosts or name == "localhost" or is_address(name)
            if not known:
                raise Problem(421, f"the Host header names {name!r}, which is not in web.hosts", field="Host")
            return
        if not is_this_machine(name):
            detail = "the Host header does not name this machine; open the page as http://127.0.0.1 or http://localhost, or set web.hosts"
            raise Problem(421, detail, field="Host")
        for proxy_header in _PROXY_HEADERS:
            if proxy_header in headers:
                detail = "the request came through a proxy, and the page is for this machine alone; set web.hosts and a token"
                raise Problem(403, detail, field=proxy_header)

    def _bearer(self, scope: Scope, headers: Headers) -> Level:
        """What the bearer token permits; nothing without one.

        Raises:
            Problem: a wrong one, or too many wrong ones.
        """
        scheme, _, shown = headers.get("authorization", "").partition(" ")
        if scheme.lower() != "bearer" or not self._access.has_login:
            return Level.NOBODY
        peer = peer_of(scope)
        self._limits.failures.refuse_blocked(peer)
        level = self._access.level_of(shown.strip())
        if not level:
            self._limits.failures.add(peer)
            raise Problem(401, "the token is wrong", field="Authorization", headers={"WWW-Authenticate": "Bearer"})
        return level


def refuse_below(level: Level, needed: Level) -> None:
    """Raises `Problem`: 401 where a token was not shown, 403 where it was and permits less."""
    if level >= needed:
        return
    if level:
        raise Problem(403, "this token may only read; log in with the one that may act", field="Authorization")
    what = "reading from another machine" if needed is Level.READ else "a change"
    detail = f"{what} needs the token: log in, or send Authorization: Bearer"
    raise Problem(401, detail, field="Authorization", headers={"WWW-Authenticate": "Bearer"})


def cookie_name(scope: Scope) -> str:
    """Name of the session cookie. It carries the port, for which browsers make no difference: several benches may be on one machine. Under
    TLS its prefix keeps neighbours and unprotected pages of the same name from setting one (RFC 6265bis, 4.1.3.2)."""
    server = scope.get("server")
    prefix = "__Host-" if scope.get("scheme") == "https" else ""
    return f"{prefix}loadlog_session_{server[1] if server else 0}"


def session_cookie(scope: Scope, headers: Headers) -> str:
    """The session cookie's value, or an empty text."""
    try:
        morsel = SimpleCookie(headers.get("cookie", "")).get(cookie_name(scope))
    except CookieError:
        return ""
    return morsel.value if morsel else ""


def host_name(host: str) -> str:
    """The name or address in a Host header, without its port (a tunnel may have another)."""
    name = host.rsplit(":", 1)[0] if host.count(":") == 1 or "]:" in host else host
    return name.strip("[]").rstrip(".").lower()


def is_address(name: str) -> bool:
    """Whether a host name is an IP address."""
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def is_this_machine(name: str) -> bool:
    """Whether a host name is ``localhost`` or a loopback address."""
    return name == "localhost" or (is_address(name) and ipaddress.ip_address(name).is_loopback)


def refuse_foreign_reading(headers: Headers) -> None:
    """Raises `Problem` for a read that a page of another origin has caused; programs send no Fetch Metadata."""
    if headers.get("sec-fetch-site", "none") not in ("same-origin", "none"):
        raise Problem(403, "the request comes from a page of another origin", field="Sec-Fetch-Site")


def refuse_foreign_change(headers: Headers) -> None:
    """Raises `Problem` for a change that a page of another origin may have caused (request forgery)."""
    if CHANGE_HEADER not in headers:
        raise Problem(403, "a change needs the header X-Loadlog (any value) or a bearer token", field="X-Loadlog")
    site = headers.get("sec-fetch-site")
    if site is not None:
        foreign = site not in ("same-origin", "none")
    else:
        origin = headers.get("origin")
        foreign = origin is not None and origin.partition("://")[2] != headers.get("host")
    if foreign:
        raise Problem(403, "the change comes from a page of another origin", field="Origin")


def _limited(receive: Receive, headers: Headers) -> Receive:
    """``receive`` that ends with `Problem` 413 once the body passes `MAX_BODY`, with 408 once it takes longer than `BODY_S`; a declared
    length is judged at once."""
    if "content-length" in headers and "transfer-encoding" in headers:  # a proxy may have counted otherwise (RFC 9112, 6.3)
        raise Problem(400, "the body's length is given twice", field="Content-Length", headers={"Connection": "close"})
    declared = headers.get("content-length", "0")
    if not declared.isdigit() or int(declared) > MAX_BODY:
        raise Problem(413, f"the body is longer than {MAX_BODY} bytes", field="body")
    seen = 0
    complete = False
    until_s = asyncio.get_running_loop().time() + BODY_S

    async def limited() -> Message:
        nonlocal seen, complete
        try:
            async with asyncio.timeout_at(None if complete else until_s):
                message = await receive()
        except TimeoutError as exc:
            raise Problem(408, f"the body did not come within {BODY_S:g} s", field="body", headers={"Connection": "close"}) from exc
        complete = not message.get("more_body", False)
        seen += len(message.get("body", b""))
        if seen > MAX_BODY:
            raise Problem(413, f"the body is longer than {MAX_BODY} bytes", field="body")
        return message

    return limited
