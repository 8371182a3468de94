"""What the others of a group show of the source that all of them hang on: whether it gave up there too, and how much it still gives.

A source takes down every load at once, and loads that share what is left of its current do so unequally: one by itself knows neither.
Units: V, A. Source: Kirchhoff's laws at the source's terminals.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from loadlog.detectors.base import Context
from loadlog.detectors.supply_form import COLLAPSED
from loadlog.model.event import Onset

PEER_PERIODS = 2.5


def polls_to_wait(context: Context, period_s: float) -> int:
    """Of ours, each ``period_s``, until the others that measure the source have been polled too; 0 without any."""
    periods = [p.device.period_s for p in context.peers.values() if p.recent and p.device.channel("voltage_v")]
    return math.ceil(max(PEER_PERIODS * max(periods) / period_s, 2.0)) if periods else 0


def collapsed_elsewhere(context: Context, since_ns: int) -> dict[str, int]:
    """Devices of the group that showed the collapse too, even if only in one poll, each with the end of the first such poll, ns."""
    shown: dict[str, int] = {}
    for name, peer in context.peers.items():
        before = 0.0
        for seen in peer.recent:
            v = seen.usable_v(spikes=True)
            if v is None:
                continue
            if seen.end_ns <= since_ns:
                before = before if seen.usable_v() is None else v
            elif v < COLLAPSED * before:
                shown[name] = seen.end_ns
                break
    return shown


def drawn_by_others(context: Context, until_ns: int) -> dict[str, float]:
    """What the other loads of the group drew last up to then, A."""
    drawn: dict[str, float] = {}
    for name, peer in context.peers.items():
        for seen in peer.recent if peer.device.role == "load" else ():
            if seen.end_ns <= until_ns and seen.current_a is not None:
                drawn[name] = abs(seen.current_a)
    return drawn


def current_left(context: Context, drawn: Mapping[str, float], since_ns: int, now_a: float, before_a: float) -> float:
    """Share of its current that the source still gives: loads that share what is left do so unequally. ``drawn``: by the others before;
    they count once they were polled since."""
    for name, was_a in drawn.items():
        seen = context.peers[name].recent
        if seen and seen[-1].begin_ns >= since_ns and (other := seen[-1].current_a) is not None:
            now_a, before_a = now_a + abs(other), before_a + was_a
    return now_a / before_a


def shown_before(context: Context, onset: Onset, drawn: Mapping[str, float], least_a: float) -> str:
    """The load of the group that was on and showed the collapse before us, the first of them; empty when none did."""
    shown = collapsed_elsewhere(context, onset.earliest_utc_ns)
    earlier = [(t_ns, name) for name, t_ns in shown.items() if t_ns < onset.latest_utc_ns and drawn.get(name, 0.0) >= least_a]
    return min(earlier)[1] if earlier else ""
