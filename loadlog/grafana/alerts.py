"""Alert rules for Grafana's file provisioning, written to fire when the logger is dead, and not only when it says that something is wrong.

A series that has ended is no longer in an answer, and Grafana resolves its alert; so the rules that watch for silence take the last point
of a day, count it into short intervals filled with 0, and look at the average of the last few: it is 0 only when nothing came for that
long, also while the last interval has just begun. After a day of silence a bench or device is no longer watched, unless nothing at all
comes: then `NoData` alerts.

No query holds a dollar sign: Grafana takes ``$NAME`` in provisioning files for an environment variable. So there are no macros and no
regular expressions with an end, and times are relative to ``now()``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from loadlog.grafana.influx import SOURCE_UID, active_events, last_answers
from loadlog.grafana.scope import Scope

DAY_S = 86_400
ALARMS_BACK_S = 90 * DAY_S
BUCKET_S = 60
BUCKETS = 5  # silence is told after four to five buckets
EVERY = "1m"


@dataclass(frozen=True, slots=True)
class Rule:
    """``is_more``: fires above ``threshold``, else below. ``no_data``: what it means when the answer is empty."""

    uid: str
    title: str
    query: str
    back_s: int
    reducer: str
    is_more: bool
    threshold: float
    hold: str
    no_data: str
    summary: str
    text: str
    severity: str = "alarm"


def rules(scope: Scope) -> list[Rule]:
    """All of them."""
    return [_dead_man(scope), _alarm(scope), _silent(scope), _backlog(scope)]


def alert_file(scope: Scope) -> dict[str, Any]:
    """What Grafana reads from ``provisioning/alerting``."""
    name = f"loadlog {scope.bench}".strip()
    group = {"orgId": 1, "name": name, "folder": "loadlog", "interval": EVERY, "rules": [_as_provisioned(rule) for rule in rules(scope)]}
    return {"apiVersion": 1, "groups": [group]}


def _bucket_s(scope: Scope, slowest_s: float) -> int:
    """Wide enough that a bucket always holds something while all is well."""
    return max(BUCKET_S, int(-(-2 * max(slowest_s, 1.0) // BUCKET_S) * BUCKET_S))


def _since(back_s: int) -> str:
    return f"time >= now() - {back_s}s AND time <= now()"


def _bench(scope: Scope) -> str:
    return f" AND \"bench\" = '{scope.bench}'" if scope.is_one else ""


def _how_lately(lasts: str, bucket_s: int, groups: str) -> str:
    """0 at the end where the last points lie further back than the buckets that are averaged."""
    return (
        f'SELECT moving_average(count("v"), {BUCKETS}) AS "value" FROM {lasts} '
        f"WHERE {_since(DAY_S)} GROUP BY time({bucket_s}s), {groups} fill(0)"
    )


def _dead_man(scope: Scope) -> Rule:
    bucket_s = _bucket_s(scope, scope.heartbeat_s)
    beats = f'(SELECT last("polls") AS "v" FROM "bench_health" WHERE {_since(DAY_S)}{_bench(scope)} AND "bus" != \'none\' GROUP BY "bench")'
    query = _how_lately(beats, bucket_s, '"bench"')
    text = (
        f"No heartbeat for about {bucket_s * BUCKETS // 60} minutes. Dead may be the recorder (then nothing is recorded), the viewer or "
        "its forwarding (then recording goes on and is sent later), the network, or the whole computer. Look at the live page; then at "
        "loadlog forward status on the bench."
    )
    summary = "{{ .Labels.bench }}: no heartbeat from the logger"
    return Rule(scope.uid("dead-man"), "No heartbeat", query, DAY_S, "last", False, 1e-9, "0s", "Alerting", summary, text)


def _alarm(scope: Scope) -> Rule:
    condition = f"\"severity\" = 'alarm'{_bench(scope)}"
    query = active_events(condition, '"bench", "device", "kind"', _since(ALARMS_BACK_S))
    text = "An alarm is active; see the dashboard post-mortem, or loadlog events on the bench. Acknowledged alarms are told too."
    summary = "{{ .Labels.bench }} {{ .Labels.device }}: {{ .Labels.kind }}"
    return Rule(scope.uid("alarm"), "Active alarm", query, ALARMS_BACK_S, "last", True, 0, "0s", "OK", summary, text)


def _silent(scope: Scope) -> Rule:
    bucket_s = _bucket_s(scope, max(scope.slowest_s, scope.interval_s))
    query = _how_lately(last_answers(scope.answers, _since(DAY_S) + _bench(scope)), bucket_s, '"bench", "device"')
    text = (
        f"No reading for about {bucket_s * BUCKETS // 60} minutes: switched off, unplugged, wrong unit or a bus that stands still. Where "
        "the heartbeat is missing too, it is the logger. A device that was taken out of the configuration is told for a day."
    )
    summary = "{{ .Labels.bench }} {{ .Labels.device }}: silent"
    return Rule(scope.uid("silent"), "Device silent", query, DAY_S, "last", False, 1e-9, "0s", "Alerting", summary, text)


def _backlog(scope: Scope) -> Rule:
    bucket_s = max(300, int(2 * scope.heartbeat_s))
    back_s = 7 * bucket_s
    # of means: the first value of an interval that has just begun lies above the mean before it while the backlog grows
    query = (
        f'SELECT difference(mean("backlog")) AS "value" FROM "bench_health" WHERE {_since(back_s)}{_bench(scope)} '
        f'AND "bus" != \'none\' GROUP BY time({bucket_s}s), "bench" fill(none)'
    )
    text = (
        f"What waits to be forwarded has grown in every {bucket_s // 60} minutes of the last {back_s // 60}: the server or the network is "
        "too slow, or lines are held back. Nothing is lost while there is room on the bench's disk. See loadlog forward status."
    )
    summary = "{{ .Labels.bench }}: the backlog of forwarding grows"
    return Rule(scope.uid("backlog"), "Backlog grows", query, back_s, "min", True, 0, "10m", "OK", summary, text, severity="warning")


def _as_provisioned(rule: Rule) -> dict[str, Any]:
    """Query A, its reduction B, the condition C: the form that Grafana exports."""
    window = {"from": rule.back_s, "to": 0}
    source = {"type": "influxdb", "uid": SOURCE_UID}
    expression = {"type": "__expr__", "uid": "__expr__"}
    evaluator = {"type": "gt" if rule.is_more else "lt", "params": [rule.threshold]}
    steps: list[dict[str, Any]] = [
        {"refId": "A", "relativeTimeRange": window, "datasourceUid": SOURCE_UID, "model": {
            "refId": "A", "datasource": source, "query": rule.query, "rawQuery": True, "resultFormat": "time_series", "intervalMs": 1000,
            "maxDataPoints": 43_200}},
        {"refId": "B", "relativeTimeRange": window, "datasourceUid": "__expr__", "model": {
            "refId": "B", "datasource": expression, "type": "reduce", "expression": "A", "reducer": rule.reducer,
            "settings": {"mode": "dropNN"}}},
        {"refId": "C", "relativeTimeRange": window, "datasourceUid": "__expr__", "model": {
            "refId": "C", "datasource": expression, "type": "threshold", "expression": "B",
            "conditions": [{"type": "query", "evaluator": evaluator}]}},
    ]  # fmt: skip
    return {
        "uid": rule.uid, "title": rule.title, "condition": "C", "data": steps, "noDataState": rule.no_data, "execErrState": "Alerting",
        "for": rule.hold, "isPaused": False, "labels": {"severity": rule.severity, "source": "loadlog"},
        "annotations": {"summary": rule.summary, "description": rule.text},
    }  # fmt: skip
