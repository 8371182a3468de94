"""The power fails at any moment, also in the middle of sealing: nothing acknowledged is lost, every file opens."""

from __future__ import annotations

import random
import shutil
import time
from pathlib import Path

import pytest

from loadlog.model.errors import StoreError
from loadlog.store import Archive
from loadlog.store.verify import verify
from tests.crash import power
from tests.crash.held_numbers import numbers_in
from tests.unit.store.recorded import HandClock, OpenJournal

MOMENTS = 60  # three states each


@pytest.fixture(scope="module")
def acts(tmp_path_factory: pytest.TempPathFactory) -> list[power.Act]:
    if shutil.which("cc") is None:
        pytest.skip("needs a C compiler")
    folder = tmp_path_factory.mktemp("power")
    directory = folder / "data"
    directory.mkdir()
    return power.record(power.build(folder), directory, folder / "log", 60, 7, 0, 0.001, 60)


def restore(files: dict[str, bytes], place: Path) -> None:
    """The directory as it is found when the power is back; the shared memory of a WAL does not outlive it."""
    shutil.rmtree(place, ignore_errors=True)
    (place / "recordings").mkdir(parents=True)
    for name, content in files.items():
        path = place / Path(name.partition("/data/")[2])
        if not name.endswith("-shm"):
            path.write_bytes(content)


@pytest.mark.server
@pytest.mark.timeout(300)
def test_nothing_acknowledged_is_lost_and_no_file_is_unreadable(acts: list[power.Act], tmp_path: Path) -> None:
    seed = random.SystemRandom().randrange(10_000)
    states = sealed = torn = 0
    for moment, variant, files, acknowledged in power.cuts(acts, MOMENTS, random.Random(seed)):
        where = f"seed {seed}, act {moment}, {variant}"
        place = tmp_path / "disk"
        restore(files, place)
        with OpenJournal(place, HandClock(time.time_ns())) as opened:
            assert not [t for t in opened.troubles if "damaged" in t.message], where
            assert opened.journal.last_seq >= acknowledged, where
        assert Archive(place).damaged == {}, where
        lost = set(range(1, acknowledged + 1)) - numbers_in(place)
        assert not lost, f"{where}: {len(lost)} of {acknowledged} acknowledged numbers are lost, from {min(lost)}"
        state = verify(place)
        assert state.sound, (where, [f.message for f in state.findings if not f.sound])
        states, torn = states + 1, torn + (variant == "torn")
        sealed += any(b"LdLB" in content for content in files.values())
    assert states >= 150
    assert sealed > 30, "sealing was under way in too few states to say anything"


def test_the_replay_finds_a_recorder_that_does_not_sync(acts: list[power.Act], tmp_path: Path) -> None:
    """The check can fail: without what SQLite synced, acknowledged numbers are lost or files broken."""
    careless = [act for act in acts if act.kind != "S" or not act.names[0].endswith("-wal")]
    found = 0
    for _, variant, files, acknowledged in power.cuts(careless, 10, random.Random(1)):
        if variant == "all":
            continue
        restore(files, tmp_path / "disk")
        try:
            found += bool(set(range(1, acknowledged + 1)) - numbers_in(tmp_path / "disk"))
        except (StoreError, AssertionError, Exception):
            found += 1
    assert found > 5
