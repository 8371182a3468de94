"""The deployment guide: its blocks are complete shell, and the clean root runs every one of them."""

from __future__ import annotations

import re
import subprocess

import pytest

from tests.deploy.document import GUIDE, ROOT, blocks
from tests.deploy.sizing import STATED, table

STEPS = blocks(GUIDE.read_text(encoding="utf-8"))


@pytest.mark.parametrize("heading", STEPS)
def test_a_block_is_shell(heading: str) -> None:
    done = subprocess.run(["sh", "-n"], input=STEPS[heading], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("script", ["deploy/install.sh", "tests/deploy/in_the_booted.sh"])
def test_a_script_is_shell(script: str) -> None:
    done = subprocess.run(["sh", "-n", ROOT / script], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_the_clean_root_runs_every_block() -> None:
    code = (ROOT / "tests/deploy/clean_root.py").read_text(encoding="utf-8")
    assert re.findall(r'self\._step\("([^"]+)"\)', code) == list(STEPS)


def test_files_that_are_installed_exist() -> None:
    script = (ROOT / "deploy/install.sh").read_text(encoding="utf-8").replace("$kind", "recorder")
    named = set(re.findall(r"deploy/[\w.-]+", script))
    assert len(named) >= 5
    for name in named:
        assert (ROOT / name).exists(), name


def test_the_table_of_sizes_follows_from_what_was_measured() -> None:
    guide = GUIDE.read_text(encoding="utf-8")
    assert table(STATED) in guide, "python -m tests.deploy.sizing"
    assert f"{STATED.sample_bytes:g} B a sample" in guide
    assert f"{STATED.recorder.sample_us / 1000:g} ms a sample" in guide


def test_a_larger_bench_costs_more() -> None:
    """The table's arithmetic, by hand for one row: 8 loads at 10 Hz for 3 days."""
    row = next(line for line in table(STATED).splitlines() if line.startswith("| 8 | 10 Hz | 3 |"))
    share = 80 * (830e-6 + 2e-6) + 1.9e-3 + 1.5e-3
    assert row.split(" | ")[3:] == ["20.7 million", f"{20.736e6 * 4.4 / 1e6:.0f} MB", f"{100 * share:.1f} % |"]


def test_the_configure_step_sets_the_data_directory() -> None:
    """The substitution of the guide must find its line in the sample configuration."""
    (expression,) = re.findall(r"^sed -i '([^']+)'", STEPS["Configure"], re.M)
    sample = (ROOT / "config/bench.toml").read_text(encoding="utf-8")
    done = subprocess.run(["sed", expression], input=sample, capture_output=True, text=True, check=True)
    assert re.search(r'^data_dir = "/var/lib/loadlog"', done.stdout, re.M)
