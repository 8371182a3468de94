"""Hooks for schemathesis: in requests that keep to the description, names that name nothing are now and then replaced by names of what is
there, so that they get past "there is no such run". What the generator made invalid on purpose is sent as it is."""

from __future__ import annotations

import os
from typing import Any

import httpx
import schemathesis

SERVICE = httpx.Client(
    base_url=os.environ["LOADLOG_TEST_SERVICE"], headers={"Authorization": f"Bearer {os.environ['LOADLOG_TEST_TOKEN']}"}, timeout=20
)


def names(path: str, member: str, key: str = "name") -> list[str]:
    return [str(item[key]) for item in SERVICE.get(path).json()[member]]


def one_of(known: list[str], value: Any) -> Any:
    """A known name instead of every other one."""
    return known[len(str(value)) % len(known)] if len(str(value)) % 2 else value


@schemathesis.hook
def before_call(_context: Any, case: Any, **_more: Any) -> None:
    if case.meta is None or not case.meta.generation.mode.is_positive:
        return
    query, path, body = case.query or {}, case.path_parameters or {}, case.body
    if "device" in query:
        query["device"] = one_of(names("/api/devices", "devices"), query["device"])
    if "from" in query and "to" in query and query["from"] >= query["to"]:
        query["from"], query["to"] = "2026-01-01T00:00:00Z", "2026-01-02T00:00:00Z"
    if "run_id" in path:
        path["run_id"] = one_of(names("/api/runs", "runs", "id"), path["run_id"])
    if "name" in path:
        path["name"] = one_of(["lab", "overnight"], path["name"])
    if isinstance(body, dict) and body.get("devices"):
        body["devices"] = names("/api/devices", "devices")[: len(body["devices"])]
