"""One measurement of the store in a process of its own; the last line of output is JSON.

python -m tests.bench.store_child cpu|commits|backup|month ...
"""

from __future__ import annotations

import json
import os
import resource
import shutil
import signal
import statistics
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

from loadlog.config import StoreConfig
from loadlog.model.clock import NS
from loadlog.model.sample import Sample
from loadlog.process.priority import keep_to_own_processor
from loadlog.store.journal import Journal
from loadlog.store.writer import Batch
from tests.bench.store import RECORD, create, sample_of
from tests.bench.store_data import RUN, SPECS, T0, rows, snapshot

ROWS = 80
EVERY_S = 0.05  # between commits; the recorder makes four a second while somebody looks, but a 99th percentile takes many
PAUSE = "pause"  # readers wait while there is such a file in their folder
SETTLE_S = 0.5  # until they have seen it


class VirtualClock:
    """Moved by hand; the writing thread sleeps by the system's clock, between turns only."""

    def __init__(self) -> None:
        self.now_ns = 0

    def monotonic_ns(self) -> int:
        return self.now_ns

    def utc_ns(self) -> int:
        return T0 + self.now_ns

    def sleep_until(self, monotonic_ns: int) -> None:
        time.sleep(0)


def open_journal(folder: Path, clock: VirtualClock) -> Journal:
    """With everything as it comes, but for the reserve."""
    folder.mkdir(parents=True, exist_ok=True)
    journal = Journal.open(folder, clock, StoreConfig(reserve_mib=0, low_mib=0), devices=SPECS, snapshot=snapshot)
    journal.start()
    return journal


def sealed(folder: Path) -> int:
    """Rows in bodies."""
    import sqlite3

    (path,) = (folder / "recordings").glob("run-*.sqlite")
    with sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True) as db:
        return int(db.execute("SELECT coalesce(sum(rows), 0) FROM sealed").fetchone()[0])


def seals(journal: Journal) -> bool:
    """Whether a group is being encoded, or is due."""
    keeper = journal._keeper
    return keeper._compaction._sealer.busy or any(s.recording is not None and s.recording.due() is not None for s in keeper.streams)


def cpu(folder: Path, count: int) -> dict[str, Any]:
    """Journal (the caller's part and the writing thread) and helper; the raw append of the same samples in turns with it."""
    clock = VirtualClock()
    journal = open_journal(folder, clock)
    journal.start_run(RUN, snapshot())
    journal.flush().result(60)
    writing = time.pthread_getcpuclockid(journal._thread.ident or 0)
    begun_writing = time.clock_gettime(writing)
    ours = used = 0.0
    raw_file = os.open(folder / "raw", os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    for first in range(0, count // 8, 1000):
        made = rows(first, min(1000, count // 8 - first))
        for start in range(0, len(made), ROWS):  # a second's samples at a time, as they come
            samples = [sample_of(device, row) for device, row in made[start : start + ROWS]]
            clock.now_ns = samples[0].stamp.t_utc_ns - T0
            begun = time.thread_time()
            for sample in samples:
                journal.put_sample(sample)
            ours += time.thread_time() - begun
            journal.flush().result(60)
            begun = time.thread_time()
            os.write(raw_file, b"".join(map(raw_record, samples)))
            os.fdatasync(raw_file)
            used += time.thread_time() - begun
    deadline = time.monotonic() + 20
    while seals(journal) and time.monotonic() < deadline:  # the helper is nice: let it end its last group, whose cost is counted
        time.sleep(0.2)
        journal.flush().result(60)
    ours += time.clock_gettime(writing) - begun_writing
    done = sealed(folder)
    journal.close()
    helper = resource.getrusage(resource.RUSAGE_CHILDREN)
    helper_s = max(0.0, helper.ru_utime + helper.ru_stime - start_of_helper_s())
    helper_us = helper_s / max(done, 1) * 1e6
    return {"store_us": ours / count * 1e6 + helper_us, "helper_us": helper_us, "raw_us": used / count * 1e6, "sealed": done}


def start_of_helper_s() -> float:
    """What a helper that has nothing to do uses: it is started once, not once a sample."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, "-m", "loadlog.store.encoder"], stdin=subprocess.DEVNULL, check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def raw_record(sample: Sample) -> bytes:
    """A fixed record of a sample."""
    stamp, get = sample.stamp, sample.counts.get
    return RECORD.pack(
        sample.seq, stamp.t_utc_ns, stamp.half_width_ns, round(stamp.lateness_s * 1e9), 1, sample.quality, get("voltage_v") or 0,
        get("current_a") or 0, get("power_w") or 0, get("temperature_c") or 0, get("energy_wh") or 0, get("input_on") or 0,
    )  # fmt: skip


def commits(folder: Path, turns: int, seconds: float, readers: int) -> dict[str, Any]:
    """A commit of 80 rows every `EVERY_S`, as the writing thread makes them: in every second turn so many readers read what comes, in the
    others they wait (not stopped by a signal, which might come while they hold the WAL back), so that both sides have the same disk, file
    and minutes."""
    recording = create(folder / "recordings" / f"run-{RUN.id}.sqlite")
    recording.write(Batch(samples=rows(0, 6000)))
    command = [sys.executable, "-m", "tests.bench.store_child", "reader", str(folder)]
    others = [subprocess.Popen(command, stdout=subprocess.PIPE) for _ in range(readers)]
    try:
        for other in others:
            assert other.stdout is not None
            other.stdout.readline()  # it reads, and everything it needs is loaded
        keep_to_own_processor()  # not before the readers are started: they would inherit it
        pause = folder / PAUSE
        took: tuple[list[float], list[float]] = ([], [])
        step = 0
        for turn in range(2 * turns):
            if turn % 2:
                pause.unlink()
            else:
                pause.touch()
            time.sleep(SETTLE_S)
            for _ in range(round(seconds / EVERY_S)):
                batch = rows(6000 + step * ROWS // 8, ROWS // 8)
                step += 1
                begun = time.perf_counter()
                recording.write(Batch(samples=batch))
                took[turn % 2].append(1e3 * (time.perf_counter() - begun))
                recording.checkpoints.make_when_due()
                time.sleep(EVERY_S)
    finally:
        for other in others:
            other.send_signal(signal.SIGKILL)
            other.wait()
    recording.close()
    return {"alone_ms": took[0], "beside_ms": took[1]}


def reader(folder: Path) -> dict[str, Any]:
    """A page that is looked at: new samples five times a second, a plot once a second, and as nice as the viewer; until it is killed."""
    from loadlog.process.priority import give_way
    from loadlog.store import Archive

    give_way()
    archive = Archive(folder)
    follower = archive.follow()
    turn = 0
    archive.series("load-1", ["voltage_v"], T0, T0 + 60 * NS, 1000)
    print("ready", flush=True)
    while True:
        while (folder / PAUSE).exists():
            time.sleep(0.2)
        newest = follower.poll()
        turn += 1
        if turn % 5 == 0 and newest:
            now_ns = newest[-1].sample.stamp.t_utc_ns
            archive.series("load-1", ["voltage_v"], now_ns - 600 * NS, now_ns, 1000)
        time.sleep(0.2)


def backup(data: Path, copies: Path, turns: int) -> dict[str, Any]:
    """Lateness of wake-ups every 5 ms while samples are recorded beside: by turns a while without, and while another process makes a
    backup."""
    copies.mkdir(parents=True)
    clock = VirtualClock()
    journal = open_journal(copies / "live", clock)
    batches = [[sample_of(device, row) for device, row in rows(i, 1)] for i in range(60 * turns)]
    late: list[float] = []
    stop = threading.Event()

    def wake() -> None:
        due = time.perf_counter()
        while not stop.is_set():
            due += 0.005
            time.sleep(max(0.0, due - time.perf_counter()))
            late.append(time.perf_counter() - due)

    def record() -> None:
        for batch in batches:
            for sample in batch:
                journal.put_sample(sample)
            if stop.wait(0.1):
                return

    threads = [threading.Thread(target=wake), threading.Thread(target=record)]
    for thread in threads:
        thread.start()
    code = (  # what `loadlog store backup` does, without a configuration
        "import sys; from pathlib import Path; from loadlog.process.priority import give_way; from loadlog.store.backup import backup; "
        "give_way(); print(backup(Path(sys.argv[1]), Path(sys.argv[2])).seconds)"
    )
    without: list[float] = []
    during: list[float] = []
    took = []
    try:
        for turn in range(turns):
            target = copies / f"copy-{turn}"
            time.sleep(0.5)  # what the last backup left behind
            first = len(late)
            time.sleep(1.0)
            without += late[first:]
            first = len(late)
            done = subprocess.run([sys.executable, "-c", code, str(data), str(target)], check=True, capture_output=True, text=True)
            during += late[first:]
            took.append(float(done.stdout))
            size = sum(path.stat().st_size for path in target.rglob("*.sqlite"))
            shutil.rmtree(target)
    finally:
        stop.set()
        for thread in threads:
            thread.join()
        journal.close()
    without_us, during_us = statistics.median(without) * 1e6, statistics.median(during) * 1e6
    return {
        "backup_s": statistics.median(took), "size_mb": size / 1e6, "without_us": without_us, "during_us": during_us,
        "lateness_ratio": during_us / without_us,
    }  # fmt: skip


def month(folder: Path, days: int) -> dict[str, Any]:
    """Virtual days of eight loads, one reading each every ten seconds: rolling recordings, sealed and closed day by day."""
    clock = VirtualClock()
    journal = open_journal(folder, clock)
    resident = []
    for day in range(days):
        for first in range(day * 8640, (day + 1) * 8640, 6):  # a minute at a time
            samples = [sample_of(device, row) for device, row in rows(first, 6, 10 * NS)]
            clock.now_ns = samples[0].stamp.t_utc_ns - T0
            for sample in samples:
                journal.put_sample(sample)
            journal.flush().result(60)
            while journal._keeper._compaction._sealer.busy:  # in real time the helper has an hour for this
                time.sleep(0.002)
                journal.flush().result(60)
        resident.append(resident_mib("self"))
    helper_mb = max((resident_mib(pid) for pid in children()), default=0.0)
    journal.close()
    return {"first_mb": resident[0], "last_mb": resident[-1], "helper_mb": helper_mb}


def resident_mib(pid: str) -> float:
    """Resident memory of a process, MiB."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) / 1024
    return 0.0


def children() -> list[str]:
    """Process ids of the children of this process."""
    return Path(f"/proc/self/task/{os.getpid()}/children").read_text().split()


def main() -> None:
    """See the module."""
    what, *rest = sys.argv[1:]
    work: dict[str, Any] = {
        "cpu": lambda: cpu(Path(rest[0]), int(rest[1])),
        "commits": lambda: commits(Path(rest[0]), int(rest[1]), float(rest[2]), int(rest[3])),
        "reader": lambda: reader(Path(rest[0])),
        "backup": lambda: backup(Path(rest[0]), Path(rest[1]), int(rest[2])),
        "month": lambda: month(Path(rest[0]), int(rest[1])),
    }
    print(json.dumps(work[what]()))


if __name__ == "__main__":
    main()
