"""A recorder in small, to be killed: writes samples, events, notes and runs as fast as it may, and says which number is durable.

    python recorder_child.py DIRECTORY SEED [SHARE PAUSE_S [SEAL_ROWS]]

``SHARE`` of the samples carry the channel ``energy_wh`` too; ``PAUSE_S`` between polls; ``SEAL_ROWS``: so few rows are sealed at a time.
Each line of standard output is an acknowledged number, written after its commit returned.
"""

from __future__ import annotations

import os
import random
import sys
import time
from pathlib import Path

from loadlog.config import StoreConfig
from loadlog.model.event import EventState
from loadlog.model.sample import Sample
from loadlog.store import Journal, sealing, writer
from tests.unit.store.recorded import SPECS, event, failed, run_info, sample, snapshot


class RealClock:
    """The system's clocks."""

    def monotonic_ns(self) -> int:
        return time.monotonic_ns()

    def utc_ns(self) -> int:
        return time.time_ns()

    def sleep_until(self, monotonic_ns: int) -> None:
        time.sleep(max(0.0, (monotonic_ns - time.monotonic_ns()) / 1e9))


def main() -> None:
    """Runs until it is killed."""
    directory, chance = Path(sys.argv[1]), random.Random(int(sys.argv[2]))
    share, pause_s = (float(text) for text in sys.argv[3:5] or ("0", "0.0005"))
    if len(sys.argv) > 5:
        sealing.SEAL_ROWS, writer.SPAN_ROWS = int(sys.argv[5]), 50
    settings = StoreConfig(commit_interval_s=0.05, reserve_mib=0, low_mib=0)
    journal = Journal.open(
        directory, RealClock(), settings, devices=SPECS, snapshot=snapshot, on_commit=lambda seq: os.write(1, b"%d\n" % seq) and None
    )  # fmt: skip
    os.write(1, b"opened %d %d\n" % (journal.last_seq, journal.last_event_id))
    journal.start()
    event_id = journal.last_event_id
    while True:
        for device in SPECS:
            t_utc_ns = time.time_ns()
            journal.put_sample(failed(0, device, t_utc_ns=t_utc_ns) if chance.random() < 0.05 else _read(device, t_utc_ns, chance, share))
        if chance.random() < 0.05:
            event_id += 1
            journal.put_events([event(event_id, 0), event(event_id, 0, state=EventState.CLEARED)])
        if chance.random() < 0.02:
            _order(journal, chance)
        time.sleep(pause_s)


def _read(device: str, t_utc_ns: int, chance: random.Random, share: float) -> Sample:
    if not share:
        return sample(0, device, t_utc_ns)
    counts = {"voltage_v": 24000 + chance.randrange(1000), "current_a": 50000 + chance.randrange(1000), "input_on": 1}
    if chance.random() < share:
        counts["energy_wh"] = chance.randrange(10, 1000)
    return sample(0, device, t_utc_ns, counts)


def _order(journal: Journal, chance: random.Random) -> None:
    if journal.running and chance.random() < 0.7:
        journal.stop_run(chance.choice(journal.running).id, time.time_ns(), "done")
        return
    idle = [device for device in SPECS if journal.run_of(device) is None]
    if idle:
        journal.start_run(run_info(journal.next_run_id("soak"), (chance.choice(idle),)), snapshot())


if __name__ == "__main__":
    main()
