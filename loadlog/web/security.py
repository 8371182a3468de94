"""Who may read and who may act, judged before any route is reached.

Rules (CONTRACT, HTTP: changes need the token; reading needs it wherever the address is not loopback):

- A request shows the token as ``Authorization: Bearer ...``, or as the session cookie that ``POST /api/session`` gives for it. The cookie
  holds an expiry and a MAC under a key derived from the token (RFC 2104), so it dies with the token; it is HttpOnly and SameSite=Strict.
- On a loopback address without a configured token, everybody on this machine may read and act, as with any local tool; but a page of
  another origin open in the same browser may not, see the next two rules.
- A change that does not carry a bearer token must carry the header ``X-Loadlog`` (a foreign page cannot set it without a preflight, which
  is refused: no CORS) and, where the browser says so, come from the page's own origin (Fetch Metadata: ``Sec-Fetch-Site``; else
  ``Origin``).
- On a loopback address the Host header must name this machine, which defeats DNS rebinding.
- Bodies are at most `MAX_BODY` bytes. Wrong tokens are counted per peer and answered 429 after `MAX_FAILURES` a minute.
- Comparison of secrets takes constant time.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import ipaddress
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from pathlib import Path

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from loadlog.config import WebConfig
from loadlog.model.errors import ConfigError
from loadlog.web.problems import Problem

SESSION_S = 14 * 86_400
MIN_TOKEN = 16
MAX_BODY = 64 * 1024
MAX_FAILURES = 10
CHANGE_HEADER = "x-loadlog"
_FAILURE_WINDOW_S = 60.0
_MAX_PEERS = 1000
_OPEN_PATHS = frozenset({"/", "/healthz", "/api/session"})
_OPEN_PREFIX = "/assets/"  # page, scripts and styles hold nothing of the bench
_READING = frozenset({"GET", "HEAD"})

CONTENT_SECURITY_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
_HEADERS = {
    "content-security-policy": CONTENT_SECURITY_POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
}


@dataclass(frozen=True, slots=True)
class Access:
    """What the configuration says about who may do what. ``token`` is empty where none is configured (loopback only)."""

    loopback: bool
    token: str = ""

    @property
    def reading_needs_token(self) -> bool:
        """True where others than this machine reach the page."""
        return not self.loopback

    @property
    def acting_needs_token(self) -> bool:
        """True wherever a token is configured."""
        return bool(self.token)

    def holds(self, shown: str) -> bool:
        """Whether ``shown`` is the token; in constant time."""
        return bool(self.token) and hmac.compare_digest(shown.encode(), self.token.encode())

    def _mac(self, expiry: str) -> str:
        key = hashlib.sha256(b"loadlog session\0" + self.token.encode()).digest()
        return base64.urlsafe_b64encode(hmac.digest(key, expiry.encode(), "sha256")).decode().rstrip("=")

    def new_session(self, now_s: float) -> str:
        """Value of the session cookie, good for `SESSION_S`."""
        expiry = str(int(now_s) + SESSION_S)
        return f"{expiry}.{self._mac(expiry)}"

    def session_holds(self, value: str, now_s: float) -> bool:
        """Whether a cookie's value was made by `new_session` with the present token and has not expired."""
        expiry, _, mac = value.partition(".")
        if not self.token or not expiry.isascii() or not expiry.isdigit() or len(expiry) > 12:
            return False
        return hmac.compare_digest(mac.encode(), self._mac(expiry).encode()) and now_s < int(expiry)


def load_access(config: WebConfig, base: Path, environ: Mapping[str, str] = os.environ) -> Access:
    """The access rules of ``[web]``; a relative ``token_file`` is looked for beside the configuration file (``base``).

    Raises:
        ConfigError: the token is named but missing, empty or too short.
    """
    token = ""
    if config.token_file:
        path = base / config.token_file
        try:
            token = path.read_text(encoding="utf-8").strip()
        except (OSError, UnicodeDecodeError) as exc:
            reason = exc.strerror if isinstance(exc, OSError) else "not UTF-8 text"
            raise ConfigError(f"web.token_file: cannot read {path}: {reason}") from exc
        source = f"web.token_file {path}"
    elif config.token_env:
        token = environ.get(config.token_env, "").strip()
        source = f"web.token_env: environment variable {config.token_env}"
    else:
        return Access(loopback=config.is_loopback)
    if not token:
        raise ConfigError(f"{source} is empty or not set", hint="give it a long random text, e.g. from: openssl rand -hex 24")
    if len(token) < MIN_TOKEN:
        raise ConfigError(f"{source}: a token has at least {MIN_TOKEN} characters")
    return Access(loopback=config.is_loopback, token=token)


class FailureCounter:
    """Wrong tokens per peer within a minute; forgets the oldest peer beyond `_MAX_PEERS`."""

    def __init__(self, monotonic_s: Callable[[], float]) -> None:
        self._monotonic_s = monotonic_s
        self._failures: dict[str, list[float]] = {}

    def _recent(self, peer: str) -> list[float]:
        since_s = self._monotonic_s() - _FAILURE_WINDOW_S
        return [t for t in self._failures.get(peer, []) if t > since_s]

    def add(self, peer: str) -> None:
        """One more wrong token from this peer."""
        recent = self._recent(peer)
        self._failures.pop(peer, None)
        if len(self._failures) >= _MAX_PEERS:
            del self._failures[next(iter(self._failures))]
        self._failures[peer] = [*recent, self._monotonic_s()]

    def blocked(self, peer: str) -> bool:
        """True while the peer has used up its tries."""
        return len(self._recent(peer)) >= MAX_FAILURES


class Guard:
    """ASGI middleware that enforces the rules above and puts the security headers on every answer."""

    def __init__(self, app: ASGIApp, access: Access, failures: FailureCounter, utc_s: Callable[[], float]) -> None:
        self._app, self._access, self._failures, self._utc_s = app, access, failures, utc_s

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
        if self._access.loopback and not names_this_machine(headers.get("host", "")):
            raise Problem(421, "the Host header does not name this machine; open the page as http://127.0.0.1 or http://localhost")
        reading = scope["method"] in _READING
        bearer = self._bearer(scope, headers)
        if not reading and not bearer:
            refuse_foreign_origin(headers)
        if scope["path"] in _OPEN_PATHS or scope["path"].startswith(_OPEN_PREFIX):
            return
        needed = self._access.reading_needs_token if reading else self._access.acting_needs_token
        if needed and not bearer and not self._access.session_holds(session_cookie(scope, headers), self._utc_s()):
            what = "reading from another machine" if reading else "changes"
            raise Problem(401, f"{what} need the token: log in, or send Authorization: Bearer", headers={"WWW-Authenticate": "Bearer"})

    def _bearer(self, scope: Scope, headers: Headers) -> bool:
        """True with the right bearer token, False without one.

        Raises:
            Problem: a wrong one, or too many wrong ones.
        """
        scheme, _, shown = headers.get("authorization", "").partition(" ")
        if scheme.lower() != "bearer" or not self._access.token:
            return False
        peer = peer_of(scope)
        refuse_blocked(self._failures, peer)
        if self._access.holds(shown.strip()):
            return True
        self._failures.add(peer)
        raise Problem(401, "the token is wrong", field="Authorization", headers={"WWW-Authenticate": "Bearer"})


def refuse_blocked(failures: FailureCounter, peer: str) -> None:
    """Raises `Problem` 429 while the peer has used up its tries."""
    if failures.blocked(peer):
        raise Problem(429, "too many wrong tokens; wait a minute", headers={"Retry-After": "60"})


def peer_of(scope: Scope) -> str:
    """The peer's address, without its port."""
    client = scope.get("client")
    return str(client[0]) if client else ""


def cookie_name(scope: Scope) -> str:
    """Name of the session cookie. It carries the port, for which browsers make no difference: several benches may be on one machine."""
    server = scope.get("server")
    return f"loadlog_session_{server[1] if server else 0}"


def session_cookie(scope: Scope, headers: Headers) -> str:
    """The session cookie's value, or an empty text."""
    try:
        morsel = SimpleCookie(headers.get("cookie", "")).get(cookie_name(scope))
    except CookieError:
        return ""
    return morsel.value if morsel else ""


def names_this_machine(host: str) -> bool:
    """Whether a Host header is ``localhost`` or a loopback address, with any port (a tunnel may have another)."""
    name = host.rsplit(":", 1)[0] if host.count(":") == 1 or "]:" in host else host
    name = name.strip("[]").rstrip(".").lower()
    if name == "localhost":
        return True
    try:
        return ipaddress.ip_address(name).is_loopback
    except ValueError:
        return False


def refuse_foreign_origin(headers: Headers) -> None:
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
    """``receive`` that ends with `Problem` 413 once the body passes `MAX_BODY`; a declared length is judged at once."""
    declared = headers.get("content-length", "0")
    if not declared.isdigit() or int(declared) > MAX_BODY:
        raise Problem(413, f"the body is longer than {MAX_BODY} bytes", field="body")
    seen = 0

    async def limited() -> Message:
        nonlocal seen
        message = await receive()
        seen += len(message.get("body", b""))
        if seen > MAX_BODY:
            raise Problem(413, f"the body is longer than {MAX_BODY} bytes", field="body")
        return message

    return limited
