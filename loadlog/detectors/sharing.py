"""`sharing_imbalance`: the currents of a group part from their shares. An event of the group, told once, by its first device.

Physical cause: one load derates (heat) or regulates wrongly, one of several supplies in parallel leaves its droop characteristic, a contact
adds resistance in a branch that shares by resistance.
Rule: over blocks (`blocks`) the mean current of each device of one role is compared with its share of their sum. The share is, in this
order: fixed (``current_share``); that of the set-points, when all are in CC and report them; learned over `LEARN` blocks. A current that
departs by more than `BOUND` combined standard uncertainties of the currents (twice where the set-point decides: reading and regulation) and
the deviation of the learned share, `BLOCKS` blocks in a row, is an imbalance. Set-points, modes and inputs that differ or change on purpose
are none: after any such change shares are learned anew and what was active ends. So they are where supplies give another sum than that at
which they were learned: by their droop it is the difference of their currents that stays, not the ratio.
Units: A. Limits: two devices and more of one role with a current, all on (20 counts); a device whose current stops altogether (below 5 % of
its share) has tripped, which `trips` tells.
Confusions: gain errors of the instruments (inside the uncertainty); the source's voltage, which the current of a load that is not known to
be in CC follows (allowed for by its change); a load in CV, which takes what the others leave (then nothing is judged; one that does not
tell its mode may be in CV unless its voltage answered to its current, as it does behind `SMALLEST_SOURCE_OHM` and more); a polled device
that is late (blocks are long against polls). Devices that share what a source in its limit still gives do so by their knees: below
`COLLAPSED` of the voltage at which they were last in balance nothing is judged, which `trips` tells.
A load that does not report its set-point may have been turned by hand: `setpoint_changed` is then named as the alternative.
Expected false alarms: none within specification: BOUND standard uncertainties of rectangular errors are beyond their common bound.
Onset: from the begin of the last block that does not show it to the end of the first that does. Source: GUM (JCGM 100) for the combination;
common practice of paralleled supplies, no clause.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, ClassVar

from loadlog.detectors.base import NOTHING, Context, Peer, Stateless, begin_ns, end_ns, status_name, usable
from loadlog.detectors.blocks import block_samples
from loadlog.detectors.sense_modes import SMALLEST_SOURCE_OHM
from loadlog.detectors.statistics import Moments
from loadlog.detectors.supply_form import COLLAPSED
from loadlog.model.device import DeviceSpec
from loadlog.model.event import Event, Finding, Onset, Severity
from loadlog.model.learned import Learned, fact, fixed
from loadlog.model.quantity import standard_uncertainty
from loadlog.model.sample import Sample

LEARN, BLOCKS = 6, 3
BOUND = 3.0
STOPPED = 0.05
TURNED_UNSEEN = 0.4  # that it was a hand on the knob, where the load that departs does not report its set-point; a judgement
SUM_SHARE = 0.02  # so far supplies give the same sum
FOLLOWS = 1.2  # first order of I = P/V and of I = V/R, and a margin for the second
ROLES = ("load", "supply")


class _Member:
    """One device of the group."""

    __slots__ = ("current", "last", "least_a", "level_v", "mode", "peer", "setpoint", "share", "spec", "total", "total_v", "voltage")

    def __init__(self, spec: DeviceSpec, peer: Peer | None) -> None:
        self.spec, self.peer = spec, peer
        channel = spec.channel("current_a")
        self.least_a = 20.0 * channel.resolution if channel else 0.0
        self.share, self.current, self.voltage = Moments(), Moments(), Moments()
        self.total = self.total_v = self.level_v = 0.0
        self.setpoint: float | None = None
        self.mode: str | None = None
        self.last: tuple[Any, ...] = ()

    def uncertainty(self, current_a: float) -> float:
        channel = self.spec.channel("current_a")
        return 0.0 if channel is None else standard_uncertainty(current_a, channel.accuracy, channel.resolution)

    def follows(self, current_a: float, voltage_v: float) -> float:
        """By how much the current may have moved with the voltage since shares were learned, A: as the voltage in CR, inversely in CP."""
        if self.mode == "cc" or not self.voltage.n or self.voltage.mean <= 0.0:
            return 0.0
        return FOLLOWS * current_a * abs(voltage_v / self.voltage.mean - 1.0)

    def may_hold_voltage(self, current_a: float, voltage_v: float) -> bool:
        """A load of unknown mode whose current moved, and whose voltage did not answer as behind a source: in CV a drift of the source does
        so."""
        if self.mode is not None or self.spec.role != "load" or not self.voltage.n or "current_share" in self.spec.fixed:
            return False
        moved_a, answer_v = current_a - self.current.mean, voltage_v - self.voltage.mean
        channel = self.spec.channel("voltage_v")
        rounding_v = channel.resolution / math.sqrt(12.0) if channel else 0.0  # few blocks may agree by chance, or not show it
        least_v = max(SMALLEST_SOURCE_OHM * abs(moved_a), BOUND * math.hypot(math.sqrt(self.voltage.variance), rounding_v))
        return moved_a * answer_v >= 0.0 or abs(answer_v) < least_v


class Sharing(Stateless):
    """One group, seen by the first of its devices of one role."""

    KINDS: ClassVar[tuple[str, ...]] = ("sharing_imbalance",)

    def __init__(self, device: DeviceSpec) -> None:
        self._device = device
        self._size = block_samples(device.period_s)
        self._members: list[_Member] | None = None
        self._n = 0
        self._sum = Moments()  # of supplies whose shares are learned
        self._away = self._calm = 0
        self._unshown_ns = self._shown_ns = self._begin_ns = 0
        self._active = False

    @staticmethod
    def applies(device: DeviceSpec) -> bool:
        """A load or supply of a group that measures its current."""
        return device.group is not None and device.role in ROLES and device.channel("current_a") is not None

    def restore(self, event: Event) -> None:
        """The group was out of balance when the service stopped."""
        self._active = True

    def learned(self) -> Sequence[Learned]:
        """The shares, where this device speaks for its group."""
        out = []
        for member in self._members or ():
            own = member.spec.name == self._device.name
            name = "current_share" if own else f"current_share_of_{member.spec.name}"
            if "current_share" in member.spec.fixed:
                out.append(fixed(name, "", member.spec.fixed["current_share"]))
            else:
                sure = math.sqrt(member.share.variance / max(member.share.n, 1))
                out.append(fact(name, "", member.share.mean or None, sure, member.share.n, LEARN))
        return out

    def update(self, sample: Sample, context: Context) -> Sequence[Finding]:
        """See the module."""
        if self._members is None:
            self._members = self._find_members(context)
        if not self._members or sample.failure is not None:
            return NOTHING
        changed = holds_voltage = False
        currents = []
        for member in self._members:
            seen = sample if member.peer is None else member.peer.last
            current = None if seen is None or seen.failure is not None else usable(seen, "current_a")
            if seen is None or current is None:
                return NOTHING
            if self._operated(member, seen, context):
                changed = True
            if member.mode == "cv":
                holds_voltage = True
            currents.append((abs(current), usable(seen, "voltage_v") or 0.0))
        if changed:
            return self._restart(sample, "the operating point changed")
        if holds_voltage:
            return NOTHING  # a load that holds the voltage takes what the others leave
        for member, (current, voltage) in zip(self._members, currents, strict=True):
            member.total += current
            member.total_v += voltage
        self._n += 1
        return self._block(sample) if self._n >= self._size else NOTHING

    def _find_members(self, context: Context) -> list[_Member]:
        """The devices of this role, when this is the first of them by name; else nobody."""
        peers = [p for p in context.peers.values() if p.device.role == self._device.role and p.device.channel("current_a") is not None]
        if not peers or any(p.device.name < self._device.name for p in peers):
            return []
        return [_Member(self._device, None), *(_Member(p.device, p) for p in sorted(peers, key=lambda p: p.device.name))]

    @staticmethod
    def _operated(member: _Member, seen: Sample, context: Context) -> bool:
        """Its set-point, mode or input is another one, or was ordered (a device may not report them)."""
        member.mode = mode = status_name(member.spec, seen, "mode")
        member.setpoint = seen.values.get("setpoint") if mode == "cc" else None
        orders = context.orders if member.peer is None else member.peer.orders
        now = (mode, seen.values.get("setpoint"), seen.status.get("input_on"), orders[-1] if orders else None)
        before, member.last = member.last, now
        return bool(before) and before != now

    def _restart(self, sample: Sample, why: str) -> Sequence[Finding]:
        for member in self._members or ():
            member.share, member.current, member.voltage = Moments(), Moments(), Moments()
            member.total = member.total_v = member.level_v = 0.0
        self._sum = Moments()
        self._n = self._away = self._calm = 0
        self._unshown_ns = self._begin_ns = begin_ns(sample)
        return self._end(sample, why) if self._active else NOTHING

    def _block(self, sample: Sample) -> Sequence[Finding]:
        members = self._members or []
        means, volts = [m.total / self._n for m in members], [m.total_v / self._n for m in members]
        for member in members:
            member.total = member.total_v = 0.0
        self._n = 0
        begin, self._begin_ns = self._begin_ns, end_ns(sample)
        total = math.fsum(means)
        expected = self._expected(members)
        if any(volt < COLLAPSED * member.level_v for volt, member in zip(volts, members, strict=True)):
            self._away = self._calm = 0
            return NOTHING
        if any(mean < member.least_a for mean, member in zip(means, members, strict=True)):
            return self._restart(sample, "a device of the group draws no current")
        if self._is_another_sum(total):
            return self._restart(sample, "another current is drawn")
        if expected is None:
            self._sum.update(total)
            for member, mean, voltage in zip(members, means, volts, strict=True):
                member.share.update(mean / total)
                member.current.update(mean)
                member.voltage.update(voltage)
                member.level_v = voltage
            self._unshown_ns = begin
            return NOTHING
        if any(mean < STOPPED * share * total for mean, share in zip(means, expected, strict=True)):
            return self._restart(sample, "a device of the group has stopped")
        worst, ratio = self._worst(members, means, volts, expected, abs(total - self._sum.mean) if self._is_by_droop else 0.0)
        if ratio <= 1.0:
            self._unshown_ns = begin
            for member, voltage in zip(members, volts, strict=True):
                member.level_v = voltage
        elif self._away == 0:
            self._shown_ns = end_ns(sample)
        is_away = ratio > 1.0 and not members[worst].may_hold_voltage(means[worst], volts[worst])
        self._away = self._away + 1 if is_away else 0
        self._calm = self._calm + 1 if ratio < 0.5 else 0
        if self._active:
            return self._end(sample, "the currents are at their shares again") if self._calm >= BLOCKS else NOTHING
        return self._raise(members, means, total, expected, worst) if self._away == BLOCKS else NOTHING

    @property
    def _is_by_droop(self) -> bool:
        """Shares were learned of supplies, at one sum of their currents."""
        return self._device.role == "supply" and self._sum.n > 0

    def _is_another_sum(self, total_a: float) -> bool:
        known = self._sum
        return self._is_by_droop and abs(total_a - known.mean) > SUM_SHARE * known.mean + BOUND * math.sqrt(known.variance)

    @staticmethod
    def _expected(members: list[_Member]) -> list[float] | None:
        given = [m.spec.fixed.get("current_share") for m in members]
        if all(share is not None for share in given):
            scale = math.fsum(share for share in given if share is not None)
            return [(share or 0.0) / scale for share in given]
        setpoints = [m.setpoint for m in members]
        wanted = math.fsum(s for s in setpoints if s is not None)
        if all(s is not None and s > 0.0 for s in setpoints):
            return [(s or 0.0) / wanted for s in setpoints]
        if any(m.share.n < LEARN for m in members):
            return None
        return [m.share.mean for m in members]

    @staticmethod
    def _worst(
        members: list[_Member], means: list[float], volts: list[float], expected: list[float], moved_a: float
    ) -> tuple[int, float]:  # fmt: skip
        """The member that moved most from what it should carry by itself (its set-point, or what it carried while shares were learned), and
        how far the shares are apart, in multiples of what is allowed. ``moved_a``: by how much the sum of supplies is another one; it may
        be one's alone."""
        squares = [m.uncertainty(mean) ** 2 for m, mean in zip(members, means, strict=True)]
        follows = [m.follows(mean, v) for m, mean, v in zip(members, means, volts, strict=True)]
        total = math.fsum(means)
        ratios, moved = [], []
        for k, (member, mean, share) in enumerate(zip(members, means, expected, strict=True)):
            twice = 2.0 if member.setpoint is not None else 1.0
            others = math.fsum(squares) - squares[k]
            combined = math.sqrt(twice * ((1.0 - share) ** 2 * squares[k] + share * share * others) + member.share.variance * total * total)
            allowed = BOUND * combined + moved_a + (1.0 - share) * follows[k] + share * (math.fsum(follows) - follows[k])
            ratios.append(abs(mean - share * total) / allowed if allowed > 0.0 else 0.0)
            own = member.setpoint if member.setpoint is not None else member.current.mean if member.current.n else share * total
            moved.append(abs(mean - own) / math.sqrt(squares[k]) if squares[k] > 0.0 else 0.0)
        return max(range(len(moved)), key=moved.__getitem__), max(ratios)

    def _raise(self, members: list[_Member], means: list[float], total: float, expected: list[float], worst: int) -> Sequence[Finding]:
        self._active, self._calm = True, 0
        names = [m.spec.name for m in members]
        evidence = {
            "departs": names[worst], "current_a": dict(zip(names, (round(m, 5) for m in means), strict=True)),
            "share": dict(zip(names, (round(m / total, 5) for m in means), strict=True)),
            "expected_share": dict(zip(names, (round(s, 5) for s in expected), strict=True)),
        }  # fmt: skip
        text = (
            f"group {self._device.group}: {names[worst]} carries {means[worst]:.4g} A, {100 * means[worst] / total:.1f} % of the group's "
            f"current instead of {100 * expected[worst]:.1f} %"
        )
        is_told = members[worst].spec.channel("setpoint") is not None or self._device.role != "load"
        others = {} if is_told else {"setpoint_changed": TURNED_UNSEEN}
        return (self._finding(Onset(min(self._unshown_ns, self._shown_ns), self._shown_ns), text, evidence, others),)

    def _end(self, sample: Sample, why: str) -> Sequence[Finding]:
        self._active = False
        onset = Onset(begin_ns(sample), end_ns(sample))
        return (self._finding(onset, f"group {self._device.group}: {why}", {"ended": why}, {}, clear=True),)

    def _finding(self, onset: Onset, text: str, evidence: dict[str, Any], others: dict[str, float], clear: bool = False) -> Finding:
        return Finding(
            "sharing_imbalance", None, Severity.WARNING, onset, text, self._device.role, self._device.group, clear,
            confidence=1.0 - math.fsum(others.values()), alternatives=others, evidence=evidence,
        )  # fmt: skip
