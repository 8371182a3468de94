"""`contact_heating`: the resistance of the power path has grown by more than warm copper explains.

Physical cause: a contact loosens, oxidises or burns; its dissipation I²·R grows and heats it further.
Rule: means over blocks of `BLOCK_S` give R = (V_source - V_load)/I. The first `LEARN_BLOCKS` blocks at a steady current are the reference.
Told when at `TELL_BLOCKS` blocks in succession the growth exceeds what copper can do (0.393 %/K over `COPPER_RISE_K`, all of the reference
taken as copper) and `DEVIATIONS` standard deviations: noise of the blocks' means, and what the instruments' accuracy can shift between two
operating points. Ends when it is back below half of that bound at as many.
Limits: Ω, A. A load with local sense, and another device of its group that reads the source's voltage: a meter, a supply, or a load with
remote sense. With local sense alone a growing contact cannot be told from a drift of the source: nothing is said, and it stays *learning*
for want of the second voltage. Less than `LEAST_CURRENT_COUNTS` counts of current are not judged.
Confusions: copper warming (bounded by 24 %, so a contact that grows less is missed); a power lead exchanged; drift of one instrument within
its accuracy. Expected false alarms: far below one in 1,000 h for white noise at six deviations; none seen in tests.
Onset: from the last block below half of the bound to the end of the block that decided.
Source: Ohm; copper 0.393 %/K at 20 °C (IEC 60228 refers to it; International Annealed Copper Standard); greatest temperature of one
spot of contact T² = T0² + U²/4L with L = 2.44e-8 V²/K² (Wiedemann and Franz; Holm, Electric Contacts, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import ClassVar

from loadlog.detectors.base import NOTHING, Context, Peer, end_ns, usable
from loadlog.model.device import DeviceSpec
from loadlog.model.event import Event, Finding, Onset, Severity
from loadlog.model.learned import Knowledge, Learned, fact
from loadlog.model.quantity import standard_uncertainty
from loadlog.model.sample import Sample

BLOCK_S, LEARN_BLOCKS, TELL_BLOCKS = 10.0, 12, 6
COPPER_PER_K, COPPER_RISE_K = 0.00393, 60.0
DEVIATIONS = 6.0
LEAST_CURRENT_COUNTS = 200.0
STEADY_SHARE = 0.02
LORENZ = 2.44e-8  # V²/K²
ROOM_K = 300.0
PRIOR_CONTACT, LEAD_EXCHANGED, INSTRUMENT_DRIFT = 0.95, 0.03, 0.02  # judgements
_FACT = "path_resistance_measured_ohm"


class ContactHeating:
    """One load with local sense."""

    KINDS: ClassVar[tuple[str, ...]] = ("contact_heating",)

    def __init__(self, device: DeviceSpec) -> None:
        voltage, current = device.channel("voltage_v"), device.channel("current_a")
        assert voltage is not None  # `applies` says so
        assert current is not None
        self._device, self._voltage = device, voltage
        self._least_a = LEAST_CURRENT_COUNTS * current.resolution
        self._reference: list[float] = [0.0, 0.0, 0.0]  # sums of Ω, Ω², A over the learned blocks
        self._n = self._beyond = self._back = 0
        self._active = False
        self._begin_ns = self._innocent_ns = 0
        self._block: list[float] = [0.0, 0.0, 0.0, 0.0, math.inf, -math.inf]  # n, V source, V load, I, least I, greatest I

    @staticmethod
    def applies(device: DeviceSpec) -> bool:
        """A load that measures voltage at its own terminals, and current."""
        return device.role == "load" and device.sense == "local" and {"voltage_v", "current_a"} <= {c.name for c in device.channels}

    def restore(self, event: Event) -> None:
        """It had grown when the service stopped; cleared once a reference is learned anew that stays."""
        self._active = True

    def recall(self, known: Mapping[str, Learned]) -> None:
        """The reference resistance."""
        old = known.get(_FACT)
        if old is not None and old.state is Knowledge.LEARNED and old.value and self._n == 0 and old.uncertainty is not None:
            self._n = LEARN_BLOCKS
            square = old.value * old.value + old.uncertainty * old.uncertainty
            self._reference = [LEARN_BLOCKS * old.value, LEARN_BLOCKS * square, 0.0]

    def learned(self) -> Sequence[Learned]:
        """Resistance between the source's voltage and the load's."""
        if self._n == 0:
            return (fact(_FACT, "Ω", None, None, 0, LEARN_BLOCKS, self.KINDS),)
        mean, deviation = self._known()
        return (fact(_FACT, "Ω", mean, deviation, self._n, LEARN_BLOCKS, self.KINDS),)

    def _known(self) -> tuple[float, float]:
        mean = self._reference[0] / self._n
        return mean, math.sqrt(max(self._reference[1] / self._n - mean * mean, 0.0))

    def update(self, sample: Sample, context: Context) -> Sequence[Finding]:
        """See the module."""
        if sample.failure is not None or not context.peers:
            return NOTHING
        load_v, current_a = usable(sample, "voltage_v"), usable(sample, "current_a")
        source_v = _source_v(context.peers, sample)
        if load_v is None or current_a is None or source_v is None or current_a < self._least_a:
            return NOTHING
        now_ns = sample.stamp.t_utc_ns
        block = self._block
        if block[0] == 0 or not 0 <= now_ns - self._begin_ns <= 3 * BLOCK_S * 1e9:
            self._begin_ns = now_ns
            block[:] = [0.0, 0.0, 0.0, 0.0, math.inf, -math.inf]
        block[0] += 1
        block[1] += source_v
        block[2] += load_v
        block[3] += current_a
        block[4], block[5] = min(block[4], current_a), max(block[5], current_a)
        if block[0] < 4 or now_ns - self._begin_ns < BLOCK_S * 1e9:
            return NOTHING
        n, source, load, current, least, most = block
        block[0] = 0.0
        if most - least > STEADY_SHARE * most + 10 * self._least_a / LEAST_CURRENT_COUNTS:
            return NOTHING
        return self._judge(source / n, load / n, current / n, sample)

    def _judge(self, source_v: float, load_v: float, current_a: float, sample: Sample) -> Sequence[Finding]:
        ohm = (source_v - load_v) / current_a
        if self._n < LEARN_BLOCKS:
            self._n += 1
            for k, value in enumerate((ohm, ohm * ohm, current_a)):
                self._reference[k] += value
            self._innocent_ns = self._begin_ns
            return NOTHING
        usual_ohm, deviation_ohm = self._known()
        usual_a = self._reference[2] / self._n
        moved = abs(1.0 - current_a / usual_a) if usual_a > 0.0 else 1.0
        systematic_v = standard_uncertainty(load_v, self._voltage.accuracy, self._voltage.resolution) * min(moved, 1.0)
        copper_ohm = COPPER_PER_K * COPPER_RISE_K * max(usual_ohm, 0.0)
        floor_ohm = self._voltage.resolution / math.sqrt(12.0) / current_a
        bound_ohm = copper_ohm + DEVIATIONS * math.sqrt(deviation_ohm**2 + floor_ohm**2 + (systematic_v / current_a) ** 2)
        growth_ohm = ohm - usual_ohm
        self._beyond = self._beyond + 1 if growth_ohm > bound_ohm else 0
        self._back = self._back + 1 if growth_ohm < 0.5 * bound_ohm else 0
        if self._back and not self._active:
            self._innocent_ns = self._begin_ns
        if self._active and self._back >= TELL_BLOCKS:
            self._active = False
            text = f"{self._device.name}: the path's resistance is back at {1e3 * ohm:.1f} mΩ"
            return (Finding("contact_heating", self._device.name, Severity.WARNING, self._onset(sample), text, clear=True),)
        if self._active or self._beyond < TELL_BLOCKS:
            return NOTHING
        self._active = True
        return (self._finding(usual_ohm, growth_ohm, copper_ohm, current_a, sample),)

    def _onset(self, sample: Sample) -> Onset:
        return Onset(min(self._innocent_ns, sample.stamp.t_utc_ns), end_ns(sample))

    def _finding(self, usual_ohm: float, growth_ohm: float, copper_ohm: float, current_a: float, sample: Sample) -> Finding:
        drop_v = growth_ohm * current_a
        spot_c = math.sqrt(ROOM_K**2 + drop_v * drop_v / (4.0 * LORENZ)) - 273.15
        text = (
            f"{self._device.name}: the path to the source has grown from {1e3 * usual_ohm:.1f} to {1e3 * (usual_ohm + growth_ohm):.1f} mΩ, "
            f"{drop_v * current_a:.2f} W more in it at {current_a:.2f} A; warm copper explains at most {1e3 * copper_ohm:.1f} mΩ of it. "
            "A contact heats up; measuring the drop of each contact would show which"
        )
        evidence = {
            "path_resistance_ohm": round(usual_ohm + growth_ohm, 6), "reference_ohm": round(usual_ohm, 6),
            "growth_ohm": round(growth_ohm, 6), "copper_explains_ohm": round(copper_ohm, 6), "current_a": round(current_a, 4),
            "added_dissipation_w": round(drop_v * current_a, 4), "added_drop_v": round(drop_v, 5),
            "hottest_if_one_spot_c": round(spot_c, 1),
        }  # fmt: skip
        return Finding(
            "contact_heating", self._device.name, Severity.WARNING, self._onset(sample), text, confidence=PRIOR_CONTACT,
            alternatives={"lead_exchanged": LEAD_EXCHANGED, "instrument_drift": INSTRUMENT_DRIFT}, evidence=evidence,
        )  # fmt: skip


def _source_v(peers: Mapping[str, Peer], sample: Sample) -> float | None:
    """The source's voltage as another device of the group read it, not longer ago than three of its periods."""
    for peer in peers.values():
        device = peer.device
        last = peer.last
        if last is None or not (device.role in ("meter", "supply") or (device.role == "load" and device.sense == "remote")):
            continue
        if abs(sample.stamp.t_utc_ns - last.stamp.t_utc_ns) <= 3e9 * max(device.period_s, 0.1):
            value = usable(last, "voltage_v")
            if value is not None:
                return value
    return None
