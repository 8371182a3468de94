"""The description of the interface (OpenAPI 3.1): the framework's, with what the guard and the handlers of errors may answer as well."""

from __future__ import annotations

import http
from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi

from loadlog.web.problems import MEDIA_TYPE

_EVERYWHERE = (401, 403, 408, 413, 421, 429, 500, 503)
_WITH_A_BODY = (400, 415)
_OF_CHANGES = (409,)
PROBLEM = {
    "title": "Problem",
    "description": "RFC 9457; `field` names the query or body field or the header at fault.",
    "type": "object",
    "required": ["type", "title", "status", "detail"],
    "properties": {
        "type": {"type": "string", "const": "about:blank"},
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "detail": {"type": "string"},
        "field": {"type": "string"},
    },
}
BEARER = {
    "type": "http",
    "scheme": "bearer",
    "description": "The acting token, or the one that only reads. Not needed on loopback without.",
}


def describe(app: FastAPI) -> dict[str, Any]:
    """The document, made once."""
    if app.openapi_schema is None:
        document = get_openapi(title=app.title, version=app.version, summary=app.summary, routes=app.routes)
        components = document.setdefault("components", {})
        schemas = components.setdefault("schemas", {})
        schemas["Problem"] = PROBLEM
        for name in ("HTTPValidationError", "ValidationError"):  # of the framework, never sent
            schemas.pop(name, None)
        components["securitySchemes"] = {"token": BEARER}
        document["security"] = [{}, {"token": []}]
        for path in document["paths"].values():
            for method, operation in path.items():
                _add_refusals(method, operation)
        app.openapi_schema = document
    return app.openapi_schema


def _add_refusals(method: str, operation: dict[str, Any]) -> None:
    responses = operation["responses"]
    statuses = set(_EVERYWHERE)
    parameters = operation.get("parameters", [])
    statuses.add(422)  # unknown query fields too
    if parameters:
        statuses.add(404)
    if "requestBody" in operation:
        statuses |= set(_WITH_A_BODY)
    if method != "get":
        statuses |= set(_OF_CHANGES)
    responses.pop("422", None)
    for status in sorted(statuses):
        content = {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}}
        own = responses.setdefault(str(status), {"description": http.HTTPStatus(status).phrase})
        own.setdefault("content", {}).update(content)
