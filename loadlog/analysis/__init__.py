"""Computations on recorded samples, each with unit, standard uncertainty, number of samples, coverage, or why it cannot be given.

Pure: arrays in, figures out; no disk, clock or chance, so it runs as well in a notebook. Everything streams over chunks; 20 million samples
need no more memory than 50,000.

In a notebook::

    from loadlog.analysis import Charge, Span, chunk_of_arrays
    from loadlog.model.device import ChannelSpec
    from loadlog.model.quantity import Accuracy, Scale

    current = ChannelSpec("current_a", "A", "number", Scale.of("0.001"), 0.001, Accuracy(0.05, 0.005))
    charge = Charge(current, gap_s=2.5)
    charge.add(chunk_of_arrays([0.0, 1.0, 2.0], current_a=[5.0, 5.0, 5.0]))
    charge.figure().text()          # '0.0027778 A·h ± 0.0000024 A·h (k = 2)'

Recorded samples: ``analyse(loadlog.open("last")["load-1"]).figures()`` computes everything about one device; for a run that does not fit
into memory, `DeviceAnalysis` is given ``chunk_of_recorded(part)`` for each of ``archive.arrays_by_parts(device, run)``. `group_figures`
looks at several devices of one source, `judge` holds acceptance limits against figures, `timeline` orders events as far as they can be.
What nothing else here needs, for figures of one's own: `type_a`, `combined`, `effective_degrees`, `coverage_factor` (JCGM 100),
`guarded_risk`, `global_risks` (JCGM 106), `peukert_exponent`, `peukert_hours`.
"""

from loadlog.analysis.battery import Discharge, TwoCurrent, against_rated, peukert_exponent, peukert_hours
from loadlog.analysis.bins import Bins, BinTable, bin_width_s, join
from loadlog.analysis.chunk import Chunk, Column, chunk_of_arrays, chunk_of_recorded, chunks_of_samples, readings
from loadlog.analysis.device import STATISTICS, DeviceAnalysis, analyse, check_limit, check_statistic
from loadlog.analysis.figure import Figure
from loadlog.analysis.group import GroupFigure, group_figures
from loadlog.analysis.health import DataHealth, Health
from loadlog.analysis.integral import Charge, Energy
from loadlog.analysis.moments import ChannelStatistics, Moments
from loadlog.analysis.regression import LeastSquares, LineFit
from loadlog.analysis.regulated import LeftOut
from loadlog.analysis.supply import LoadEffect, drift, temperature_coefficient, warm_up
from loadlog.analysis.timeline import Placed, surely_before, timeline
from loadlog.analysis.uncertainty import combined, coverage_factor, effective_degrees, global_risks, guarded_risk, type_a
from loadlog.analysis.verdict import AcceptanceLimit, Decision, LimitVerdict, RunVerdict, judge, judge_run
from loadlog.analysis.walk import Interval, Span, Walk
from loadlog.analysis.wiring import Measured, efficiency, path_resistance, sharing

__all__ = [
    "STATISTICS",
    "AcceptanceLimit",
    "BinTable",
    "Bins",
    "ChannelStatistics",
    "Charge",
    "Chunk",
    "Column",
    "DataHealth",
    "Decision",
    "DeviceAnalysis",
    "Discharge",
    "Energy",
    "Figure", "GroupFigure",
    "Health",
    "Interval",
    "LeastSquares",
    "LeftOut",
    "LimitVerdict",
    "LineFit",
    "LoadEffect",
    "Measured",
    "Moments",
    "Placed",
    "RunVerdict",
    "Span",
    "TwoCurrent",
    "Walk",
    "against_rated", "analyse",
    "bin_width_s",
    "check_limit",
    "check_statistic",
    "chunk_of_arrays", "chunk_of_recorded",
    "chunks_of_samples",
    "combined", "coverage_factor",
    "drift",
    "effective_degrees", "efficiency", "global_risks", "group_figures", "guarded_risk",
    "join",
    "judge",
    "judge_run",
    "path_resistance", "peukert_exponent", "peukert_hours",
    "readings",
    "sharing",
    "surely_before",
    "temperature_coefficient",
    "timeline", "type_a",
    "warm_up",
]  # fmt: skip
