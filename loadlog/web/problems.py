"""Every refusal as one JSON problem body (RFC 9457, ``application/problem+json``) that names the field concerned.

Members: ``type`` (always ``about:blank``), ``title``, ``status``, ``detail`` (one line: what, where, what to do) and, where one field is at
fault, ``field``. Traces do not leave the process.
"""

from __future__ import annotations

import http
import logging
import re
from collections.abc import Collection, Mapping
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException
from starlette.routing import Match

from loadlog.config import nearest
from loadlog.config.explained import model_inside, said
from loadlog.model.errors import LoadlogError, RefusedError, StoreError, UsageError
from loadlog.web.texts import SHOWN, SOME_TEXT

MEDIA_TYPE = "application/problem+json"
_log = logging.getLogger(__name__)
_METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE")
_FIELD = re.compile(r"([a-z][a-z_]*): ")


class Problem(HTTPException):
    """A refusal on its way to the client. ``field`` names the query or body key at fault, empty when none is.

    It is the framework's own exception, so that one raised while a body is read is not taken for a broken body.
    """

    def __init__(self, status: int, detail: str, *, field: str = "", headers: Mapping[str, str] | None = None) -> None:
        super().__init__(status, detail, dict(headers) if headers else None)
        self.field = field

    def response(self) -> JSONResponse:
        """The answer that carries it."""
        body: dict[str, Any] = {
            "type": "about:blank",
            "title": http.HTTPStatus(self.status_code).phrase,
            "status": self.status_code,
            "detail": self.detail,
        }
        if self.field:
            body["field"] = self.field
        return JSONResponse(body, self.status_code, headers=self.headers, media_type=MEDIA_TYPE)


def of_error(error: LoadlogError) -> Problem:
    """The problem that an error of ours is.

    A refusal whose cause is the socket itself (recorder not running, not answering) is 503; a refusal by the recorder is 409.
    """
    match = _FIELD.match(error.what)
    field = match.group(1) if match else ""
    if isinstance(error, UsageError):
        return Problem(422, str(error), field=field)
    if isinstance(error, RefusedError):
        unreachable = isinstance(error.__cause__, OSError | ValueError)
        return Problem(503 if unreachable else 409, str(error), field="" if unreachable else field)
    if isinstance(error, StoreError):
        return Problem(503, str(error))
    return Problem(500, str(error))


def install(app: FastAPI) -> None:
    """Answer every error of ``app`` with a problem body."""

    async def on_error(_request: Request, exc: Exception) -> JSONResponse:
        assert isinstance(exc, LoadlogError)
        return of_error(exc).response()

    async def on_http(request: Request, exc: Exception) -> JSONResponse:
        assert isinstance(exc, HTTPException)
        if isinstance(exc, Problem):
            return exc.response()
        if exc.status_code == http.HTTPStatus.METHOD_NOT_ALLOWED:
            return refused_method(app, request).response()
        if exc.status_code == http.HTTPStatus.NOT_FOUND:
            return Problem(404, f"there is nothing at {request.url.path[:100]}").response()
        return Problem(exc.status_code, str(exc.detail), headers=exc.headers).response()

    async def on_invalid(request: Request, exc: Exception) -> JSONResponse:
        assert isinstance(exc, RequestValidationError)
        return of_validation(exc, fields_of_body(request.scope.get("route"))).response()

    async def on_fault(request: Request, exc: Exception) -> JSONResponse:
        _log.error("request failed: %s %s", request.method, request.url.path, exc_info=exc)
        return Problem(500, f"internal fault: {type(exc).__name__}; the service's log tells more").response()

    app.add_exception_handler(LoadlogError, on_error)
    app.add_exception_handler(HTTPException, on_http)
    app.add_exception_handler(RequestValidationError, on_invalid)
    app.add_exception_handler(Exception, on_fault)


def refused_method(app: FastAPI, request: Request) -> Problem:
    """405 with every method that the path takes; the framework names those of its first route only."""
    known = [m for m in _METHODS if any(r.matches({**request.scope, "method": m})[0] is Match.FULL for r in app.router.routes)]
    known = known or ["GET", "HEAD"]  # a file
    detail = f"{request.url.path[:100]} takes {', '.join(known)}, not {request.method[:20]}"
    return Problem(405, detail, headers={"Allow": ", ".join(known)})


def fields_of_body(route: Any) -> tuple[str, ...]:
    """The fields that the body of a route may have."""
    field = getattr(route, "body_field", None)
    model = None if field is None else model_inside(field.field_info.annotation)
    return tuple(getattr(model, "model_fields", ()))


def of_validation(error: RequestValidationError, known: Collection[str] = ()) -> Problem:
    """The first fault of a request that does not fit its description; an unknown field goes before the others, which may follow from it.
    ``known``: the fields of its body."""
    errors = error.errors()
    first = next((e for e in errors if e["type"] == "extra_forbidden"), errors[0])
    path = [str(part) for part in first["loc"] if part not in ("body", "query", "path")] or [str(first["loc"][0])]
    more = f" (and {len(errors) - 1} more)" if len(errors) > 1 else ""
    if first["type"] == "json_invalid":
        return Problem(400, f"the body is not JSON: {first.get('ctx', {}).get('error', first['msg'])}")
    field = ".".join(path)[:SHOWN]
    if first["type"] == "extra_forbidden":
        return Problem(422, f"there is no field {field!r}{nearest(field, known)}{more}", field=field)
    pattern = first.get("ctx", {}).get("pattern")
    message = "words are needed" if pattern == SOME_TEXT else said(first)
    return Problem(422, f"{field}: {message}{more}", field=field)
