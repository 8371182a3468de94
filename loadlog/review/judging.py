"""The verdict with acceptance limits for somebody who waits at a terminal: only the channels that the limits are about are read."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from loadlog.analysis import AcceptanceLimit, ChannelStatistics, DeviceAnalysis, Figure, Span, check_limit
from loadlog.analysis.chunk import chunk_of_recorded
from loadlog.model.device import DeviceSpec
from loadlog.model.errors import UsageError
from loadlog.review.acceptance import judge_plan, limits_of, with_limits
from loadlog.review.cause import Verdict
from loadlog.review.postmortem import bins_of, first_answer
from loadlog.review.summary import Summary
from loadlog.review.unregulated import left_out
from loadlog.store import Archive


@dataclass(frozen=True, slots=True)
class _Judged:
    spec: DeviceSpec
    figures: Mapping[tuple[str, str], Figure]


def judged_answer(
    archive: Archive, run_id: str, progress: Callable[[int], None] = lambda samples: None, now_utc_ns: int | None = None
) -> tuple[Summary, Verdict]:
    """As `first_answer`, with the limits of the run's plan: the verdict that `post_mortem` comes to. Without limits nothing is read.

    Raises:
        UsageError: there is no such run.
        StoreError: its recordings cannot be read.
    """
    summary, said = first_answer(archive, run_id, now_utc_ns)
    run, config = summary.run, archive.begun_with(summary.run.id).config
    limits = limits_of(run, config)
    if not limits:
        return summary, said
    specs = {name: spec for name, spec in archive.devices(run.id).items() if name in run.devices}
    span = Span(run.started_utc_ns, max(summary.until_utc_ns, run.started_utc_ns + 1))
    bin_s, done, judged = bins_of(specs.values(), span), 0, []
    events = [h.event for h in summary.events]
    for name in dict.fromkeys(limit.device for limit in limits if limit.device in specs):
        spec = specs[name]
        asked = [full for limit in limits if limit.device == name and (full := _full(spec, limit)) is not None]
        out = left_out(spec, specs.values(), events, span.to_utc_ns)
        analysis = DeviceAnalysis(spec, span, bin_s=bin_s, left_out=out, channels=_channels(asked))
        for part in archive.arrays_by_parts(name, run.id, _channels(asked) or ()):
            analysis.add(chunk_of_recorded(part))
            done += len(part)
            progress(done)
        judged.append(_Judged(spec, {(a.channel, a.statistic): analysis.figure(a.channel, a.statistic) for a in asked}))
    judged += [_Judged(spec, {}) for name, spec in specs.items() if name not in {j.spec.name for j in judged}]
    return summary, with_limits(said, judge_plan(run, config, judged))


def _full(spec: DeviceSpec, limit: AcceptanceLimit) -> AcceptanceLimit | None:
    """None where it cannot be asked of the device: `judge_plan` says so."""
    try:
        return check_limit(spec, limit)
    except UsageError:
        return None


def _channels(asked: list[AcceptanceLimit]) -> list[str] | None:
    """What is needed; None: everything, since other channels have a part in a statistic."""
    if not asked or any(limit.statistic not in ChannelStatistics.NAMES for limit in asked):
        return None
    return list(dict.fromkeys(limit.channel for limit in asked))
