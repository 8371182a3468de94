"""What looking back costs: review of a long run, replay, export, each beside the plain thing.

    python -m tests.bench.review report|replay|export DIRECTORY

Processor time throughout: it says the same on a busy machine. The report's process is the command itself, imports and all.
"""

from __future__ import annotations

import csv
import json
import os
import random
import statistics
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any
from unittest import mock

from loadlog.detectors import COMPILED
from loadlog.model.event import Event, EventState, Onset, Severity
from loadlog.pipeline import Pipeline
from loadlog.store import Archive
from loadlog.store.encoder import encode_group
from loadlog.store.rows import event_row
from loadlog.store.sealing import Sealed
from loadlog.store.writer import Batch, Birth, Recording
from tests.bench.figures import Figure
from tests.bench.programs import BenchError, python
from tests.bench.store_data import NS, RUN, SPECS, T0, rows, snapshot
from tests.checklists.traces import T0_NS, Bench, Load, load_spec, meter_spec
from tests.compiled.build import CompileError, environment
from tests.compiled.build import build as build_package
from tests.events.cost import loop_ns
from tests.one_load import one_load
from tests.unit.store.recorded import HandClock, OpenJournal
from tests.unit.store.recorded import snapshot as snapshot_of

Say = Callable[[str], None]
EVENTS = 24


def review(folder: Path, hours: float, replay_minutes: float, export_hours: float, say: Say) -> list[Figure]:
    """All of them."""
    say(f"review: a run of {hours:g} h, eight loads at 10 Hz, {EVENTS} events")
    build(folder / "review", hours, EVENTS)
    found = python("review", "report", folder / "review", seconds=900)
    figures = report_figures(found, round(hours * 36_000) * 8)
    say(f"replay: two loads at 10 Hz for {replay_minutes:g} minutes")
    build(folder / "replay", replay_minutes / 60, 0, loads=2)
    play(folder / "replay-full", replay_minutes / 4)
    compiled = with_compiled(folder / "compiled", say)
    figures += replays("that report mode, set-point and protections, in a group", folder / "replay-full", compiled, least=30_000)
    figures += replays("that report V, I, P, T alone", folder / "replay", compiled)
    say(f"export: {round(export_hours * 36_000) * 8} samples")
    build(folder / "export", export_hours, 0)
    return figures + export_figures(python("review", "export", folder / "export", seconds=900))


def with_compiled(folder: Path, say: Say) -> dict[str, str]:
    """The environment of a process with compiled detectors, which are built in ``folder``.

    Raises:
        BenchError: they cannot be.
    """
    say("compiling the detectors")
    try:
        return environment(build_package(folder))
    except CompileError as exc:
        raise BenchError(f"the detectors cannot be compiled: {exc}") from exc


def replays(loads: str, data: Path, compiled: dict[str, str], least: float | None = None) -> list[Figure]:
    """With compiled detectors, of which ``least`` is asked, and in Python, one after the other."""
    made, plain = (python("review", "replay", data, seconds=900, environment=env) for env in (compiled, None))
    assert (made["compiled"], plain["compiled"]) == (True, False)
    return replay_figures(f"{loads}; compiled detectors", made, least) + replay_figures(f"{loads}; in Python", plain)


def build(data: Path, hours: float, events: int, loads: int = 8) -> None:
    """A run as the recorder leaves it, with trips here and there, and the configuration that finds it."""
    specs = dict(list(SPECS.items())[:loads])
    path = data / "recordings" / f"run-{RUN.id}.sqlite"
    path.parent.mkdir(parents=True)
    run = replace(RUN, devices=tuple(specs))
    recording = Recording.create(path, Birth(run, 1, tuple(specs.values()), snapshot(), T0, 0, 0))
    polls = round(hours * 36_000)
    for first in range(0, polls, 600):
        recording.write(Batch(samples=rows(first, min(600, polls - first), loads=loads)))
        while (group := recording.due()) is not None:
            answer = encode_group(group.path, group.after, group.upto, group.rolled)
            recording.seal(Sealed(group, answer["sealed"], answer["rollup"]))
    last_seq = polls * loads
    told = [_event(k + 1, last_seq + k + 1, T0 + round((k + 1) / (events + 1) * hours * 3600) * NS, specs) for k in range(events)]
    recording.write(Batch(events=[event_row(e, carried=False) for e in told]))
    recording.finish(T0 + round(hours * 3600) * NS, "done")
    text = one_load(name="bench", data_dir=data, profile=Path(__file__).with_name("device.toml"), rate_hz=10.0)
    (data / "bench.toml").write_text(text, encoding="utf-8")


def play(data: Path, minutes: float) -> None:
    """Two full-featured loads and a meter on one source, played through the live pipeline; the level of one changes every ten seconds."""
    bench = Bench(
        random.Random(1), loads=[Load(load_spec("load-1"), level=4.0), Load(load_spec("load-2"), level=2.0)], meters=[meter_spec()]
    )
    for k in range(round(minutes * 6)):
        bench.at(20.02 + 10 * k, lambda level=4.0 + k % 2: setattr(bench.loads[0], "level", level))  # type: ignore[misc]
    specs = {spec.name: spec for spec in bench.specs}
    run = replace(RUN, devices=tuple(specs), started_utc_ns=T0_NS)
    data.mkdir(parents=True)
    with OpenJournal(data, specs=specs, clock=HandClock(T0_NS)) as opened:
        journal = opened.journal
        pipeline = Pipeline(bench.specs, next_seq=1, next_event_id=1, run_of=journal.run_of)
        journal.start_run(run, snapshot_of(specs))
        journal.put_circumstance(pipeline.begin(run.devices, T0_NS, "run"))
        for number, item in enumerate(bench.run(minutes * 60), 1):
            sample, events = pipeline.feed(item)
            journal.put_sample(sample)
            journal.put_events(events)
            if number % 1000 == 0:
                opened.flush()
        journal.stop_run(run.id, T0_NS + round(minutes * 60) * NS, "done")
        opened.flush()


def _event(id_: int, seq: int, t_ns: int, specs: dict[str, Any]) -> Event:
    device = list(specs)[id_ % len(specs)]
    return Event(
        id=id_, seq=seq, kind="supply_trip", key="", device=device, group=None, run=RUN.id, severity=Severity.ALARM,
        state=EventState.CLEARED, onset=Onset(t_ns - NS // 10, t_ns), detected_utc_ns=t_ns, cleared_utc_ns=t_ns + 5 * NS,
        message="supply trip", confidence=0.98, alternatives={"open_circuit": 0.02}, evidence={"fell_to_v": 0.0},
    )  # fmt: skip


# -- in a process of their own


def command(data: Path, *arguments: object) -> dict[str, float]:
    """Processor time, wall time and memory of a whole `loadlog` command."""
    begun = time.perf_counter()
    words = [sys.executable, "-m", "loadlog", *map(str, arguments), "--config", str(data / "bench.toml")]
    pid = os.posix_spawn(sys.executable, words, os.environ, file_actions=[(os.POSIX_SPAWN_OPEN, 1, os.devnull, os.O_WRONLY, 0)])
    _, status, used = os.wait4(pid, 0)
    assert os.waitstatus_to_exitcode(status) == 0, words
    return {"cpu_s": used.ru_utime + used.ru_stime, "wall_s": time.perf_counter() - begun, "mib": used.ru_maxrss / 1024}


def spent(work: Callable[[], object]) -> float:
    """Processor time, s."""
    begun = time.process_time()
    work()
    return time.process_time() - begun


def report(data: Path) -> dict[str, Any]:
    """First answer, whole report, windows, and a plain scan of all columns."""
    from loadlog.review.postmortem import window_around

    archive = Archive(data)
    first = [command(data, "review", "last") for _ in range(3)]
    html = command(data, "review", "last", "--html", data / "report.html")
    specs = list(archive.devices(RUN.id).values())
    windows = [spent(lambda e=event: window_around(archive, RUN.id, specs, e)) for event in archive.events(run=RUN.id)]  # type: ignore[misc]

    def scan() -> None:
        for name in SPECS:
            for part in archive.arrays_by_parts(name, RUN.id):
                for values in part.values.values():
                    values.sum()

    return {
        "first_s": statistics.median(f["cpu_s"] for f in first), "first_wall_s": statistics.median(f["wall_s"] for f in first),
        "report_s": html["cpu_s"], "report_wall_s": html["wall_s"], "report_mib": html["mib"], "scan_s": spent(scan),
        "window_s": max(windows), "window_median_s": statistics.median(windows), "bytes": (data / "report.html").stat().st_size,
    }  # fmt: skip


def report_figures(found: dict[str, Any], samples: int) -> list[Figure]:
    """With their bounds, which are for 20 million samples."""
    scan = f"plain scan of every column {found['scan_s']:.1f} s"
    what = f"{samples / 1e6:.1f} M samples"
    return [
        Figure(f"review in the terminal, {what}", found["first_s"], "s", most=2.0, beside=f"wall {found['first_wall_s']:.2f} s; {scan}"),
        Figure("the same, share of a plain scan", found["first_s"] / found["scan_s"], beside="from minutes and events alone"),
        Figure(f"whole report as HTML, {what}", found["report_s"], "s", most=20.0,
               beside=f"wall {found['report_wall_s']:.1f} s; {found['bytes'] / 1e6:.1f} MB"),
        Figure("the same, against a plain scan", found["report_s"] / found["scan_s"], beside=scan),
        Figure("memory of the report", found["report_mib"], "MiB", most=500),
        Figure("a window of one minute, slowest", found["window_s"] * 1e3, "ms", most=50,
               beside=f"median {found['window_median_s'] * 1e3:.1f} ms, every channel and sample"),
    ]  # fmt: skip


def replaying(data: Path) -> dict[str, Any]:
    """The whole replay, the same without detectors, one pass over the rows, in turns."""
    from loadlog.review.replay import replay_run

    archive = Archive(data)
    run = archive.run("last")
    count = sum(archive.polls(name, run.id)[0] for name in run.devices)

    def plain() -> None:
        for name in run.devices:
            for _ in archive.rows(name, run=run.id):
                pass

    def bare() -> None:
        with mock.patch("loadlog.pipeline.detectors_for", return_value=[]):
            replay_run(archive, run.id)

    turns = [(spent(plain), spent(bare), spent(lambda: replay_run(archive, run.id)), loop_ns()) for _ in range(3)]
    rows_s, bare_s, whole_s, reference_ns = (statistics.median(column) for column in zip(*turns, strict=True))
    assert not replay_run(archive, run.id).missing
    return {"compiled": COMPILED, "samples": count, "rows_s": rows_s, "bare_s": bare_s, "whole_s": whole_s, "loop_ns": reference_ns}


def replay_figures(loads: str, found: dict[str, Any], least: float | None = None) -> list[Figure]:
    """With their bounds."""
    count = found["samples"]
    rows_us, bare_us, whole_us = (found[f"{name}_s"] / count * 1e6 for name in ("rows", "bare", "whole"))
    beside = f"{whole_us:.1f} µs a sample: rows {rows_us:.1f}, to samples {bare_us - rows_us:.1f}, detectors {whole_us - bare_us:.1f}"
    beside += f"; an iteration of the reference loop (`tests.events.cost`) {found['loop_ns']:.0f} ns"
    return [
        Figure(f"replay of loads {loads}", count / found["whole_s"], "1/s", least=least, beside=beside),
        Figure("the same, against one pass over the rows", whole_us / rows_us, beside=f"{count} samples; all detectors, one core"),
        Figure("share of it outside of the detectors", bare_us / whole_us),
    ]


def exporting(data: Path) -> dict[str, Any]:
    """Ours from the recording to the file; the plain library from the same values in memory."""
    import pyarrow.parquet as pq

    from loadlog.store.export_csv import export_csv
    from loadlog.store.export_parquet import export_parquet

    archive = Archive(data)
    parquet, table_file, again = data / "run.parquet", data / "run.csv", data / "again"
    ours_parquet = spent(lambda: export_parquet(archive, parquet, run=RUN.id))
    table = pq.read_table(parquet)
    plain_parquet = spent(lambda: pq.write_table(table, again, compression="zstd"))

    def to_csv() -> None:
        with table_file.open("w", encoding="utf-8", newline="") as file:
            export_csv(archive, file, run=RUN.id)

    ours_csv = spent(to_csv)
    with table_file.open(encoding="utf-8", newline="") as file:
        lines = [[_typed(cell) for cell in row] for row in csv.reader(file)]

    def plainly() -> None:
        with again.open("w", encoding="utf-8", newline="") as file:
            csv.writer(file).writerows(lines)

    plain_csv = spent(plainly)
    return {"samples": table.num_rows, "parquet": [ours_parquet, plain_parquet], "csv": [ours_csv, plain_csv]}


def _typed(cell: str) -> str | int | float:
    for kind in (int, float):
        try:
            return kind(cell)
        except ValueError:
            continue
    return cell


def export_figures(found: dict[str, Any]) -> list[Figure]:
    """With their bounds."""
    out = []
    for form, plain in (("parquet", "pyarrow"), ("csv", "the csv module")):
        ours_s, plain_s = found[form]
        beside = f"{ours_s:.1f} s and {plain_s:.1f} s for {found['samples']} samples, reading of the recording included"
        out.append(Figure(f"export as {form}, against {plain} on the same values", ours_s / plain_s, most=2.0, beside=beside))
    return out


if __name__ == "__main__":
    work = {"report": report, "replay": replaying, "export": exporting}[sys.argv[1]]
    print(json.dumps(work(Path(sys.argv[2]))))
