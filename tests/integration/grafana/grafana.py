"""What Grafana does to a query before it sends it, and to an answer before it shows it; as its data source for InfluxDB does (11.6).

Variables in a regular expression are escaped and, where there are several, stand in parentheses; the custom value of *All* is put in as
it is. ``$timeFilter`` becomes ``time >= Xms and time <= Yms``, then ``$__interval`` the width of the interval.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any

ALL = ("$__all",)
SPECIAL = re.compile(r"[\\^$*+?.()|\[\]{}/]")
Series = dict[tuple[tuple[str, str], ...], dict[str, dict[float, Any]]]  # tags -> column -> time, s -> value


def expand(query: str, from_s: float, to_s: float, interval: str, variables: Mapping[str, Sequence[str]]) -> str:
    """The query as it goes to the server."""
    for name, values in variables.items():
        escaped = [SPECIAL.sub(lambda m: "\\" + m.group(), value) for value in values]
        text = ".*" if tuple(values) == ALL else escaped[0] if len(escaped) == 1 else f"({'|'.join(escaped)})"
        query = re.sub(rf"\${name}\b", lambda _, text=text: text, query)
    query = query.replace("$timeFilter", f"time >= {round(from_s * 1000)}ms and time <= {round(to_s * 1000)}ms").replace(
        "$__interval", interval
    )
    assert "$" not in query.replace("$/", ""), f"not expanded: {query}"
    return query


def series(answer: Sequence[Mapping[str, Any]], all_times: bool = False) -> Series:
    """An answer of InfluxDB by tags and columns; values that are null are no values. ``all_times``: null values too."""
    out: Series = {}
    for one in answer:
        columns = out.setdefault(tuple(sorted((one.get("tags") or {}).items())), {})
        for row in one["values"]:
            for name, value in zip(one["columns"][1:], row[1:], strict=True):
                if value is not None or all_times:
                    columns.setdefault(name, {})[row[0] / 1e9] = value
    return out


def rows(answer: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """An answer as the table that Grafana makes of it: the tags as columns, the stamp as ``Time``, ms."""
    out = []
    for one in answer:
        for row in one["values"]:
            out.append({"Time": row[0] // 1_000_000, **(one.get("tags") or {}), **dict(zip(one["columns"][1:], row[1:], strict=True))})
    return out


def offered(answer: Sequence[Mapping[str, Any]]) -> set[str]:
    """The values that a variable offers."""
    return {row[1] for one in answer for row in one["values"]}


def transformed(table: list[dict[str, Any]], transformations: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """The transformations in use, in order."""
    for one in transformations:
        table = _TRANSFORM[one["id"]](table, one["options"])
    return table


def _group_by(table: list[dict[str, Any]], options: Mapping[str, Any]) -> list[dict[str, Any]]:
    keys = [name for name, how in options["fields"].items() if how["operation"] == "groupby"]
    folds = [(name, how["aggregations"]) for name, how in options["fields"].items() if how["operation"] == "aggregate"]
    groups: dict[tuple[Any, ...], dict[str, Any]] = {}
    for row in table:
        group = groups.setdefault(tuple(row[key] for key in keys), {key: row[key] for key in keys})
        for name, fold in ((name, fold) for name, wanted in folds for fold in wanted if row[name] is not None):
            column = f"{name} ({fold})"
            group[column] = _FOLD[fold](group.get(column, row[name]), row[name])
    return list(groups.values())


def _filter_by_value(table: list[dict[str, Any]], options: Mapping[str, Any]) -> list[dict[str, Any]]:
    [condition] = options["filters"]
    assert (options["type"], options["match"], condition["config"]["id"]) == ("include", "all", "equal")
    return [row for row in table if row[condition["fieldName"]] == condition["config"]["options"]["value"]]


def _organize(table: list[dict[str, Any]], options: Mapping[str, Any]) -> list[dict[str, Any]]:
    for row in table[:1]:
        named = {name for name, is_out in options["excludeByName"].items() if is_out} | set(options["renameByName"])
        assert named | set(options["indexByName"]) <= set(row)
    return [
        {options["renameByName"].get(name, name): value for name, value in row.items() if not options["excludeByName"].get(name)}
        for row in table
    ]


def _rename_by_regex(table: list[dict[str, Any]], options: Mapping[str, Any]) -> list[dict[str, Any]]:
    assert options["renamePattern"] == "$1"  # an empty one renames nothing
    return [{re.sub(options["regex"], r"\1", name): value for name, value in row.items()} for row in table]


def _sort_by(table: list[dict[str, Any]], options: Mapping[str, Any]) -> list[dict[str, Any]]:
    [order] = options["sort"]
    return sorted(table, key=lambda row: row[order["field"]], reverse=order["desc"])


_FOLD: dict[str, Callable[[Any, Any], Any]] = {"lastNotNull": lambda kept, new: new, "min": min, "max": max}
_TRANSFORM = {
    "groupBy": _group_by,
    "filterByValue": _filter_by_value,
    "organize": _organize,
    "renameByRegex": _rename_by_regex,
    "sortBy": _sort_by,
}


def firing(rule: Mapping[str, Any], ask: Any) -> set[tuple[tuple[str, str], ...]] | str:
    """Labels of what an alert rule fires for, or its state where the answer is empty: query A, reduction B, threshold C.

    ``ask``: runs a query. The answer's series become label sets; the column's name is none, since there is but one.
    """
    query, reduce, threshold = (step["model"] for step in rule["data"])
    assert (reduce["type"], reduce["expression"], threshold["type"], threshold["expression"]) == ("reduce", "A", "threshold", "B")
    assert rule["condition"] == "C"
    found = series(ask(query["query"]))
    if not found:
        return str(rule["noDataState"])
    fold = {"last": lambda values: values[max(values)], "min": lambda values: min(values.values())}[reduce["reducer"]]
    evaluator = threshold["conditions"][0]["evaluator"]
    [limit] = evaluator["params"]
    out = set()
    for labels, columns in found.items():
        [values] = columns.values()
        value = fold(values)
        if value > limit if evaluator["type"] == "gt" else value < limit:
            out.add(labels)
    return out
