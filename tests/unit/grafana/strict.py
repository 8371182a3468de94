"""What is wrong with a dashboard file, as Grafana would find too late or never: it ignores what it does not know.

Keys by a round trip through Grafana's own generated types (`grafana-foundation-sdk`, 11.6), values by a walk of their type hints, the rest
(positions, variables, queries) by rules of its own. Two places that those types leave open are listed here: what a query of the InfluxDB
data source may hold, and the options of the transformations in use.
"""

from __future__ import annotations

import enum
import json
import re
import sys
import types
import typing
from collections.abc import Iterator
from typing import Any

from grafana_foundation_sdk.cog import plugins, runtime
from grafana_foundation_sdk.cog.encoder import JSONEncoder
from grafana_foundation_sdk.models import dashboard

from loadlog.grafana.influx import InfluxQuery

PANELS = {"timeseries", "table", "stat", "state-timeline", "xychart", "row"}  # drawn by every Grafana of 11.6 without a plug-in
QUERY_KEYS = {"refId", "datasource", "query", "rawQuery", "resultFormat", "alias", "hide"}
FORMATS = {"time_series", "table"}
ANNOTATION_KEYS = {
    "query", "rawQuery", "resultFormat", "refId", "fromAnnotations", "textColumn", "tagsColumn", "titleColumn", "timeEndColumn",
}  # fmt: skip
TRANSFORMATIONS = {
    "groupBy": {"fields"}, "filterByValue": {"filters", "type", "match"}, "organize": {"excludeByName", "indexByName", "renameByName"},
    "sortBy": {"fields", "sort"}, "renameByRegex": {"regex", "renamePattern"},
}  # fmt: skip
BUILT_IN = {
    "timeFilter",
    "__interval",
    "tag_bench",
    "tag_device",
    "tag_bus",
    "col",
    "__all_variables",
    "__value",
    "__data",
    "1",
}  # 1: of renameByRegex
WIDTH = 24

plugins.register_default_plugins()
runtime.Runtime().register_dataquery_variant(runtime.DataqueryConfig(identifier="influxdb", from_json_hook=InfluxQuery.from_json))


def problems(board: dict[str, Any]) -> list[str]:
    """One line each, with the place; empty when all is well."""
    rest = json.loads(json.dumps(board))
    for annotation in rest.get("annotations", {}).get("list", []):
        annotation.pop("target", None)  # checked apart: the SDK knows only those of Grafana's own data source
    try:
        read = dashboard.Dashboard.from_json(rest)
        again = json.loads(json.dumps(read, cls=JSONEncoder))
    except Exception as exc:
        return [f"cannot be read: {exc!r}"]
    if found := [*_lost(rest, again, ""), *_walk(read, ""), *_panel_types(board)]:
        return found
    return [*_annotations(board), *_positions(board), *_queries(board), *_variables(board), *_transformations(board)]


def _panels(board: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    for index, panel in enumerate(board.get("panels", [])):
        yield f"panels[{index}]", panel


def _panel_types(board: dict[str, Any]) -> Iterator[str]:
    for place, panel in _panels(board):
        if panel.get("type") not in PANELS:
            yield f"{place}.type: {panel.get('type')!r} is no panel of the list"


def _annotations(board: dict[str, Any]) -> Iterator[str]:
    for index, annotation in enumerate(board.get("annotations", {}).get("list", [])):
        target, place = annotation.get("target", {}), f"annotations.list[{index}].target"
        for key in sorted(set(target) ^ ANNOTATION_KEYS):
            yield f"{place}.{key}: unknown or missing"
        for column in [target.get("textColumn", ""), *target.get("tagsColumn", "").split(",")]:
            if f'"{column}"' not in target.get("query", ""):
                yield f"{place}: column {column!r} is not asked for"


def _lost(before: Any, after: Any, place: str) -> Iterator[str]:
    """What the round trip dropped or changed."""
    if isinstance(before, dict) and isinstance(after, dict):
        for key, value in before.items():
            if key not in after:
                if value is not None:  # a threshold's lowest value is null, and left out again
                    yield f"{place}.{key}: unknown key"
            else:
                yield from _lost(value, after[key], f"{place}.{key}")
    elif isinstance(before, list) and isinstance(after, list) and len(before) == len(after):
        for index, (one, other) in enumerate(zip(before, after, strict=True)):
            yield from _lost(one, other, f"{place}[{index}]")
    elif before != after:
        yield f"{place}: {before!r} becomes {after!r}"


def _walk(value: Any, place: str) -> Iterator[str]:
    """The attributes of an object of the SDK against their hints."""
    cls = type(value)
    if not hasattr(value, "to_json") or not cls.__module__.startswith("grafana_foundation_sdk.models"):
        return
    hints = typing.get_type_hints(cls, vars(sys.modules[cls.__module__]))
    for name, hint in hints.items():
        yield from _fits(getattr(value, name), hint, f"{place}.{name}")


def _fits(value: Any, hint: Any, place: str) -> Iterator[str]:
    origin, arguments = typing.get_origin(hint), typing.get_args(hint)
    if origin in (typing.Union, types.UnionType):
        yield from _fits_one(value, [a for a in arguments if a is not type(None)], place)
    elif origin in (list, dict):
        if not isinstance(value, origin):
            yield f"{place}: {value!r} is no {origin.__name__}"
            return
        for key, one in enumerate(value) if origin is list else value.items():
            yield from _fits(one, arguments[-1], f"{place}[{key}]")
    elif origin is typing.Literal:
        if value not in arguments:
            yield f"{place}: {value!r} is none of {arguments}"
    elif isinstance(hint, type):
        yield from _is(value, hint, place)
    elif hint is not Any:
        yield f"{place}: cannot judge {hint!r}"


def _fits_one(value: Any, hints: list[Any], place: str) -> Iterator[str]:
    """One of several, or nothing: judged by the one whose class it has, else by the first that takes it."""
    same = [hint for hint in hints if isinstance(hint, type) and type(value) is hint]
    answers = [list(_fits(value, hint, place)) for hint in same or hints]
    if value is not None and all(answers):
        yield from answers[0] if len(answers) == 1 else [f"{place}: {value!r} is none of {hints}"]


def _is(value: Any, hint: type, place: str) -> Iterator[str]:
    if issubclass(hint, enum.Enum):
        if isinstance(value, bool) or value not in [member.value for member in hint]:
            yield f"{place}: {value!r} is none of {[member.value for member in hint]}"
    elif hint is object:
        yield from _walk(value, place)
    elif hint is float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            yield f"{place}: {value!r} is no number"
    elif hint is int:
        if isinstance(value, bool) or not isinstance(value, int):
            yield f"{place}: {value!r} is no whole number"
    elif isinstance(value, dict) and hasattr(hint, "from_json"):  # the SDK leaves some as they are
        read = hint.from_json(value)
        yield from _lost(value, json.loads(json.dumps(read, cls=JSONEncoder)), place)
        yield from _walk(read, place)
    elif not isinstance(value, hint):
        yield f"{place}: {value!r} is no {hint.__name__}"
    else:
        yield from _walk(value, place)


def _positions(board: dict[str, Any]) -> Iterator[str]:
    taken: dict[tuple[int, int], str] = {}
    ids: dict[Any, str] = {}
    for place, panel in _panels(board):
        at = panel["gridPos"]
        if at["x"] < 0 or at["w"] < 1 or at["h"] < 1 or at["x"] + at["w"] > WIDTH:
            yield f"{place}.gridPos: beyond the grid"
        for cell in ((x, y) for x in range(at["x"], at["x"] + at["w"]) for y in range(at["y"], at["y"] + at["h"])):
            if taken.setdefault(cell, place) != place:
                yield f"{place}.gridPos: lies over {taken[cell]}"
                break
        if ids.setdefault(panel.get("id"), place) != place or not panel.get("id"):
            yield f"{place}.id: missing or that of {ids[panel.get('id')]}"


def queries(board: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """(place, query) of panels, annotations and variables."""
    for place, panel in _panels(board):
        for target in panel.get("targets", []):
            yield f"{place}.targets", target["query"]
    for index, annotation in enumerate(board.get("annotations", {}).get("list", [])):
        yield f"annotations.list[{index}]", annotation["target"]["query"]
    for variable in board["templating"]["list"]:
        if variable["type"] == "query":
            yield f"variable {variable['name']}", variable["query"]["query"]


def _queries(board: dict[str, Any]) -> Iterator[str]:
    for place, panel in _panels(board):
        refs = [target.get("refId") for target in panel.get("targets", [])]
        if len(set(refs)) != len(refs) or (not refs and panel["type"] != "row"):
            yield f"{place}.targets: refId twice, or no query"
        for target in panel.get("targets", []):
            if set(target) - QUERY_KEYS or target.get("resultFormat") not in FORMATS or target.get("rawQuery") is not True:
                yield f"{place}.targets: keys or format of {target}"
    for place, query in queries(board):
        if re.search(r'(?<!KEY )(=|!=|<>)\s*"', query):
            yield f"{place}: compares with a double-quoted text, which is a field and gives nothing: {query}"
        if query.count("'") % 2 or query.count('"') % 2 or query.count("(") != query.count(")"):
            yield f"{place}: quotes or parentheses: {query}"
        if query.startswith("SELECT") and "$timeFilter" not in query:
            yield f"{place}: no $timeFilter: {query}"
        if re.search(r"integral\s*\(", query):
            yield f"{place}: integral() is missing in InfluxDB 3: {query}"
        if query.count("SELECT") - 1 > query.count("(SELECT") or "FROM (SELECT" in query.split("FROM (SELECT", 1)[-1].split(")", 1)[0]:
            yield f"{place}: nested subquery: {query}"


def _variables(board: dict[str, Any]) -> Iterator[str]:
    known = {variable["name"]: variable for variable in board["templating"]["list"]}
    text = json.dumps(board["panels"]) + " ".join(query for _, query in queries(board))
    for name in sorted(set(re.findall(r"\$\{?(\w+)", text)) - set(known) - BUILT_IN):
        yield f"${name}: there is no such variable"
    for place, query in queries(board):
        for name in re.findall(r"\$(\w+)", query):
            if name in known and f"/^(${name})$/" not in query:
                yield f"{place}: ${name} does not stand as /^(${name})$/"
    for name, variable in known.items():
        if variable.get("includeAll") and variable.get("allValue") != ".*":
            yield f"variable {name}: all without allValue"


def _transformations(board: dict[str, Any]) -> Iterator[str]:
    for place, panel in _panels(board):
        for index, one in enumerate(panel.get("transformations", [])):
            allowed = TRANSFORMATIONS.get(one.get("id"), set())
            if set(one.get("options", {})) != allowed:
                yield f"{place}.transformations[{index}]: {one.get('id')} with {sorted(one.get('options', {}))}"
