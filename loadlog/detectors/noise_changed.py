"""`noise_changed`: the noise of a channel is another one than that of the run's first minutes.

Physical cause: an electrolytic capacitor dries out, a regulator oscillates or hunts, a contact begins to chatter, a probe comes off.
Rule: `noise_chart` learns over thirty blocks (five minutes at least) and says when twelve in a row differ by half and more in deviation.
Units: the channel's. Confusions: a burst is shorter; quantisation has floors; what the group shows is told once; an order to another device
of the group moves the source's operating point, so a noise that changed since is learned, not told. Expected false alarms: as `baseline`.
Onset: from the begin of the last block on the other side of the usual to the end of the block that decides. Source: as in the chart.
"""

from __future__ import annotations

from typing import Any

from loadlog.detectors.base import Context, end_ns, within
from loadlog.detectors.baseline_state import Channel, Group, digits
from loadlog.detectors.blocks import Block
from loadlog.detectors.noise_chart import SUSTAINED
from loadlog.model.event import Finding, Severity
from loadlog.model.sample import Sample

KIND = "noise_changed"


def judge_noise(channel: Channel, block: Block, sample: Sample, context: Context, group: Group) -> list[Finding]:
    """What the block that ``sample`` completes says of the noise; moves the chart on."""
    noise = channel.noise
    ready_before = noise.ready
    noise.update(block, channel.block_begin_ns)
    channel.block_begin_ns = end_ns(sample)
    if not ready_before and noise.ready and KIND in channel.active:
        channel.active.discard(KIND)
        return [channel.end(group.device.name, KIND, "the present noise was learned anew", sample)]
    away = abs(noise.deviates)
    if KIND in channel.active:
        channel.calm = channel.calm + 1 if away == 0 else 0
        if channel.calm < SUSTAINED:
            return []
        channel.active.discard(KIND)
        return [channel.end(group.device.name, KIND, "the noise is the usual one again", sample)]
    if away < SUSTAINED:
        return []
    begin = noise.unshown_ns or channel.block_begin_ns
    if _ordered_beside(context, begin, end_ns(sample)):
        noise.restart()
        return []
    shared = group.shows_noise(channel)
    if shared and not group.speaks:
        return []
    channel.active.add(KIND)
    channel.calm = 0
    channel.onset_from[KIND] = begin
    return [group.tell(_finding(channel, sample, group), shared)]


def _ordered_beside(context: Context, after_ns: int, until_ns: int) -> bool:
    """An order of ours moved another device of the group, so the source has another operating point: a load that begins to conduct in CV
    takes the source's noise away from all others."""
    return any(within(peer.orders, after_ns, until_ns) for peer in context.peers.values())


def _finding(channel: Channel, sample: Sample, group: Group) -> Finding:
    name, noise = channel.spec.name, channel.noise
    word = "grown" if noise.sign > 0 else "shrunk"
    evidence: dict[str, Any] = {
        "channel": name, "noise_before": digits(noise.usual), "noise": digits(noise.now), "unit": channel.spec.unit,
        "ratio": round(noise.now / max(noise.usual, 1e-300), 3), "blocks": SUSTAINED,
        "correlation_count": round((1.0 + noise.correlation) / (1.0 - noise.correlation), 2),
    }  # fmt: skip
    text = (
        f"{group.device.name}: noise of {name} has {word} from {noise.usual:.3g} to {noise.now:.3g} {channel.spec.unit} "
        "(standard deviation of one sample)"
    )
    onset = channel.onset(KIND, sample)
    return Finding(KIND, group.device.name, Severity.WARNING, onset, text, key=name, evidence=evidence)
