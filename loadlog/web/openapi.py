"""The description of the interface (OpenAPI 3.1): the framework's, with what the guard and the handlers of errors may answer as well."""

from __future__ import annotations

import http
from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi

from loadlog.web.access import Access
from loadlog.web.problems import MEDIA_TYPE
from loadlog.web.security import OPEN_PATHS

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
    "description": "The token of those who may act, or of those who only read.",
}


def describe(app: FastAPI, access: Access) -> dict[str, Any]:
    """The document, made once. Which requests need a token is said as it is here (``access``)."""
    if app.openapi_schema is None:
        document = get_openapi(title=app.title, version=app.version, summary=app.summary, routes=app.routes)
        components = document.setdefault("components", {})
        schemas = components.setdefault("schemas", {})
        schemas["Problem"] = PROBLEM
        for name in ("HTTPValidationError", "ValidationError"):  # of the framework, never sent
            schemas.pop(name, None)
        components["securitySchemes"] = {"token": BEARER}
        for path, operations in document["paths"].items():
            for method, operation in operations.items():
                _add_refusals(method, operation)
                needed = access.reading_needs if method == "get" else access.acting_needs
                operation["security"] = [{"token": []}] if needed and path not in OPEN_PATHS else [{}, {"token": []}]
        app.openapi_schema = document
    return app.openapi_schema


def _add_refusals(method: str, operation: dict[str, Any]) -> None:
    responses = operation["responses"]
    statuses = set(_EVERYWHERE)
    parameters = operation.get("parameters", [])
    statuses.add(422)  # unknown query fields too
    for parameter in parameters:
        for schema in (parameter["schema"], *parameter["schema"].get("anyOf", ())):
            if schema.get("type") == "array":
                schema["uniqueItems"] = True  # `strict` asks it
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
