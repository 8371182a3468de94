"""Who stopped a current: odds of the causes, and what is read afterwards that decides between them.

The odds are judgements, no statistics: of stops of the current 8 are a protection of the load, `SILENT` of which report no bit where others
would; 7 a hand on the input key, 0.5 a hand that turns the set-point to nothing from one poll to the next, 0.2 another mode; 5 a broken
power lead, `WHOLE_CONNECTOR` of which take the sense leads with them; 7.5 a supply that falls silent.

- The voltage holds (`Stop`): the load, a hand, or a lead whose sense leads still see the source. A channel that was read since then takes
  its cause away or makes it certain; one that is not read yet, or does not exist, leaves it where it was. A report that the instrument may
  have had ready before the stop (`READINGS`, `RENEWED_S`) leaves the share `STALE` of it, until the channel is read again.
- The voltage is gone (`supply_share`): the supply, or a lead (with remote sense the whole connector). The other devices of the group
  decide: one that collapsed since our last good sample makes it the supply; one that still held within our interval leaves the supply only
  the rest of it; one that holds while ours is gone speaks for the lead, the more the more often, since it may have met a short pulse of a
  supply that tries again. Gone there too at its next looks it was such a pulse rather: that a source fails, or is switched off, within the
  few polls after a lead has broken is given `SOON_TOO` (it may touch the other pole).

Units: odds and shares are numbers. Source: none, see above.
"""

from __future__ import annotations

import math
from collections.abc import Collection

from loadlog.detectors.asked import asks_for_nothing
from loadlog.detectors.base import Context, Glance, bit_names
from loadlog.detectors.status import is_undervoltage
from loadlog.model.device import DeviceSpec
from loadlog.model.event import Onset
from loadlog.model.sample import Sample

LOAD, HAND, KNOB, MODE, LEAD, SUPPLY = 8.0, 7.0, 0.5, 0.2, 5.0, 7.5
SILENT, WHOLE_CONNECTOR = 0.27, 0.08
LEAD_LOCAL = 0.1  # with local sense the voltage would be gone too, but for a meter's current through what is left of the contact
FLOWS = 99.0  # odds of the supply where current still flows
COLLAPSED, HELD = 0.7, 0.85  # of the voltage of another device before
BRIEF, AGAIN = 0.03, 0.25  # that a supply which tripped shows its voltage just when another device asks; and the next time too
SOON_TOO = 0.02
LEAST_REST = 0.05  # of the interval of our onset, after another device's last look at the voltage
SURE = 0.99  # more is never said
READINGS = 2  # polls from which a report is of the time after the stop: the status may be that of the poll before
RENEWED_S = 0.5  # the same: instruments renew what they report at least twice a second (`renewal`)
STALE = 0.25  # that a report of the first such polls is from before the stop, which it then does not show
LIKELY = 0.5
TRIPS = ("load_trip", "open_circuit")  # what a stop may be, of what the detector tells
_EXPLAINING = ("protection", "input_on", "setpoint", "mode")
_DECIDING = {"protection": "protections", "input_on": "input"}


class Stop:
    """What may explain that the current stopped, in a ``mode`` at a voltage and current ``before``, after the sample ``last``; ``setpoint``
    was asked for by then."""

    __slots__ = (
        "_before", "_device", "_is_off", "_last", "_mode", "_patience", "_polls", "_renewed", "_seen", "_setpoint", "_unread",
        "protections",
    )  # fmt: skip

    def __init__(self, device: DeviceSpec, last: Sample, mode: str | None, before: tuple[float, float], setpoint: float | None) -> None:
        self._device, self._last, self._mode, self._before, self._setpoint = device, last, mode, before, setpoint
        channels = [c for name in _EXPLAINING if (c := device.channel(name)) is not None]
        self._unread = {c.name for c in channels}  # no report yet that is surely of the time since
        self._seen: set[str] = set()  # of those: one that may be
        self._renewed = max(READINGS, math.ceil(RENEWED_S / device.period_s) + 1)
        self._polls, self._patience = 0, max((READINGS * c.every + 1 for c in channels), default=0) + self._renewed - READINGS
        self._is_off = False
        self.protections: tuple[str, ...] = ()

    @property
    def is_over(self) -> bool:
        """All that could explain it was read since, or will hardly be."""
        return self._polls >= self._patience or not self._unread

    @property
    def is_doubtful(self) -> bool:
        """What is read next is likely to say that it was no trip."""
        return bool(self._unread) and (self._is_off or math.fsum(self.shares().get(kind, 0.0) for kind in TRIPS) < LIKELY)

    @property
    def would_decide(self) -> str:
        """What the load does not report and would tell the causes apart; empty where nothing is missing."""
        missing = [word for name, word in _DECIDING.items() if self._device.channel(name) is None]
        return f"a load that reports its {' and its '.join(missing)}" if missing and not self.protections else ""

    def read(self, sample: Sample, mode: str | None, ordered: Collection[str] = ()) -> str:
        """Take what the sample says; the kind that explains the stop, empty when it explains nothing. ``ordered``: channels that we have
        written since, which say no more of it."""
        self._polls += 1
        self._unread.difference_update(ordered)
        fresh = self._unread & sample.counts.keys()
        if self._polls >= self._renewed:
            self._unread -= fresh
        self._seen |= fresh
        told = fresh | self._told_before(sample)
        if "protection" in told:
            new = sample.status.get("protection", 0) & ~self._last.status.get("protection", 0)
            names = set(bit_names(self._device, "protection", new))
            self.protections = tuple(sorted(name for name in names if not is_undervoltage(name)))
            if names:
                return "load_trip" if self.protections else "protection"
        if "input_on" in told and sample.status.get("input_on", 1) == 0:
            self._is_off = True
        if self._is_off:  # by whom, the word of the protections says
            return "" if "protection" in self._unread and self._polls < self._patience else "input_switched"
        if "mode" in fresh and mode != self._mode:
            return "mode_changed"
        if "setpoint" in fresh:
            before, now = self._setpoint, sample.values.get("setpoint")
            if before is not None and now is not None and before != now and asks_for_nothing(self._mode, now, *self._before):
                return "setpoint_changed"
        return ""

    def _told_before(self, sample: Sample) -> set[str]:
        """Of the first sample without current: what its status holds from a poll before, that was ahead of its readings."""
        if self._polls > 1:
            return set()
        return {name for name in ("protection", "input_on") if sample.status.get(name) != self._last.status.get(name)}

    def shares(self) -> dict[str, float]:
        """Probability of each kind that is left."""
        if self.protections:
            return {"load_trip": SURE, "open_circuit": 1.0 - SURE}

        odds = {
            "load_trip": LOAD * (SILENT + (1.0 - SILENT) * self._open("protection")),
            "open_circuit": LEAD * (1.0 - WHOLE_CONNECTOR) if self._device.sense == "remote" else LEAD_LOCAL,
            "input_switched": HAND * self._open("input_on"),
            "setpoint_changed": KNOB * self._open("setpoint"),
            "mode_changed": MODE * self._open("mode") if self._device.channel("mode") else 0.0,
        }
        whole = math.fsum(odds.values())
        return {kind: odd / whole for kind, odd in odds.items() if odd > 0.0}

    def _open(self, channel: str) -> float:
        """Share of what the channel may still tell."""
        if channel in self._unread:
            return STALE if channel in self._seen else 1.0
        return 0.0 if channel in self._seen else 1.0  # else the load does not report it


def supply_share(is_remote: bool, flows: bool, context: Context, onset: Onset, until_ns: int) -> tuple[float, bool]:
    """Probability that a voltage that is gone is the supply's doing, and whether another device of the group has borne witness since.
    Only polls while the voltage was gone here, up to ``until_ns``, say that it held elsewhere."""
    lead = LEAD * WHOLE_CONNECTOR if is_remote else LEAD
    rest, held, gone_too = 1.0, 0, False
    for peer in context.peers.values():
        before, times = 0.0, 0
        for seen in peer.recent:
            v = seen.usable_v(spikes=True)  # the source answers to the current that is gone, by what may look like a spike
            if v is None:
                continue
            if seen.end_ns <= onset.earliest_utc_ns:
                before = before if seen.usable_v() is None else v
            elif before > 0.0 and v < COLLAPSED * before:
                if times == 0:
                    return SURE, True
                gone_too = True
                break
            elif before > 0.0 and v >= HELD * before:
                if seen.begin_ns >= onset.latest_utc_ns:
                    times += seen.end_ns <= until_ns
                else:
                    rest = min(rest, _rest(seen, onset))
        held += times
    supply = FLOWS * lead if flows and not held else SUPPLY  # a contact that hardly holds lets current through too
    supply *= rest * (BRIEF * AGAIN ** (held - 1) if held else 1.0)
    if gone_too:
        supply, lead = supply * (1.0 - AGAIN), lead * SOON_TOO
    return min(max(supply / (supply + lead), 1.0 - SURE), SURE), held > 0


def _rest(seen: Glance, onset: Onset) -> float:
    """Share of the interval that lies after another device saw the voltage hold; never nothing, for both times are uncertain."""
    rest_ns = onset.latest_utc_ns - 0.5 * (seen.begin_ns + seen.end_ns)
    return max(rest_ns / max(onset.latest_utc_ns - onset.earliest_utc_ns, 1), LEAST_REST)
