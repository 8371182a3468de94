"""What another device of the group saw of the source's voltage in the same blocks, so that one cause is told by one device.

Of the devices of a group that measure a voltage the most accurate one speaks for the source (then by name); its witness is the next one,
and it is the witness of all others. A change that the witness shows at half and more, in the same direction, is the source's: the speaker
tells it for the group, the others keep quiet. A change that the witness does not show is a device's own.
Units: V. Source: common practice of redundant measurement, no clause.
"""

from __future__ import annotations

import math
from array import array

from loadlog.detectors.base import Context, Peer, usable
from loadlog.detectors.blocks import LEAST_SAMPLES, Block, Minutes, condense, quiet_floor
from loadlog.detectors.drift_chart import LAST, LEAST_MINUTES, MOST_MINUTES
from loadlog.detectors.noise_chart import LEARN, MEMORY, SUSTAINED
from loadlog.detectors.statistics import Moments
from loadlog.model.device import DeviceSpec

SHOWN_SHARE = 0.5
LEAST_SEEN, SURE = math.log(1.5), 4.0  # of a logarithm of variances; deviations
_TYPICAL_V = 10.0


def _rank(device: DeviceSpec) -> tuple[float, str]:
    spec = device.channel("voltage_v")
    return (spec.accuracy.half_width(_TYPICAL_V) if spec is not None and spec.accuracy else math.inf, device.name)


def witness_of(device: DeviceSpec, context: Context) -> tuple[Peer | None, bool]:
    """The device's witness, and whether the device speaks for its source."""
    peers = [p for p in context.peers.values() if p.device.role != "thermometer" and p.device.channel("voltage_v") is not None]
    if not peers:
        return None, True
    best = min(peers, key=lambda p: _rank(p.device))
    return best, _rank(device) < _rank(best.device)


class Witness:
    """The voltage of ``peer`` as it was known at each of our samples."""

    __slots__ = ("_floor", "_logs", "_minute_means", "_minutes", "_recent_logs", "_reference", "_values", "peer")

    def __init__(self, peer: Peer, block_s: float) -> None:
        self.peer = peer
        spec = peer.device.channel("voltage_v")
        self._floor = quiet_floor(spec.resolution if spec else 0.0) ** 2
        self._values = array("d")
        self._minutes = Minutes(block_s)
        self.restart()

    def restart(self) -> None:
        """Another operating point."""
        del self._values[:]
        self._minutes.restart()
        self._minute_means = array("d")
        self._reference: float | None = None
        self._logs = Moments(MEMORY)
        self._recent_logs = array("d")

    def sample(self) -> None:
        """We took a sample."""
        seen = self.peer.last
        if seen is None or seen.failure is not None:
            return
        value = usable(seen, "voltage_v")
        if value is not None:
            self._values.append(value)

    def block(self, is_settled: bool) -> None:
        """Our block is full; ``is_settled``: our level has its reference. The witness may lack some of its samples: noise that grows makes
        possible spikes, and just then its word counts."""
        if len(self._values) >= LEAST_SAMPLES:
            self._take(condense(self._values), is_settled)
        del self._values[:]

    def _take(self, block: Block, is_settled: bool) -> None:
        log = math.log(max(block.variance, self._floor, 1e-300))
        self._recent_logs.append(log)
        del self._recent_logs[:-SUSTAINED]
        if self._logs.n < LEARN:
            self._logs.update(log)
        mean = self._minutes.update(block.mean)
        if mean is None:
            return
        self._minute_means.append(mean)
        del self._minute_means[:-MOST_MINUTES]
        if not is_settled or self._reference is None:
            last = list(self._minute_means)[-LEAST_MINUTES:]
            self._reference = math.fsum(last) / len(last)

    def shows_change(self, change_v: float) -> bool:
        """The voltage left its level there too."""
        last = list(self._minute_means)[-LAST:]
        if self._reference is None or not last:
            return False
        seen = math.fsum(last) / len(last) - self._reference
        return seen * change_v > 0.0 and abs(seen) >= SHOWN_SHARE * abs(change_v)

    def shows_noise(self, usual_v: float, now_v: float) -> bool:
        """The noise changed there too, as ours did from one deviation to the other. The source's adds the same variance everywhere,
        whatever an instrument has of its own, less where one averages over it: by the half of the variance, or in proportion by its root.
        """
        if self._logs.n < LEARN or len(self._recent_logs) < SUSTAINED or not usual_v > 0.0 < now_v:
            return False
        recent = math.fsum(self._recent_logs) / SUSTAINED
        seen, own = recent - self._logs.mean, 2.0 * math.log(now_v / usual_v)
        added, own_added = math.exp(recent) - math.exp(self._logs.mean), now_v * now_v - usual_v * usual_v
        deviation = math.sqrt(self._logs.variance * (1.0 / SUSTAINED + 1.0 / LEARN))
        is_sure = abs(seen) >= max(LEAST_SEEN, SURE * deviation) and abs(added) >= SHOWN_SHARE * abs(own_added)
        return seen * own > 0.0 and (is_sure or abs(seen) >= SHOWN_SHARE * abs(own))
