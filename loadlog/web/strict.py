"""Requests taken at their word: what the framework would overlook is refused, with the field that is at fault.

Unknown query fields, and those given twice; a body of another type than JSON; in it keys given twice (RFC 8259, 4: what becomes of
them is anybody's guess), numbers that JSON does not have, nesting without end, and characters that are no text: controls but tab and line
feed, of which terminals and databases make something else, and halves of a surrogate pair, which no file can hold.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Coroutine
from typing import Any, get_args, get_origin

from fastapi import APIRouter, Request, Response
from fastapi.routing import APIRoute
from starlette.requests import ClientDisconnect

from loadlog.config import nearest
from loadlog.web.problems import Problem
from loadlog.web.texts import SHOWN

_TEXT_CONTROLS = "\t\n"


def make_router(prefix: str = "") -> APIRouter:
    """A router whose routes are strict."""
    return APIRouter(prefix=prefix, route_class=StrictRoute)


class StrictRoute(APIRoute):
    """A route that judges query and body as above before the framework does."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """The framework's handler behind the checks."""
        handle = super().get_route_handler()
        single = {field.alias: not _is_list(field.field_info.annotation) for field in self.dependant.query_params}
        takes_body = self.body_field is not None

        async def handle_strictly(request: Request) -> Response:
            judge_query(request, single)
            if takes_body:
                request = _StrictRequest(request.scope, request.receive)
                await judge_content_type(request)
            return await handle(request)

        return handle_strictly


class _StrictRequest(Request):
    """A request whose JSON is read by `parse_json`."""

    async def json(self) -> Any:
        """The body; called by the framework."""
        return parse_json(await self.body())


def judge_query(request: Request, single: dict[str, bool]) -> None:
    """Raises `Problem` for query fields that are unknown or given twice; ``single`` says of each known one whether it stands alone."""
    seen: set[tuple[str, str]] = set()
    for name, value in request.query_params.multi_items():
        if name not in single:
            raise Problem(422, f"there is no query field {name[:SHOWN]!r}{nearest(name[:SHOWN], single)}", field=name[:SHOWN])
        key = (name, "" if single[name] else value)  # of a list only the same again: it would be worked out again
        if key in seen:
            raise Problem(422, f"{name}: given more than once", field=name)
        seen.add(key)
        judge_text(value, name)


async def judge_content_type(request: Request) -> None:
    """Raises `Problem` 415 for a body that does not say that it is JSON."""
    try:
        body = await request.body()
    except ClientDisconnect as exc:
        raise Problem(400, "the client went away before its body was complete", field="body") from exc
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if body and kind != "application/json":
        given = f"not {kind[:SHOWN]!r}" if kind else "and say so"
        raise Problem(415, f"the body must be application/json, {given}", field="Content-Type")


def parse_json(body: bytes) -> Any:
    """The value of a JSON text.

    Raises:
        Problem: 400 where it is no JSON text in UTF-8, 422 for what it says twice or is no text; names the field.
    """
    try:
        value = json.loads(body.decode(), object_pairs_hook=_object, parse_constant=_no_constant)
        judge_value(value, "")
    except UnicodeDecodeError as exc:
        raise Problem(400, f"the body is not UTF-8 (byte {exc.start})", field="body") from exc
    except json.JSONDecodeError as exc:
        raise Problem(400, f"the body is not JSON: {exc}", field="body") from exc
    except RecursionError as exc:
        raise Problem(400, "the body is nested too deeply", field="body") from exc
    except ValueError as exc:  # an integer of thousands of digits
        raise Problem(400, "the body holds a number that is too long", field="body") from exc
    return value


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    out = dict(pairs)
    if len(out) < len(pairs):
        names = [name for name, _ in pairs]
        double = next(name for name in names if names.count(name) > 1)[:SHOWN]
        raise Problem(422, f"{double!r} is given more than once", field=double)
    return out


def _no_constant(name: str) -> Any:
    raise Problem(400, f"the body is not JSON: there is no number {name}", field="body")


def judge_value(value: Any, field: str) -> None:
    """Raises `Problem` for text in ``value`` that is none, at any depth."""
    if isinstance(value, str):
        judge_text(value, field)
    elif isinstance(value, list):
        for item in value:
            judge_value(item, field)
    elif isinstance(value, dict):
        for key, item in value.items():
            judge_text(key, field or "body")
            judge_value(item, f"{field}.{key}" if field else key)


def judge_text(text: str, field: str) -> None:
    """Raises `Problem` for control characters and halves of surrogate pairs."""
    for char in text:
        if (ord(char) < 0x20 and char not in _TEXT_CONTROLS) or 0x7F <= ord(char) <= 0x9F or 0xD800 <= ord(char) <= 0xDFFF:
            raise Problem(422, f"{field[:SHOWN]}: U+{ord(char):04X} is not text", field=field[:SHOWN])


def _is_list(annotation: Any) -> bool:
    return list in {get_origin(part) for part in (annotation, *get_args(annotation))}
