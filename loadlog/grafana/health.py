"""Service health: does the recorder keep its deadlines, what does the bus lose, does forwarding keep up."""

from __future__ import annotations

from typing import Any

from grafana_foundation_sdk.models import dashboard as models

from loadlog.grafana.influx import DEVICES, Query
from loadlog.grafana.panels import Property, narrow, plot, put_together, rows, variables
from loadlog.grafana.scope import Scope
from loadlog.model.event import REPORTED_KINDS

SERVICE_KINDS = "|".join((
    "clock_step", "sample_gap", "late_polls", "store_trouble", "disk_low", *REPORTED_KINDS, "communication_lost", "device_changed",
))  # fmt: skip
BUS = "\"bus\" != 'none'"  # a line of no bus asks whether the server takes lines at all


def health(scope: Scope) -> models.Dashboard:
    """See the module."""
    panels: list[Any] = [
        _heartbeats(scope),
        _per_bus(scope, "Lateness", "s", 'max("lateness_s")', "99th percentile of how late polls start, worst of each interval."),
        _per_bus(scope, "Backlog", "none", 'max("backlog")', "Samples that wait to be forwarded to this database.", of_bus=False),
        _counted(scope, "Polls", "polls", "cps", per_second=True),
        _counted(scope, "Time-outs", "timeouts", "none"),
        _counted(scope, "Damaged replies", "crc_errors", "none"),
        _bad(scope),
        _events(scope),
    ]
    about = "The logger itself: heartbeats, lateness, bus errors, what waits to be forwarded, bad polls, and events about the service."
    return put_together(scope, "service health", about, variables(scope, "bench"), panels, "now-6h", refresh="30s")


def _where(scope: Scope) -> str:
    return f"$timeFilter AND {scope.chosen} AND {BUS}"


def _heartbeats(scope: Scope) -> Any:
    fields = ", ".join(f'"{name}"' for name in ("polls", "timeouts", "crc_errors", "backlog"))
    query = f'SELECT last("lateness_s") AS "lateness_s", {fields} FROM "bench_health" WHERE {_where(scope)} GROUP BY "bench", "bus"'
    about = "The last heartbeat of each bus in the time range; counts since the recorder started. "
    about += "No heartbeat: recorder, viewer, forwarding or network."
    panel = rows("Last heartbeat", query, about, height=6)
    panel = panel.override_by_name("Time", [Property("unit", "dateTimeFromNow"), Property("displayName", "heartbeat")])
    return panel.override_by_name("lateness_s", [Property("unit", "s")]).override_by_name("bus", [Property("custom.width", 110)])


def _per_bus(scope: Scope, title: str, unit: str, what: str, about: str, of_bus: bool = True) -> Any:
    groups, alias = ('"bench", "bus"', "$tag_bench $tag_bus") if of_bus else ('"bench"', "$tag_bench")
    query = f'SELECT {what} AS "value" FROM "bench_health" WHERE {_where(scope)} GROUP BY time($__interval), {groups} fill(none)'
    return plot(title, unit, [Query(query, alias=alias)], scope, about)


def _counted(scope: Scope, title: str, name: str, unit: str, per_second: bool = False) -> Any:
    """A count since the recorder started, as its growth; a restart begins at 0 and is no negative growth."""
    growth = f'non_negative_derivative(last("{name}"), 1s)' if per_second else f'non_negative_difference(last("{name}"))'
    query = f'SELECT {growth} AS "value" FROM "bench_health" WHERE {_where(scope)} GROUP BY time($__interval), "bench", "bus" fill(none)'
    about = f"{title} of each bus {'a second' if per_second else 'in each interval'}."
    return plot(title, unit, [Query(query, alias="$tag_bench $tag_bus")], scope, about)


def _bad(scope: Scope) -> Any:
    query = (
        f'SELECT count("quality") AS "polls" FROM {DEVICES} WHERE $timeFilter AND {scope.chosen} AND "quality" = 2 '
        'GROUP BY time(1m), "bench", "device" fill(0)'
    )
    about = "Polls a minute that failed or gave an impossible reading."
    return plot("Bad polls a minute", "none", [Query(query, alias="$tag_bench $tag_device")], scope, about)


def _events(scope: Scope) -> Any:
    query = (
        'SELECT "bench", "device", "kind", "severity", "state", "text" FROM "bench_event" '
        f'WHERE $timeFilter AND {scope.chosen} AND "kind" =~ /^({SERVICE_KINDS})$/'
    )
    about = "Events about the service and its devices' communication in the time range."
    panel = narrow(rows("Events of the service", query, about))
    return panel.override_by_name("Time", [Property("unit", "dateTimeAsIso")])
