"""How often an instrument has another reading, in polls, as its values tell.

Many instruments renew what they show two to ten times a second, and answer a quicker poll with the same reading again. Polls are then no
independent samples: a level of a hundred polls may be one of four readings, and what stands in seven polls in succession may be one. What
counts samples asks `Context.is_repeat`, leaves out the repeated ones and takes the period of the *readings* as its own.

Rule: a run is the number of polls from one change of voltage or current to the next. The readings repeat when the shortest of the runs
since the last shorter one cannot be by chance: changes that came at random, as often as these, would leave a run shorter than the shortest
among n with a probability of ``1 - exp(-EVIDENCE)`` (geometric runs: n times the shortest less one, over their mean). A third of the runs
at least must be ended by noise, hence by a change of more than a count, or back: a level that drifts through the counts is no reading
that repeats. What follows an order does not count. Over when three runs are shorter than half (one alone is a renewal between two registers
of one poll), or nothing changed for long: noise below a count hides the readings, and raises nothing. From `FIRST_EVIDENCE` on they *may*
repeat, and who judges steps waits; every time that a shorter run came after all it takes more.
Limits: readings that last for longer than `LONGEST_S` are not recognised.
Expected false recognitions: one in a million runs; it costs polls, hence delay, until three runs are short.
"""

from __future__ import annotations

from loadlog.model.device import DeviceSpec

LONGEST_S = 2.0
EVIDENCE, FIRST_EVIDENCE, MOST_REFUTED = 14.0, 2.0, 6
NOISE_SHARE = 1.0 / 3.0
MOST_EARLY = 0.75  # of the shortest run so far: polls and renewals drift against each other by one
SHORT, MOST_SHORT, FORGIVEN = 0.5, 3.0, 0.125
TAKEN_AFTER = 1.5  # of a reading: the next may be equal
QUIET_READINGS = 100


class Renewal:
    """Of one device. ``polls``: those that one reading lasts for, 1 while no repetition is known; ``may_repeat``: it is not known yet, but
    likely."""

    __slots__ = (
        "_by_noise", "_counts", "_i", "_moved", "_n", "_refuted", "_run", "_short", "_shortest", "_since", "_total", "_v", "may_repeat",
        "most", "polls",
    )  # fmt: skip

    def __init__(self, device: DeviceSpec) -> None:
        voltage, current = device.channel("voltage_v"), device.channel("current_a")
        self._counts = (1.5 * voltage.resolution if voltage else 0.0, 1.5 * current.resolution if current else 0.0)
        self.most = int(LONGEST_S / device.period_s)
        self._v = self._i = 0.0
        self._moved = (0.0, 0.0)  # the last change of each
        self._refuted = 0
        self._run = self._since = 0  # polls since the last change; since one was taken
        self._forget()

    def _forget(self) -> None:
        self.polls = 1
        self._n = self._by_noise = self._total = self._shortest = 0
        self._short = 0.0
        self.may_repeat = False

    def repeats(self, voltage_v: float, current_a: float, is_ordered: bool) -> bool:
        """Take the next poll: is it the last reading again? ``is_ordered``: an order of ours may have changed it."""
        run = self._run + 1
        if voltage_v == self._v and current_a == self._i:
            self._run = run
            return self.polls > 1 and self._is_taken_for_the_last(run)
        moved_v, moved_a = voltage_v - self._v, current_a - self._i
        self._v, self._i = voltage_v, current_a
        self._run = 0
        if run == 1 and self.polls == 1:  # as nearly always
            if self._n:
                self._refute()
            return False
        self._since = 0
        if self.polls > 1:
            self._hold(run)
        elif run <= self.most and not is_ordered:
            self._weigh(run, (moved_v, moved_a))
        self._moved = moved_v, moved_a
        return False

    def _is_taken_for_the_last(self, run: int) -> bool:
        self._since += 1
        if run > QUIET_READINGS * self.polls:
            self._forget()
        if self._since < TAKEN_AFTER * self.polls:
            return True
        self._since = 0
        return False

    def _weigh(self, run: int, moved: tuple[float, float]) -> None:
        if self._n and run < MOST_EARLY * self._shortest:
            self._refute()
        if self._n == 0:
            self._by_noise = self._total = 0
            self._shortest = run
        self._shortest = min(self._shortest, run)
        self._n += 1
        self._total += run
        if any(abs(d) > count or d * last < 0.0 for d, last, count in zip(moved, self._moved, self._counts, strict=True)):
            self._by_noise += 1
        evidence = self._n * self._n * (self._shortest - 1) / self._total if self._by_noise >= NOISE_SHARE * self._n else 0.0
        self.may_repeat = FIRST_EVIDENCE + self._refuted <= evidence < EVIDENCE
        if evidence >= EVIDENCE:
            self.polls, self._short = self._shortest, 0.0

    def _refute(self) -> None:
        self._n, self.may_repeat = 0, False
        self._refuted = min(self._refuted + 1, MOST_REFUTED)

    def _hold(self, run: int) -> None:
        if run >= SHORT * self.polls:
            self._short = max(self._short - FORGIVEN, 0.0)
            return
        self._short += 1.0
        if self._short >= MOST_SHORT:
            self._forget()
