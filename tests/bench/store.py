"""The store's figures, each beside a raw file of fixed records, or the same thing without what is measured."""

from __future__ import annotations

import os
import random
import statistics
import struct
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from loadlog.model.sample import FailureCause, Quality, Sample, Stamp
from loadlog.store import Archive
from loadlog.store.encoder import encode_group
from loadlog.store.sealing import Sealed
from loadlog.store.writer import Batch, Birth, Recording
from tests.bench.figures import Figure
from tests.bench.programs import python
from tests.bench.store_crash import crashes
from tests.bench.store_data import NS, RAW_BYTES, RUN, SPECS, T0, rows, snapshot

Say = Callable[[str], None]
ROWS = 80  # of one commit: eight loads at 10 Hz, every second
RECORD = struct.Struct("<qqiiHBx6q")
assert RECORD.size == RAW_BYTES


@dataclass(frozen=True)
class StorePlan:
    """How much: hours of the long run, commits measured, repetitions, days of the long memory run."""

    hours: float = 72.0
    commits: int = 600
    rounds: int = 5
    spans: int = 40
    reader_turns: int = 10
    reader_s: float = 12.0
    backups: int = 20
    month_days: int = 30
    cpu_samples: int = 200_000
    kills: int = 100


QUICK = StorePlan(
    hours=2.0, commits=150, rounds=3, spans=15, reader_turns=2, reader_s=5.0, backups=3, month_days=3, cpu_samples=160_000, kills=10
)


def store(folder: Path, plan: StorePlan, say: Say) -> list[Figure]:
    """All of them."""
    say("store: durable commits beside raw appends")
    figures = commits(folder, plan)
    say(f"store: processor time of {plan.cpu_samples} samples, to the sealed block")
    figures += processor(folder, plan)
    say(f"store: a run of {plan.hours:g} h, eight loads at 10 Hz")
    data = folder / "long"
    path = build(data, plan.hours)
    figures += size(path, plan)
    figures += reading(data, plan)
    say("store: thirty days of one load")
    figures += month(folder / "month")
    say("store: commits with four readers")
    figures += readers(folder, plan)
    say("store: live backup")
    figures += backup(data, folder, plan)
    say(f"store: memory over {plan.month_days} days of virtual time")
    figures += memory(folder, plan)
    figures += crashes(plan.kills, say)
    return figures


# -- writing


def commits(folder: Path, plan: StorePlan) -> list[Figure]:
    """Rate of durable commits of 80 rows, as a share of raw appends of the same rows with fdatasync; in turns on one machine."""
    ratios = []
    numbers = iter(range(1_000_000))
    for _ in range(plan.rounds):
        first = next(numbers) * plan.commits * ROWS // 8
        batches = [rows(first + i * ROWS // 8, ROWS // 8) for i in range(plan.commits)]
        recording = create(folder / f"commit-{first}.sqlite")
        raw = os.open(folder / f"commit-{first}.raw", os.O_WRONLY | os.O_CREAT | os.O_APPEND)
        spent = [0.0, 0.0]
        for batch in batches:
            begun = time.perf_counter()
            os.write(raw, b"".join(record(row) for _, row in batch))
            os.fdatasync(raw)
            between = time.perf_counter()
            recording.write(Batch(samples=batch))
            spent[0] += between - begun
            spent[1] += time.perf_counter() - between
        os.close(raw)
        recording.close()
        ratios.append(spent[0] / spent[1])
    beside = f"raw append of 80 records with fdatasync; {', '.join(f'{r:.2f}' for r in ratios)}"
    return [Figure("durable commits of 80 rows, share of raw", statistics.median(ratios), least=0.6, beside=beside)]


def record(row: tuple[object, ...]) -> bytes:
    """A fixed record."""
    seq, t, half, late, quality, _, _, _, *counts = row
    return RECORD.pack(seq, t, half, late, 1, quality, *(count or 0 for count in counts))


def create(path: Path) -> Recording:
    """A recording of the eight loads."""
    path.parent.mkdir(parents=True, exist_ok=True)
    return Recording.create(path, Birth(RUN, 1, tuple(SPECS.values()), snapshot(), T0, 0, 0))


def sample_of(device: str, row: tuple[object, ...]) -> Sample:
    """The poll as validation hands it on."""
    seq, t, half, late, quality, failure, held, _, *counts = row
    stamp = Stamp(t, half, 0, late / NS)  # type: ignore[arg-type, operator]
    if failure is not None:
        return Sample(seq, device, stamp, Quality.BAD, {}, {}, {}, failure=FailureCause(failure), detail="no reply within 0.05 s")  # type: ignore[arg-type]
    names = [channel.name for channel in SPECS[device].channels]
    channels = SPECS[device].channels
    kept = HELD if held else NOTHING
    values = {c.name: c.scale.value(n) for c, n in zip(channels, counts, strict=True) if c.kind == "number"}  # type: ignore[arg-type]
    read = {name: count for name, count in zip(names, counts, strict=True) if name not in kept}
    return Sample(seq, device, stamp, Quality(quality), read, values, {"input_on": 1}, held=kept)  # type: ignore[arg-type]


HELD, NOTHING = frozenset({"temperature_c", "input_on"}), frozenset[str]()


def processor(folder: Path, plan: StorePlan) -> list[Figure]:
    """CPU of recorder and helper together, from the validated sample to the sealed block, and of a raw append of the same samples."""
    figures = []
    pairs = [python("store_child", "cpu", folder / f"cpu-{i}", plan.cpu_samples, seconds=600) for i in range(plan.rounds)]
    ours, raw = [p["store_us"] for p in pairs], [p["raw_us"] for p in pairs]
    beside = f"{pairs[-1]['sealed']} of {plan.cpu_samples} sealed; helper {statistics.median(p['helper_us'] for p in pairs):.1f} µs of it"
    figures.append(Figure("CPU a sample, decoded reading to sealed block", statistics.median(ours), "µs", most=12.0, beside=beside))
    ratio = statistics.median(a / b for a, b in zip(ours, raw, strict=True))
    figures.append(Figure("the same, against raw append", ratio, most=4.0, beside=f"raw {statistics.median(raw):.1f} µs"))
    return figures


def build(data: Path, hours: float) -> Path:
    """The long run as the recorder leaves it, sealed by the helper's code in this process."""
    path = data / "recordings" / f"run-{RUN.id}.sqlite"
    recording = create(path)
    polls = round(hours * 36_000)
    for first in range(0, polls, 600):
        recording.write(Batch(samples=rows(first, min(600, polls - first))))
        while (group := recording.due()) is not None:
            answer = encode_group(group.path, group.after, group.upto, group.rolled)
            assert recording.seal(Sealed(group, answer["sealed"], answer["rollup"]))
    recording.finish(T0 + round(hours * 3600) * NS, "done")
    return path


def size(path: Path, plan: StorePlan) -> list[Figure]:
    """Everything in the file, over the samples; the last minutes are not sealed, which weighs on a short run."""
    samples = round(plan.hours * 36_000) * 8
    per_sample = path.stat().st_size / samples
    beside = f"{path.stat().st_size / 1e6:.1f} MB, {samples / 1e6:.2f} M samples"
    long = plan.hours >= 72
    return [
        Figure(f"bytes a sample, {plan.hours:g} h all in", per_sample, "B", most=5.0 if long else None, beside=beside),
        Figure("raw bytes over bytes", RAW_BYTES / per_sample, least=15.0 if long else None, beside=f"raw record {RAW_BYTES} B"),
    ]


# -- reading


def timed(work: Callable[[], object], times: int = 3) -> float:
    """The middle one of some tries, s."""
    found = []
    for _ in range(times):
        begun = time.perf_counter()
        work()
        found.append(time.perf_counter() - begun)
    return statistics.median(found)


def reading(data: Path, plan: StorePlan) -> list[Figure]:
    """Overview, any span, zoom."""
    archive = Archive(data)
    end = T0 + round(plan.hours * 3600) * NS
    overview = timed(lambda: [archive.series(device, ["voltage_v"], T0, end, 2000) for device in SPECS], 5)
    scan = timed(lambda: [walk(archive, device, T0, end) for device in SPECS], 1)
    chance = random.Random(5)
    worst, slowest = 0.0, ""
    for _ in range(plan.spans):
        long_ns = round(10 ** chance.uniform(0, 5.41) * NS)
        long_ns = min(long_ns, end - T0)
        from_ns = chance.randrange(T0, end - long_ns + 1)
        device = chance.choice(list(SPECS))
        took = timed(lambda d=device, f=from_ns, n=long_ns: archive.series(d, ["voltage_v"], f, f + n, 2000))  # type: ignore[misc]
        if took > worst:
            worst, slowest = took, f"slowest: {long_ns / NS:.0f} s of one load's voltage, at most 2,000 buckets"
    zooms = []
    for _ in range(plan.spans):
        from_ns = chance.randrange(T0, end - 60 * NS)
        zooms.append(timed(lambda f=from_ns: archive.series("load-3", ["voltage_v"], f, f + 60 * NS, 2000)))  # type: ignore[misc]
    return [
        Figure("overview against scan of the rows", scan / overview, least=200 if plan.hours >= 72 else None,
               beside=f"{overview * 1e3:.1f} ms and {scan:.2f} s, one channel of eight loads"),
        Figure("any span, slowest of many", worst * 1e3, "ms", most=50, beside=slowest),
        Figure("one-minute zoom", statistics.median(zooms) * 1e3, "ms", most=10, beside=f"slowest {max(zooms) * 1e3:.1f} ms, every sample"),
    ]  # fmt: skip


def walk(archive: Archive, device: str, from_ns: int, to_ns: int) -> float:
    """Minimum of a channel over all rows: what an overview without minutes would have to do."""
    lowest = 1 << 62
    for _, row in archive.rows(device, from_ns, to_ns):
        count = row.counts[0]
        if count is not None and int(count) < lowest:
            lowest = int(count)
    return lowest


def month(data: Path) -> list[Figure]:
    """Thirty recordings of a day each: three channels of one load, a reading every ten seconds."""
    for day in range(30):
        path = data / "recordings" / f"rolling-2027{day:02d}T000000Z.sqlite"
        path.parent.mkdir(parents=True, exist_ok=True)
        recording = Recording.create(path, Birth(None, 1, (SPECS["load-1"],), snapshot(), T0 + day * 86_400 * NS, day * 8640, 0))
        recording.write(Batch(samples=rows(day * 8640, 8640, 10 * NS, loads=1)))
        recording.finish(T0 + (day + 1) * 86_400 * NS)
    archive = Archive(data)
    names = ["voltage_v", "current_a", "power_w"]
    archive.series("load-1", names, T0, T0 + 30 * 86_400 * NS, 2000)
    took = timed(lambda: archive.series("load-1", names, T0, T0 + 30 * 86_400 * NS, 2000), 5)
    return [Figure("30 days, three channels", took * 1e3, "ms", most=150, beside="30 recordings, 2,000 buckets")]


# -- beside others


def readers(folder: Path, plan: StorePlan) -> list[Figure]:
    """A commit of 80 rows twenty times a second into a recording that four processes read as a page does, and that nobody reads: by short
    turns, all the commits of a side together, since the 99th percentile of a few seconds is one hiccup of the disk more or less."""
    found = python("store_child", "commits", folder / "read", plan.reader_turns, plan.reader_s, 4, seconds=900)
    alone, beside = (statistics.quantiles(found[side], n=100)[98] for side in ("alone_ms", "beside_ms"))
    words = f"p99 {alone:.2f} ms alone, {beside:.2f} ms with four; {len(found['alone_ms'])} commits each"
    return [Figure("commit p99 with four readers, against none", beside / alone, most=1.5, beside=words)]


def backup(data: Path, folder: Path, plan: StorePlan) -> list[Figure]:
    """Copies of the long run while another is written, and how late a thread of the recorder wakes meanwhile."""
    result = python("store_child", "backup", data, folder / "copies", plan.backups, seconds=300)
    return [
        Figure("live backup of the long run", result["backup_s"], "s", most=2.0, beside=f"{result['size_mb']:.1f} MB"),
        Figure(
            "lateness of the recorder during backup, against before", result["lateness_ratio"], most=1.05,
            beside=f"median of wake-ups every 5 ms, {plan.backups} turns; {result['without_us']:.0f} and {result['during_us']:.0f} µs",
        ),
    ]  # fmt: skip


def memory(folder: Path, plan: StorePlan) -> list[Figure]:
    """Resident memory of recorder and helper after the first day and at the end."""
    result = python("store_child", "month", folder / "virtual", plan.month_days, seconds=3000)
    days = f"{result['first_mb']:.1f} MiB after a day, {result['last_mb']:.1f} MiB after {plan.month_days}"
    beside = f"{days}; helper {result['helper_mb']:.1f} MiB"
    return [Figure("growth of memory after the first day", result["last_mb"] - result["first_mb"], "MiB", most=5.0, beside=beside)]
