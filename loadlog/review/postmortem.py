"""The post-mortem of a run: verdict, first cause, timeline, what was normal before, figures, curves around each event, health of data.

Everything is computed from the recordings in passes over columns, so a run of any length costs bounded memory. Curves are at most
`OVERVIEW_POINTS` buckets of minimum, mean and maximum for the whole run, and every sample in the windows around events.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from loadlog.analysis import ChannelStatistics, DataHealth, DeviceAnalysis, Figure, Health, Placed, RunVerdict, Span, timeline
from loadlog.analysis.bins import bin_width_s
from loadlog.analysis.chunk import chunk_of_recorded
from loadlog.analysis.group import GroupFigure, group_figures
from loadlog.model.clock import NS, format_utc
from loadlog.model.device import DeviceSpec
from loadlog.model.event import Event, Severity
from loadlog.review.acceptance import judge_plan, with_limits
from loadlog.review.cause import Verdict, concerns_the_bench, verdict, without_events
from loadlog.review.evidence import brief, whole
from loadlog.review.summary import Summary, summarise
from loadlog.review.unregulated import left_out
from loadlog.store import Archive
from loadlog.store.series import Series

OVERVIEW_POINTS = 1500
WINDOW_POINTS = 1200  # a window is shortened until its samples are no more
WINDOW_S = 30.0  # on each side of an event
WINDOWS = 24  # of the first and worst events
UNITS = ("V", "A", "W", "°C")
SCATTER_POINTS = 1500


@dataclass(frozen=True, slots=True)
class Curve:
    """A channel over a span: start of each bucket in s since the epoch, minimum, mean and maximum; None where there was nothing."""

    device: str
    channel: str
    unit: str
    t_s: tuple[float, ...]
    minimum: tuple[float | None, ...]
    mean: tuple[float | None, ...]
    maximum: tuple[float | None, ...]


@dataclass(frozen=True, slots=True)
class Window:
    """The curves around one event, every sample."""

    event: Event
    from_utc_ns: int
    to_utc_ns: int
    curves: tuple[Curve, ...]


@dataclass(frozen=True, slots=True)
class DeviceReport:
    """``figures``: (channel, statistic) -> figure over the run. ``normal``: channel -> (mean, deviation, samples) before the first trouble.
    ``volt_ampere``: (current in A, voltage in V) means over short stretches."""

    spec: DeviceSpec
    figures: Mapping[tuple[str, str], Figure]
    health: Health
    normal: Mapping[str, tuple[float, float, int]]
    volt_ampere: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class PostMortem:
    """See the module. ``normal_until_utc_ns``: where the first trouble may have begun at the earliest."""

    summary: Summary
    verdict: Verdict
    accepted: RunVerdict
    timeline: tuple[Placed, ...]
    devices: tuple[DeviceReport, ...]
    groups: tuple[GroupFigure, ...]
    overview: tuple[Curve, ...]
    windows: tuple[Window, ...]
    normal_until_utc_ns: int
    config: str
    profiles: Mapping[str, str]

    def to_json(self) -> dict[str, Any]:
        """For programs; curves are left out, `/api/samples` and the export have them."""
        return {
            **self.summary.to_json(),
            "verdict": {"word": self.verdict.word, "sentence": self.verdict.sentence, "first": [p.event.id for p in self.verdict.first]},
            "evidence": {str(p.event.id): {"brief": brief(p.event), "whole": whole(p.event)} for p in self.verdict.first},
            "acceptance": self.accepted.to_json(),
            "timeline": [{"event": p.event.id, "step": p.step, "unordered_with": list(p.unordered_with)} for p in self.timeline],
            "normal_until": format_utc(self.normal_until_utc_ns),
            "figures": {
                d.spec.name: [{"channel": channel, **figure.to_json()} for (channel, _), figure in d.figures.items()] for d in self.devices
            },
            "groups": [figure.to_json() for figure in self.groups],
            "normal": {
                d.spec.name: {c: {"mean": m, "deviation": s, "samples": n} for c, (m, s, n) in d.normal.items()} for d in self.devices
            },
            "health": {d.spec.name: d.health.to_json() for d in self.devices},
        }


def first_answer(archive: Archive, run_id: str, now_utc_ns: int | None = None) -> tuple[Summary, Verdict]:
    """The verdict from events and minutes alone, at once however long the run is. ``now_utc_ns``: tells a run that goes on from one that
    stopped without an end."""
    summary = summarise(archive, run_id, now_utc_ns)
    expected = sum(d.expected for d in summary.devices)
    taken = sum(min(d.polls - d.failed, d.expected) for d in summary.devices)
    length_s = (summary.until_utc_ns - summary.run.started_utc_ns) / NS
    events = [h.event for h in summary.events]
    ended = summary.run.ended_utc_ns is not None
    seen = taken / expected if expected else None
    said = verdict(events, started_utc_ns=summary.run.started_utc_ns, ended=ended, seen=seen, length_s=length_s, silent_s=summary.silent_s)
    return summary, without_events(said, summary.damaged[0]) if summary.damaged else said


def post_mortem(
    archive: Archive, run_id: str, progress: Callable[[int], None] = lambda samples: None, now_utc_ns: int | None = None
) -> PostMortem:
    """Everything about a run; ``progress`` is given the number of samples done; ``now_utc_ns`` as in `first_answer`.

    Raises:
        UsageError: there is no such run.
        StoreError: its recordings cannot be read.
    """
    summary, events_say = first_answer(archive, run_id, now_utc_ns)
    run = summary.run
    specs = archive.devices(run.id)
    events = [h.event for h in summary.events]
    span = Span(run.started_utc_ns, max(summary.until_utc_ns, run.started_utc_ns + 1))
    normal_until = min((e.onset.earliest_utc_ns for e in events if concerns_the_bench(e)), default=span.to_utc_ns)
    chosen = [specs[name] for name in run.devices if name in specs]
    bin_s = bins_of(chosen, span)
    reports, analyses, done = [], [], 0
    for spec in chosen:
        analysis = DeviceAnalysis(spec, span, bin_s=bin_s, left_out=left_out(spec, specs.values(), events, span.to_utc_ns))
        reports.append(_device(archive, run.id, analysis, normal_until, lambda n, before=done: progress(before + n)))  # type: ignore[misc]
        analyses.append(analysis)
        done += reports[-1].health.polls
    snapshot = archive.snapshot(run.id)
    wide = (span.from_utc_ns - NS, span.to_utc_ns + NS)  # the first sample may carry a stamp from just before the order
    accepted = judge_plan(run, archive.begun_with(run.id).config, reports)
    return PostMortem(
        summary, with_limits(events_say, accepted), accepted, timeline(events), tuple(reports), tuple(group_figures(analyses)),
        tuple(curve for r in reports for curve in _curves(archive, run.id, r.spec, *wide, OVERVIEW_POINTS)),
        tuple(_windows(archive, run.id, [r.spec for r in reports], events)), normal_until, snapshot.config,
        {name: about.get("sha256", "") for name, about in snapshot.profiles.items()},
    )  # fmt: skip


def bins_of(specs: Iterable[DeviceSpec], span: Span) -> float | None:
    """Width of the stretches over which means are taken, s: one for all devices, so that those of a group compare."""
    return max((bin_width_s(span.length_s, spec.period_s) for spec in specs), default=None)


def _device(
    archive: Archive, run_id: str, analysis: DeviceAnalysis, normal_until_ns: int, progress: Callable[[int], None]
) -> DeviceReport:  # fmt: skip
    spec, span = analysis.spec, analysis.span
    health = DataHealth(spec, span)
    before = {name: ChannelStatistics(analysis.spec_of(name)) for name in analysis.channels}
    done = 0
    for part in archive.arrays_by_parts(spec.name, run_id):
        chunk = chunk_of_recorded(part)
        analysis.add(chunk)
        health.add(chunk)
        if done == 0 or int(chunk.t_utc_ns[0]) < normal_until_ns:
            quiet = chunk if int(chunk.t_utc_ns.max()) < normal_until_ns else chunk.between(-(1 << 62), normal_until_ns)
            for statistics in before.values():
                statistics.add(quiet)
        done += len(chunk)
        progress(done)
    return DeviceReport(spec, analysis.figures(), health.result(), _normal(before), _volt_ampere(analysis))


def _normal(before: Mapping[str, ChannelStatistics]) -> dict[str, tuple[float, float, int]]:
    out = {}
    for channel, statistics in before.items():
        mean, deviation = (statistics.figure(s) for s in ("mean", "standard_deviation"))
        if mean.value is not None and deviation.value is not None:
            out[channel] = (mean.value, deviation.value, mean.samples)
    return out


def _volt_ampere(analysis: DeviceAnalysis) -> tuple[tuple[float, float], ...]:
    if not {"voltage_v", "current_a"} <= set(analysis.channels):
        return ()
    table = analysis.bins().with_all("voltage_v", "current_a")
    thin = max(1, -(-len(table) // SCATTER_POINTS))
    pairs = zip(table.means["current_a"][::thin].tolist(), table.means["voltage_v"][::thin].tolist(), strict=True)
    return tuple((i, v) for i, v in pairs if np.isfinite(i) and np.isfinite(v))


def _curves(archive: Archive, run_id: str, spec: DeviceSpec, from_ns: int, to_ns: int, points: int) -> Iterable[Curve]:
    wanted = [c for c in spec.channels if c.kind == "number" and c.unit in UNITS and c.name != "setpoint"]
    if not wanted or to_ns <= from_ns:
        return
    series = archive.series(spec.name, [c.name for c in wanted], from_ns, to_ns, points, run_id)
    for channel in wanted:
        yield _curve(series, spec.name, channel.name, channel.unit)


def _curve(series: Series, device: str, channel: str, unit: str) -> Curve:
    half_ns = series.width_ns // 2
    t, low, mean, high = [], [], [], []
    for bucket in series.channels[channel]:
        t.append((bucket.t_utc_ns + half_ns) / NS)
        low.append(bucket.minimum)
        mean.append(bucket.mean)
        high.append(bucket.maximum)
    return Curve(device, channel, unit, tuple(t), tuple(low), tuple(mean), tuple(high))


def _windows(archive: Archive, run_id: str, specs: list[DeviceSpec], events: list[Event]) -> Iterable[Window]:
    order = {Severity.ALARM: 0, Severity.WARNING: 1, Severity.INFO: 2}
    chosen = sorted(events, key=lambda e: (order[e.severity], e.onset.latest_utc_ns))[:WINDOWS]
    for event in sorted(chosen, key=lambda e: (e.onset.latest_utc_ns, e.id)):
        yield window_around(archive, run_id, specs, event)


def window_around(archive: Archive, run_id: str, specs: Sequence[DeviceSpec], event: Event) -> Window:
    """Half a minute on each side of an event: every sample of its device and of those that share the source; of all devices where it has
    none."""
    by_name = {spec.name: spec for spec in specs}
    shown = [by_name[event.device]] if event.device in by_name else list(specs)
    group = shown[0].group if event.device in by_name else None
    shown += [s for s in specs if group is not None and s.group == group and s not in shown]
    period_s = min((s.period_s for s in shown), default=1.0)
    half_ns = round(min(WINDOW_S, period_s * WINDOW_POINTS / 2) * NS)
    low, high = event.onset.earliest_utc_ns - half_ns, event.onset.latest_utc_ns + half_ns
    curves = tuple(c for s in shown for c in _curves(archive, run_id, s, low, high, WINDOW_POINTS + 50))
    return Window(event, low, high, curves)
