"""Time stamps that no two points of a series share, the same ones whenever the same samples are sent again.

A point with the measurement, tags and stamp of another replaces it, so an equal stamp would lose a sample. Polls of one device never
coincide while the clock runs forward; two things can make stamps meet all the same: a server that cuts them to milliseconds, and a
system clock that was set back, after which the same hour is recorded again.

Stamps are therefore put on a grid, where a series never uses a place twice in a row; each time its clock goes back, the next of the
interleaved grids is used. For ``ns`` the grid is 1 µs and the last three digits number the turns of the clock (a thousand, then they
begin again); for ``ms`` the grid is 2 ms and odd milliseconds belong to every other turn. That moves a stamp by at most 0.5 µs or 1 ms,
a small part of its uncertainty (half the duration of the poll); with ``ms`` an hour that is recorded three times meets itself again. Where
samples lie so close that places collide, the later one takes the next free place.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

Ints = npt.NDArray[np.int64]
GRIDS = {"ns": (1_000, 1, 1_000), "ms": (2_000_000, 1_000_000, 2)}  # width of a place, shift per turn of the clock, turns: ns
TURNED_BACK_NS = 10_000_000  # a stamp this far before the last one means that the clock was set back
SERIES_KEPT = 256  # series whose last place is remembered: those written last; runs that ended long ago are forgotten


class Stamps:
    """``state``: what `state` gave before, to go on from there. Not thread-safe."""

    def __init__(self, mode: str, state: Mapping[str, list[int]] | None = None) -> None:
        self._grid_ns, self._offset_ns, self._turns = GRIDS[mode]
        self._last: dict[str, list[int]] = {series: list(place) for series, place in (state or {}).items()}

    def unique(self, series: str, t_ns: int) -> int:
        """The stamp for the next point of ``series``, near ``t_ns``."""
        grid = self._grid_ns
        last = self._last.get(series)
        if last is None:
            slot = (t_ns + grid // 2) // grid
            self._last[series] = [slot, 0, t_ns]
            if len(self._last) > SERIES_KEPT:
                del self._last[next(iter(self._last))]
            return slot * grid
        if t_ns < last[2] - TURNED_BACK_NS:
            last[1] = (last[1] + 1) % self._turns
            shift = last[1] * self._offset_ns
            slot = (t_ns - shift + grid // 2) // grid
        else:
            shift = last[1] * self._offset_ns
            slot = max((t_ns - shift + grid // 2) // grid, last[0] + 1)
        last[0], last[2] = slot, t_ns
        return slot * grid + shift

    def unique_all(self, series: str, t_ns: Ints) -> Ints:
        """What `unique` gives for each of them in turn."""
        out = np.empty(len(t_ns), np.int64)
        turns = np.flatnonzero(t_ns[1:] < t_ns[:-1] - TURNED_BACK_NS) + 1
        for first, last in itertools.pairwise([0, *turns.tolist(), len(t_ns)]):
            if first < last:
                out[first] = self.unique(series, int(t_ns[first]))
                self._unique_onwards(series, t_ns[first + 1 : last], out[first + 1 : last])
        return out

    def _unique_onwards(self, series: str, t_ns: Ints, out: Ints) -> None:
        """The clock is not set back here: each takes its place or the next free one."""
        if not len(t_ns):
            return
        last = self._last[series]
        shift = last[1] * self._offset_ns
        steps = np.arange(len(t_ns))
        free = np.maximum((t_ns - shift + self._grid_ns // 2) // self._grid_ns - steps, last[0] + 1)
        slots = np.maximum.accumulate(free) + steps
        last[0], last[2] = int(slots[-1]), int(t_ns[-1])
        out[:] = slots * self._grid_ns + shift

    @property
    def state(self) -> dict[str, list[int]]:
        """Series -> its last place, its turn and its last instant; JSON-able."""
        return self._last
