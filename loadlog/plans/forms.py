"""Plans as the page and programs see them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from loadlog.config.plan import PlanConfig
from loadlog.model.clock import format_utc
from loadlog.plans.schedule import next_start


def plans_json(plans: Sequence[PlanConfig], now_utc_ns: int) -> list[dict[str, Any]]:
    """Each plan in the order of the configuration: devices, ``duration_s`` (0: open end), when it starts by itself and ``next_start``
    (None: only by order), what ends it and what is asked of it."""
    return [_plan_json(plan, now_utc_ns) for plan in plans]


def _plan_json(plan: PlanConfig, now_utc_ns: int) -> dict[str, Any]:
    start_ns = next_start(plan, now_utc_ns)
    return {
        "name": plan.name,
        "devices": list(plan.devices),
        "duration_s": plan.duration_s,
        "keep": plan.keep,
        "cron": plan.cron or None,
        "at": plan.at or None,
        "time_zone": plan.time_zone,
        "next_start": None if start_ns is None else format_utc(start_ns),
        "stop": None if plan.stop is None else plan.stop.model_dump(exclude_none=True),
        "accept": [limit.model_dump() for limit in plan.accept],
    }
