"""Who really asks, where a trusted proxy stands in between.

``X-Forwarded-For`` and ``X-Forwarded-Proto`` are believed from the addresses in ``web.trusted_proxies`` alone (uvicorn's own reading of
them: from the right, up to the first address that is not trusted). They decide whose requests and wrong tokens are counted, and whether
the cookie is Secure; they never decide who may read or act.
"""

from __future__ import annotations

from collections.abc import Sequence

from starlette.types import ASGIApp, Receive, Scope, Send
from uvicorn.middleware.proxy_headers import ProxyHeadersMiddleware


class BehindProxies:
    """ASGI middleware; keeps the socket's own peer as ``socket_peer`` of the state, by which the connection is found."""

    def __init__(self, app: ASGIApp, trusted: Sequence[str]) -> None:
        self._app: ASGIApp = ProxyHeadersMiddleware(app, list(trusted))  # type: ignore[arg-type, assignment]

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http":
            scope.setdefault("state", {})["socket_peer"] = scope.get("client")
        await self._app(scope, receive, send)
