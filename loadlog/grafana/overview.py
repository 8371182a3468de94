"""Bench overview: is every bench alive, what is wrong on it now, what do its devices read."""

from __future__ import annotations

from typing import Any

from grafana_foundation_sdk.models import dashboard as models

from loadlog.grafana.influx import DEVICES, Query, active_events, last_answers
from loadlog.grafana.panels import GREEN, ORANGE, RED, Property, change, narrow, number, plot, put_together, rows, steps, variables, written
from loadlog.grafana.scope import STANDARD, Scope

RUNS_BACK = "30d"
EVENTS_BACK = "90d"  # an active event is a point at its onset, however long ago that was
QUALITY_WORDS = {"type": "value", "options": {"0": {"text": "good"}, "1": {"text": "uncertain"}, "2": {"text": "bad"}}}


def overview(scope: Scope) -> models.Dashboard:
    """See the module."""
    panels: list[Any] = [
        _heartbeats(scope),
        _alarms(scope),
        _active_table(scope),
        _runs(scope),
        _readings(scope),
        _answering(scope),
        _thermometers(scope),
    ]
    panels += [_readings_over_time(scope, name, title, unit) for name, title, unit in _plots()]
    about = "All benches of this database: alive, alarms, what every device reads. The tables follow the time range; active events look "
    about += "further back."
    return put_together(scope, "overview", about, variables(scope, "bench"), panels, "now-1h", refresh="10s")


def _plots() -> list[tuple[str, str, str]]:
    return [(plotted.name, plotted.title, plotted.unit) for plotted in STANDARD]


def _heartbeats(scope: Scope) -> Any:
    query = (
        f'SELECT last("polls") AS "polls" FROM "bench_health" WHERE $timeFilter AND {scope.chosen} AND "bus" != \'none\' GROUP BY "bench"'
    )
    about = (
        "When the last heartbeat of each bench arrived, and how many polls one of its buses has made since the recorder started. An old "
        "one may mean that the recorder, the viewer, its forwarding or the network stands still; on the bench, loadlog forward "
        "status and the live page tell which."
    )
    panel = narrow(rows("Last heartbeat", query, about, width=8, height=5), Time=130, polls=90)
    return panel.override_by_name("Time", [Property("unit", "dateTimeFromNow"), Property("displayName", "heartbeat")])


def _alarms(scope: Scope) -> Any:
    query = Query(active_events(f"{scope.chosen} AND \"severity\" = 'alarm'", '"bench"'), alias="$tag_bench")
    about = f"Alarms that are not cleared, of the last {EVENTS_BACK}. Acknowledged ones count too; the table says which."
    panel = number("Active alarms", "none", query, about, width=16).time_from(EVENTS_BACK).no_value("0")
    return panel.thresholds(steps((None, GREEN), (1, RED)))


def _active_table(scope: Scope) -> Any:
    query = (
        'SELECT "bench", "device", "kind", "severity", "id", "state", "confidence", "acknowledged", "text" FROM "bench_event" '
        f"WHERE $timeFilter AND {scope.chosen}"
    )
    about = f"Events of the last {EVENTS_BACK} whose latest state is active, newest onset first."
    kept = ("Time", "device", "kind", "severity", "state", "confidence", "acknowledged", "text")
    fields = {name: {"aggregations": ["lastNotNull"], "operation": "aggregate"} for name in kept}
    fields |= {name: {"aggregations": [], "operation": "groupby"} for name in ("bench", "id")}
    plain = {f"{name} (lastNotNull)": name for name in kept if name != "state"}
    order = ("Time", "bench", "device", "kind", "severity", "text", "acknowledged", "confidence", "id")
    places = {name if name in ("bench", "id") else f"{name} (lastNotNull)": place for place, name in enumerate(order)}
    is_active = {"fieldName": "state (lastNotNull)", "config": {"id": "equal", "options": {"value": "active"}}}
    panel = rows("Active events", query, about, height=7).time_from(EVENTS_BACK)
    panel = panel.transformations([
        change("groupBy", fields=fields),
        change("filterByValue", filters=[is_active], type="include", match="all"),
        change("organize", excludeByName={"state (lastNotNull)": True}, indexByName=places, renameByName=plain),
        change("sortBy", fields={}, sort=[{"field": "Time", "desc": True}]),
    ])  # fmt: skip
    coloured = [{"type": "value", "options": {"alarm": {"color": RED}, "warning": {"color": ORANGE}, "info": {"color": "blue"}}}]
    seen = [{"type": "value", "options": {"0": {"text": "no"}, "1": {"text": "yes"}}}]
    panel = narrow(panel, text=380, id=70).override_by_name("acknowledged", [Property("mappings", seen)])
    return panel.override_by_name("severity", [Property("mappings", coloured), Property("custom.cellOptions", {"type": "color-text"})])


def _runs(scope: Scope) -> Any:
    """The first and the last point of each run, so that a click can take both ends along: a run has no other place in the database."""
    where = f'WHERE $timeFilter AND {scope.chosen} AND "run" != \'none\' GROUP BY "bench", "run"'
    ends = (f'(SELECT {end}("quality") AS "quality" FROM {DEVICES} {where})' for end in ("first", "last"))
    query = f'SELECT "quality" FROM {", ".join(ends)} WHERE $timeFilter GROUP BY "bench", "run"'
    about = f"Runs of the last {RUNS_BACK}, newest first. A click on a run shows it from its beginning to its end (or to now)."
    fields: dict[str, Any] = {name: {"aggregations": [], "operation": "groupby"} for name in ("bench", "run")}
    fields["Time"] = {"aggregations": ["min", "max"], "operation": "aggregate"}
    of_bench = "" if scope.is_one else "&var-bench=${__data.fields.bench}"
    link = "/d/{}?var-run=${{__data.fields.run}}{}&from=${{__data.fields.begun.numeric}}&to=${{__data.fields.ended.numeric}}"
    links = [{"title": what, "url": link.format(scope.uid(what.replace(" ", "-")), of_bench)} for what in ("soak run", "post-mortem")]
    panel = rows("Runs", query, about, height=7).time_from(RUNS_BACK)
    panel = panel.transformations([
        change("groupBy", fields=fields),
        change("organize", excludeByName={}, indexByName={}, renameByName={"Time (min)": "begun", "Time (max)": "ended"}),
        change("sortBy", fields={}, sort=[{"field": "begun", "desc": True}]),
    ])  # fmt: skip
    panel = panel.override_by_name("run", [Property("links", links)])
    for name in ("begun", "ended"):
        panel = panel.override_by_name(name, [Property("unit", "dateTimeAsIso")])
    return panel


def _readings(scope: Scope) -> Any:
    fields = ", ".join(f'last("{name}") AS "{name}"' for name, _, _ in _plots())
    query = (
        f'SELECT {fields}, last("quality") AS "quality" FROM "load", "supply", "meter" '
        f'WHERE $timeFilter AND {scope.chosen} GROUP BY "bench", "device"'
    )
    panel = rows(
        "Last readings", query, "The last reading of each channel within the time range; quality is that of the last poll.", width=16
    )
    panel = panel.transformations([change("organize", excludeByName={"Time": True}, indexByName={}, renameByName={})])
    panel = narrow(panel, bench=105, device=105, quality=82)
    for name, _, unit in _plots():
        panel = panel.override_by_name(name, [*written(unit), Property("custom.width", 120)])
    return panel.override_by_name("quality", [Property("mappings", [QUALITY_WORDS])])


def _thermometers(scope: Scope) -> Any:
    query = f'SELECT last(/_c$/) FROM "thermometer" WHERE $timeFilter AND {scope.chosen} GROUP BY "bench", "device"'
    panel = rows("Last temperatures", query, "The last reading of each channel of each thermometer within the time range.", height=6)
    panel = panel.transformations([
        change("organize", excludeByName={"Time": True}, indexByName={}, renameByName={}),
        change("renameByRegex", regex="^last_(.*)$", renamePattern="$1"),
    ])  # fmt: skip
    return panel.override_by_regexp("/_c$/", written("celsius"))


def _readings_over_time(scope: Scope, name: str, title: str, unit: str) -> Any:
    query = Query(
        f'SELECT mean("{name}") AS "{name}" FROM {DEVICES} WHERE $timeFilter AND {scope.chosen} '
        'GROUP BY time($__interval), "bench", "device" fill(null)',
        alias="$tag_bench $tag_device",
    )
    return plot(title, unit, [query], scope, "Mean of each interval; short dips are in the dashboards soak run and post-mortem.")


def _answering(scope: Scope) -> Any:
    query = (
        f'SELECT last("v") AS "v" FROM {last_answers(scope.answers, f"$timeFilter AND {scope.chosen}")} '
        'WHERE $timeFilter GROUP BY "bench", "device"'
    )
    about = "When each device last gave a reading, within the last day; a failed poll gives none. Longest silent first."
    panel = rows("Last answers", query, about, width=8).time_from("24h")
    panel = panel.transformations([
        change("organize", excludeByName={"v": True}, indexByName={}, renameByName={"Time": "answered"}),
        change("sortBy", fields={}, sort=[{"field": "answered", "desc": False}]),
    ])  # fmt: skip
    return panel.override_by_name("answered", [Property("unit", "dateTimeFromNow")])
