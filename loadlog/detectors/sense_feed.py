"""A load's samples on their way to the watch of the mode that it is in, for `sense`.

Left out: readings that are polled again (`renewal`), those that are not known, held or marked as untrue; a possible spike waits for the
next sample, and counts when that stays with it. The watch begins anew while the input is off, sense is switched to local, the current is
too small or the mode is none that is judged; in another mode it is another watch; and at another pace of the readings all watches are new.
"""

from __future__ import annotations

from loadlog.detectors.base import MOST_SQUARE, Context
from loadlog.detectors.cusum import KnownStep
from loadlog.detectors.sense_modes import MODES, ModeWatch
from loadlog.detectors.statistics import alarm_probability
from loadlog.model.device import DeviceSpec
from loadlog.model.sample import Sample

FALSE_ALARMS_PER_1000_H = 0.05
_JUDGED = frozenset({None, *MODES})
_USED_MARKS = frozenset({"", "beyond_rating", "possible_spike"})


class Feed:
    """``least_a``: of the current that is judged. ``watch``: of the present mode; ``known`` waits for a step of known size in its signal;
    ``polls``: that a reading lasts for; ``is_local``: sense is switched to local; ``began_anew``: it did, the owner takes that back."""

    __slots__ = ("_device", "_doubtful", "_least_a", "_steps", "_watches", "began_anew", "is_local", "known", "polls", "watch")

    def __init__(self, device: DeviceSpec, least_a: float) -> None:
        self._device, self._least_a = device, least_a
        self._steps: tuple[float, float] | None = None  # of the converter
        self._doubtful: tuple[float, float, Sample] | None = None
        self._watches: dict[str, ModeWatch] = {}
        self.is_local = self.began_anew = False
        self.polls = 1
        self.watch = self._watch_of("cc")
        self.known = KnownStep(alarm_probability(FALSE_ALARMS_PER_1000_H, device.period_s))

    def take(self, sample: Sample, context: Context) -> bool:
        """Give the watch the sample's values; False when there is nothing to judge."""
        if context.is_repeat(sample):
            return False
        if context.polls_a_reading != self.polls:
            self._pace(context.polls_a_reading)
        if (steps := context.steps) != self._steps:
            self._steps = steps
            for watch in self._watches.values():
                watch.convert(*steps)
        mode = context.mode(sample)
        v, i = sample.values.get("voltage_v"), sample.values.get("current_a")
        marks, held = sample.uncertain, sample.held
        if v is None or i is None or not v * v + i * i < MOST_SQUARE or (held and ("voltage_v" in held or "current_a" in held)):
            return False
        if marks and (marks.get("voltage_v", "") not in _USED_MARKS or marks.get("current_a", "") not in _USED_MARKS):
            return False
        if mode != self.watch.mode:
            self.enter(mode or "cc")
        if self.is_local or mode not in _JUDGED or sample.status.get("input_on", 1) == 0 or abs(i) < self._least_a:
            self._begin_anew()
            return False
        doubtful = self._doubtful
        if doubtful is not None:
            self._doubtful = None
            if self._stays(doubtful, v, i):
                self.watch.push(*doubtful)
        elif marks and "possible_spike" in (marks.get("voltage_v"), marks.get("current_a")):
            self._doubtful = (v, i, sample)
            return False
        self.watch.push(v, i, sample)
        return True

    def enter(self, mode: str) -> None:
        """The load is in another mode, or was when the service stopped."""
        if mode == self.watch.mode or mode not in MODES:
            return
        self._begin_anew()
        self.watch = self._watch_of(mode)

    def restart(self) -> None:
        """Another operating point."""
        self.watch.restart()
        self._doubtful = None

    def _begin_anew(self) -> None:
        self.restart()
        self.began_anew = True

    def _watch_of(self, mode: str) -> ModeWatch:
        watch = self._watches.get(mode)
        if watch is None:
            watch = self._watches[mode] = ModeWatch(self._device, mode, FALSE_ALARMS_PER_1000_H, self.polls * self._device.period_s)
            if self._steps is not None:
                watch.convert(*self._steps)
        return watch

    def _pace(self, polls: int) -> None:
        """A reading lasts for as many polls: levels and noise are learned again from readings."""
        self.polls = polls
        self._begin_anew()
        mode = self.watch.mode
        self._watches.clear()
        self.watch = self._watch_of(mode)
        self.known = KnownStep(alarm_probability(FALSE_ALARMS_PER_1000_H, polls * self._device.period_s))

    def _stays(self, doubtful: tuple[float, float, Sample], v: float, i: float) -> bool:
        """The doubtful sample was the first of a new level, not a spike."""
        watch = self.watch
        if watch.mode in ("cp", "cr") and min(doubtful[0], doubtful[1], v, i) <= 0.0:
            return False
        (signal, held), (then, held_then) = watch.quantities(v, i), watch.quantities(doubtful[0], doubtful[1])
        nearer = abs(signal - then) <= abs(signal - watch.signal.level)
        return nearer and abs(held - held_then) <= abs(held - watch.held.level) + 5.0 * watch.held.sigma
