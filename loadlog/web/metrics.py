"""Facts of the service for Prometheus. Names end in their unit or in ``_total`` (Prometheus, "Metric and label naming").

The counters are the recorder's, read at each scrape; a recorder that cannot be reached shows as ``loadlog_recorder_up 0``, and its
families are absent then, not zero.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, InfoMetricFamily
from prometheus_client.metrics_core import Metric
from prometheus_client.registry import Collector

from loadlog.model.event import Severity
from loadlog.web.site import Site

CONTENT_TYPE = "text/plain; version=0.0.4; charset=utf-8"
_BUS_COUNTERS = {
    "polls": ("loadlog_bus_polls", "Polls that were due and begun"),
    "readings": ("loadlog_bus_readings", "Polls that gave a reading"),
    "missed": ("loadlog_bus_missed_polls", "Polls whose time had passed before the bus came free"),
    "reopened": ("loadlog_bus_reopenings", "Times the port was opened again"),
}


def exposition(site: Site) -> bytes:
    """All metrics of now."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Facts(site))
    return generate_latest(registry)


class _Facts(Collector):
    def __init__(self, site: Site) -> None:
        self._site = site

    def collect(self) -> Iterator[Metric]:
        """Every family once."""
        site = self._site
        recorder = site.source.recorder()
        yield InfoMetricFamily("loadlog_service", "What runs here", {"software": site.software, "bench": site.bench})
        yield GaugeMetricFamily("loadlog_recorder_up", "1 while the recorder answers", float(recorder.reachable))
        yield GaugeMetricFamily("loadlog_stream_readers", "Pages and programs that follow the stream", float(site.hub.readers))
        yield CounterMetricFamily("loadlog_stream_dropped", "Readers dropped because they fell behind", site.hub.dropped_total)
        yield from self._devices()
        yield from self._events()
        yield from _forwarding(site.source.forwarding())
        yield from _notices(site.source.notices())
        if recorder.reachable:
            yield CounterMetricFamily("loadlog_samples", "Samples taken since the recorder started", recorder.status.get("samples", 0))
            yield from _store(recorder.status.get("store", {}))
            yield from _buses(recorder.status.get("buses", {}))
            runs = GaugeMetricFamily("loadlog_runs_active", "Runs that are on")
            runs.add_metric([], len(recorder.status.get("runs", ())))
            yield runs

    def _devices(self) -> Iterator[Metric]:
        age = GaugeMetricFamily("loadlog_device_sample_age_seconds", "Age of the newest recorded poll", labels=["device"])
        for name, age_s in self._site.source.ages().items():
            age.add_metric([name], age_s)
        yield age

    def _events(self) -> Iterator[Metric]:
        active = GaugeMetricFamily("loadlog_events_active", "Events that are active", labels=["severity"])
        counts = dict.fromkeys(Severity, 0)
        for event in self._site.source.events(active=True):
            counts[event.severity] += 1
        for severity, count in counts.items():
            active.add_metric([str(severity)], count)
        yield active


def _store(store: Mapping[str, Any]) -> Iterator[Metric]:
    if store.get("free_bytes") is not None:
        yield GaugeMetricFamily("loadlog_store_free_bytes", "Free space for recordings", store["free_bytes"])
    yield GaugeMetricFamily("loadlog_store_backlog_samples", "Samples that wait to be written", store.get("waiting", 0))
    yield CounterMetricFamily("loadlog_store_lost_samples", "Samples lost because the backlog overflowed", store.get("lost", 0))
    yield CounterMetricFamily("loadlog_store_commits", "Commits", store.get("commits", 0))


_FORWARD_GAUGES = {
    "backlog_samples": ("loadlog_forward_backlog_samples", "Samples that wait to be forwarded"),
    "backlog_s": ("loadlog_forward_backlog_seconds", "Age of the newest sample acknowledged, 0 when none wait"),
    "failing_s": ("loadlog_forward_failing_seconds", "Since when nothing gets through, 0 while it does"),
    "set_aside": ("loadlog_forward_set_aside_lines", "Lines that the server refused and that were set aside"),
}
_FORWARD_COUNTERS = {
    "lines": ("loadlog_forward_acknowledged_lines", "Lines acknowledged by the server, ever"),
    "failures": ("loadlog_forward_failures", "Attempts that failed since the viewer started"),
}


def _forwarding(targets: list[dict[str, Any]]) -> Iterator[Metric]:
    for key, (name, text) in _FORWARD_GAUGES.items():
        gauge = GaugeMetricFamily(name, text, labels=["target"])
        for target in targets:
            gauge.add_metric([target["name"]], target[key])
        yield gauge
    for key, (name, text) in _FORWARD_COUNTERS.items():
        counter = CounterMetricFamily(name, text, labels=["target"])
        for target in targets:
            counter.add_metric([target["name"]], target[key])
        yield counter
    state = GaugeMetricFamily("loadlog_forward_state", "1 for the state that the target is in", labels=["target", "state"])
    for target in targets:
        state.add_metric([target["name"], target["state"]], 1.0)
    yield state


_NOTIFY_GAUGES = {
    "waiting": ("loadlog_notify_waiting_events", "Events that wait to be told"),
    "notices": ("loadlog_notify_waiting_notices", "Notices that the server has not accepted yet"),
    "failing_s": ("loadlog_notify_failing_seconds", "Since when no notice is accepted, 0 while they are"),
}
_NOTIFY_COUNTERS = {
    "accepted": ("loadlog_notify_accepted_notices", "Notices accepted by the server, ever"),
    "given_up": ("loadlog_notify_given_up_notices", "Notices given up because nobody accepted them for a day"),
    "failures": ("loadlog_notify_failures", "Attempts that failed since the viewer started"),
}


def _notices(addresses: list[dict[str, Any]]) -> Iterator[Metric]:
    for kind, families in ((GaugeMetricFamily, _NOTIFY_GAUGES), (CounterMetricFamily, _NOTIFY_COUNTERS)):
        for key, (name, text) in families.items():
            family = kind(name, text, labels=["address"])
            for address in addresses:
                family.add_metric([address["name"]], address[key])
            yield family


def _buses(buses: Mapping[str, Mapping[str, Any]]) -> Iterator[Metric]:
    for key, (name, text) in _BUS_COUNTERS.items():
        family = CounterMetricFamily(name, text, labels=["bus"])
        for bus, facts in buses.items():
            family.add_metric([bus], facts.get(key, 0))
        yield family
    failures = CounterMetricFamily("loadlog_bus_failures", "Polls that gave no reading, by cause", labels=["bus", "cause"])
    is_open = GaugeMetricFamily("loadlog_bus_open", "1 while the port is open", labels=["bus"])
    busy = GaugeMetricFamily("loadlog_bus_busy_ratio", "Share of the recent time in which the bus was in use", labels=["bus"])
    late = GaugeMetricFamily("loadlog_bus_lateness_p99_seconds", "Lateness of recent polls, 99th percentile", labels=["bus"])
    for bus, facts in buses.items():
        for cause, count in facts.get("failures", {}).items():
            failures.add_metric([bus, cause], count)
        is_open.add_metric([bus], float(bool(facts.get("is_open"))))
        busy.add_metric([bus], facts.get("busy_share", 0.0))
        late.add_metric([bus], facts.get("lateness", {}).get("p99_s", 0.0))
    yield from (failures, is_open, busy, late)
