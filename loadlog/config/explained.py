"""TOML judged by a model, and what is wrong with it as one line: the key's path, what is allowed, the nearest known key."""

from __future__ import annotations

import difflib
import tomllib
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from loadlog.config.section import NAME_PATTERN, NAME_WORDS
from loadlog.model.errors import ConfigError

M = TypeVar("M", bound=BaseModel)


def nearest(word: str, known: Any) -> str:
    """`` (nearest known: ...)`` or an empty text; for error messages."""
    close = difflib.get_close_matches(word, list(known), n=1, cutoff=0.4)
    return f" (nearest known: {close[0]})" if close else ""


def read_toml(text: str, where: str) -> dict[str, Any]:
    """What ``text`` says in TOML; ``where`` is the file's name for messages.

    Raises:
        ConfigError: it is no TOML; one line.
    """
    try:
        return tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as exc:
        what = "nested too deeply" if isinstance(exc, RecursionError) else str(exc)
        raise ConfigError(f"not valid TOML: {what}", where=where) from exc
    except ValueError as exc:  # Python converts no integer of thousands of digits
        raise ConfigError("not valid TOML: a number is too long", where=where, hint="TOML's integers have at most 19 digits") from exc


def parse_toml(model: type[M], text: str, where: str) -> M:
    """What ``text`` says in TOML, judged by ``model``; ``where`` is the file's name for messages.

    Raises:
        ConfigError: one line with file, key, what is wrong and what is allowed.
    """
    data = read_toml(text, where)
    try:
        return model.model_validate(data)
    except ValidationError as exc:
        raise ConfigError(explain(exc, model, data), where=where) from exc


def explain(error: ValidationError, model: type[BaseModel], data: Any) -> str:
    """The first fault of a pydantic error as one line: key path, what is wrong, nearest known key.

    An unknown key goes before the others: a needed key that is misspelt is also missing, and the misspelling is what the user can see.
    """
    faults = error.errors(include_url=False)
    first = next((f for f in faults if f["type"] == "extra_forbidden"), faults[0])
    path = first["loc"]
    key = _path_text(path, data)
    more = f" (and {error.error_count() - 1} more)" if error.error_count() > 1 else ""
    if first["type"] == "extra_forbidden":
        return f"{key}: unknown key{nearest(str(path[-1]), _known_keys(model, path[:-1]))}{more}"
    if first["type"] == "missing":
        return f"{key}: missing{more}"
    message = said(first)
    given = first.get("input")
    shown = f", not {_as_written(given)}" if isinstance(given, str | int | float | bool) and first["type"] != "value_error" else ""
    return f"{key}: {message}{shown}{more}" if key else f"{message}{more}"


def _as_written(value: str | float) -> str:
    return str(value).lower() if isinstance(value, bool) else repr(value)


def said(fault: Any) -> str:
    """What is wrong by one fault of pydantic, without its place; a name's pattern in words."""
    if fault["type"] == "string_pattern_mismatch" and fault.get("ctx", {}).get("pattern") == NAME_PATTERN:
        return f"a name is of {NAME_WORDS}"
    return str(fault["msg"]).removeprefix("Value error, ")


def _path_text(path: tuple[int | str, ...], data: Any) -> str:
    """``device[load-1].limits.voltage``: list items by their name where they have one."""
    out = ""
    for part in path:
        if part == "[key]":  # pydantic's mark for the key itself
            continue
        try:
            data = data[part]
        except (KeyError, IndexError, TypeError):
            data = None
        if isinstance(part, int):
            name = data.get("name") if isinstance(data, dict) else None
            out += f"[{printable(name) or part + 1}]"
        else:
            out += f".{printable(part)}" if out else printable(part)
    return out


def printable(name: Any) -> str:
    """A name from the file as it may stand in a message of one line; empty when there is none."""
    text = name if isinstance(name, str) else ""
    return text if text.isprintable() else repr(text)


def _known_keys(model: type[BaseModel], path: tuple[int | str, ...]) -> list[str]:
    current: Any = model
    for part in path:
        if isinstance(part, int) or not (isinstance(current, type) and issubclass(current, BaseModel)):
            continue
        if part not in current.model_fields:
            continue
        current = model_inside(current.model_fields[part].annotation)
    return list(current.model_fields) if isinstance(current, type) and issubclass(current, BaseModel) else []


def model_inside(annotation: Any) -> Any:
    """The model in ``list[Model]``, ``dict[str, Model]``, ``Model | None``; else the annotation itself."""
    args = getattr(annotation, "__args__", ())
    for arg in args:
        found = model_inside(arg)
        if isinstance(found, type) and issubclass(found, BaseModel):
            return found
    return annotation
