"""When the output of a source was regulated, so that figures about its regulation mean something.

A line through polls of normal running and of a supply that had tripped says nothing about an output resistance. So the record is cut into
stretches (those of `bins`), and those are left out as a whole in which

- something was told that takes the output out of regulation (`LeftOut`: a trip, a current limit, a sense lead that fell off);
- the load's input was off, or the load itself held the voltage (mode CV);
- the voltage stood off the line U = U0 − R·I that the voltage kept to for most of the time (not with a battery, whose voltage falls as it
  should). That line is the one with most of the time within `OFF_LEVEL` of it, among lines through pairs of stretches that change the
  voltage by no more than a source with regulation does (random sample consensus, Fischler and Bolles 1981, here with a fixed choice of
  pairs).
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from loadlog.analysis.chunk import Bools, Chunk, Floats, Ints
from loadlog.model.clock import NS
from loadlog.model.device import ChannelSpec

OFF_LEVEL = 0.02  # of the level: the mean of a stretch that stands farther from the line is off its level
OFF_LEVEL_ONCE = 0.05  # the same for a single poll
FALL, RISE = 0.3, 0.05  # of the level: how much a regulated output may fall, or rise, over the range of the current
MOST = 0.5  # of the time that the line must explain
TRIED = 36  # stretches of which each pair is tried
VOTING = 5000  # stretches at most that choose among the lines
INPUT_OFF, HOLDS_VOLTAGE, OFF = "input off", "the load held the voltage", "voltage off its level"
INPUT, MODE = "input_on", "mode"


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A span in which the output is known not to have been regulated, UTC ns, and what was told of it."""

    from_utc_ns: int
    to_utc_ns: int
    reason: str


@dataclass(frozen=True, slots=True)
class Sums:
    """Stretches of polls in which voltage and current were good, [n] each: number of the stretch since the epoch, polls, means, sums of
    squares about the means, extremes; ``off``, ``cv``: the input was off, the load held the voltage at some time in it."""

    index: Ints
    n: Floats
    i: Floats
    v: Floats
    ii: Floats
    iv: Floats
    vv: Floats
    i_low: Floats
    i_high: Floats
    v_low: Floats
    v_high: Floats
    off: Bools
    cv: Bools

    def __len__(self) -> int:
        return len(self.index)

    def where(self, mask: Bools) -> Sums:
        """The stretches that the mask names."""
        return Sums(*(getattr(self, name)[mask] for name in Sums.__slots__))


class Stretches:
    """Gathers `Sums` over the chunks of one device. A stretch that two chunks share counts twice, with its parts."""

    def __init__(self, voltage: ChannelSpec, current: ChannelSpec, bin_s: float, modes: Mapping[int, str]) -> None:
        self._names, self.bin_ns = (voltage.name, current.name), round(bin_s * NS)
        self._cv = [float(number) for number, name in modes.items() if name.upper().startswith("CV")]
        self._parts: list[Sums] = []

    def add(self, chunk: Chunk) -> None:
        """Take in a chunk."""
        good = chunk.good(*self._names)
        if not good.any():
            return
        number = chunk.t_utc_ns // self.bin_ns
        off, cv = self._switched(chunk)
        index = chunk.pick(good, number)
        starts = np.concatenate(([0], np.flatnonzero(index[1:] != index[:-1]) + 1))
        v, i = (chunk.values_where(*self._names, of=name) for name in self._names)
        n = np.diff(np.concatenate((starts, [len(index)])))
        mean_v, dv = _centred(v, starts, n)
        mean_i, di = _centred(i, starts, n)
        own = index[starts]
        self._parts.append(
            Sums(
                own, n.astype(np.float64), mean_i, mean_v, np.add.reduceat(di * di, starts), np.add.reduceat(di * dv, starts),
                np.add.reduceat(dv * dv, starts), np.minimum.reduceat(i, starts), np.maximum.reduceat(i, starts),
                np.minimum.reduceat(v, starts), np.maximum.reduceat(v, starts), _among(own, number, off), _among(own, number, cv),
            )
        )  # fmt: skip

    def _switched(self, chunk: Chunk) -> tuple[Bools | None, Bools | None]:
        """Polls, failed ones too, in which the input was off, and in which the load held the voltage; None: in none."""
        input_on, mode = chunk.columns.get(INPUT), chunk.columns.get(MODE)
        off = None if input_on is None else input_on.values == 0
        cv = None if mode is None or not self._cv else np.isin(mode.values, self._cv)
        return off, cv

    def sums(self) -> Sums:
        """What was gathered so far."""
        if len(self._parts) > 1:
            self._parts = [Sums(*(np.concatenate([getattr(p, name) for p in self._parts]) for name in Sums.__slots__))]
        if not self._parts:
            e, none = np.zeros(0), np.zeros(0, np.bool_)
            return Sums(np.zeros(0, np.int64), e, e, e, e, e, e, e, e, e, e, none, none)
        return self._parts[0]


def _centred(values: Floats, starts: Ints, n: Ints) -> tuple[Floats, Floats]:
    """Mean of each stretch, and each value less that of its own."""
    shifted = values - values[0]
    mean = np.add.reduceat(shifted, starts) / n
    return mean + values[0], shifted - np.repeat(mean, n)


def _among(own: Ints, number: Ints, marked: Bools | None) -> Bools:
    return np.zeros(len(own), np.bool_) if marked is None or not marked.any() else np.isin(own, number[marked])


@dataclass(frozen=True, slots=True)
class Regulated:
    """``kept``: the stretches to compute with. ``out``: numbers of the others. ``seconds``: reason -> time left out for it. ``why_not``:
    why none can be computed with, empty when some can."""

    kept: Sums
    out: Ints
    seconds: Mapping[str, float]
    why_not: str = ""

    @property
    def note(self) -> str:
        """What was left out, for people; empty when nothing was."""
        return left_out_text(self.seconds)


def regulated(sums: Sums, bin_ns: int, known: Sequence[LeftOut], has_level: bool, u_v: float) -> Regulated:
    """The stretches in which the output was regulated. ``has_level``: the source keeps a level (no battery); ``u_v``: standard
    uncertainty of a difference of two readings of the voltage, V."""
    width_s = bin_ns / NS
    reasons = {reason: mask for reason, mask in _told(sums, bin_ns, known).items() if mask.any()}
    taken = np.zeros(len(sums), np.bool_)
    seconds: dict[str, float] = {}
    for reason, mask in (*reasons.items(), (INPUT_OFF, sums.off), (HOLDS_VOLTAGE, sums.cv)):
        _count(seconds, reason, sums, mask & ~taken, width_s)
        taken |= mask
    why_not = ""
    if has_level and np.count_nonzero(~taken) > 2:
        rest = sums.where(~taken)
        off, share = _off_level(rest, u_v)
        if share < MOST:
            why_not = f"the voltage kept to no one level: for {100 * share:.0f} % of the time at most"
        _count(seconds, OFF, rest, off, width_s)
        taken[np.flatnonzero(~taken)[off]] = True
    return Regulated(sums.where(~taken), np.unique(sums.index[taken]), seconds, why_not)


def _told(sums: Sums, bin_ns: int, known: Sequence[LeftOut]) -> dict[str, Bools]:
    out: dict[str, Bools] = {}
    for span in known:
        mask = (sums.index >= span.from_utc_ns // bin_ns) & (sums.index <= span.to_utc_ns // bin_ns)
        out[span.reason] = out[span.reason] | mask if span.reason in out else mask
    return out


def _count(seconds: dict[str, float], reason: str, sums: Sums, mask: Bools, width_s: float) -> None:
    if mask.any():
        seconds[reason] = seconds.get(reason, 0.0) + len(np.unique(sums.index[mask])) * width_s


def _off_level(sums: Sums, u_v: float) -> tuple[Bools, float]:
    """The stretches off the line that most of the time keeps to, and which share of the time it explains by the means alone."""
    line = _line(sums, u_v)
    total = float(sums.n.sum())
    if line is None:
        return np.zeros(len(sums), np.bool_), 0.0
    level, intercept, slope = line
    near = np.abs(sums.v - intercept - slope * sums.i) <= max(OFF_LEVEL * level, 5 * u_v)
    share = float(sums.n[near].sum()) / total
    squares = np.maximum(0.0, sums.vv - 2 * slope * sums.iv + slope * slope * sums.ii) / sums.n
    once = max(OFF_LEVEL_ONCE * level, 5 * u_v, 6 * float(np.sqrt(np.median(squares[near]))) if near.any() else 0.0)
    ends = intercept + slope * np.stack((sums.i_low, sums.i_high))
    inside = (sums.v_low >= ends.min(axis=0) - once) & (sums.v_high <= ends.max(axis=0) + once)
    return ~(near & inside), share


def _line(sums: Sums, u_v: float) -> tuple[float, float, float] | None:
    """(level, intercept, slope) of the line with most of the time near it; None when the voltage is nothing anywhere."""
    tried = np.unique(np.linspace(0, len(sums) - 1, TRIED).round().astype(np.int64))
    extremes = [int(np.argmin(sums.i)), int(np.argmax(sums.i)), int(np.argsort(sums.v)[len(sums) // 2])]
    v, i = sums.v[[*tried, *extremes]], sums.i[[*tried, *extremes]]
    range_a = float(np.ptp(sums.i))
    pairs = np.array(list(itertools.combinations(range(len(v)), 2)))
    one, two = pairs[:, 0], pairs[:, 1]
    wide = np.abs(i[two] - i[one]) > 0.1 * range_a
    slope = np.concatenate((np.zeros(len(v)), (v[two] - v[one])[wide] / (i[two] - i[one])[wide]))
    intercept = np.concatenate((v, v[one][wide] - slope[len(v) :] * i[one][wide]))
    at_low, at_high = (intercept + slope * edge for edge in (float(sums.i.min()), float(sums.i.max())))
    level = np.abs(at_low)
    change = np.sign(at_low) * (at_high - at_low)
    fits = (level > 5 * u_v) & (change >= -FALL * level) & (change <= RISE * level)
    if not fits.any():
        return None
    level, intercept, slope = level[fits], intercept[fits], slope[fits]
    some = slice(None, None, -(-len(sums) // VOTING))
    off = np.abs(sums.v[some] - intercept[:, None] - slope[:, None] * sums.i[some])
    best = int(np.argmax((off <= np.maximum(OFF_LEVEL * level, 5 * u_v)[:, None]) @ sums.n[some]))
    return float(level[best]), float(intercept[best]), float(slope[best])


def left_out_text(seconds: Mapping[str, float]) -> str:
    """``left out, since the output was not regulated: input off 40 s, supply trip 12 s``, the longest first; empty when nothing was."""
    parts = [f"{reason.replace('_', ' ')} {_duration(s)}" for reason, s in sorted(seconds.items(), key=lambda item: -item[1])]
    return f"left out, since the output was not regulated: {', '.join(parts)}" if parts else ""


def _duration(seconds: float) -> str:
    return f"{seconds:.3g} s" if seconds < 600 else f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.1f} h"
