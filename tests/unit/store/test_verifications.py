"""Accuracy points on disk: appended, durable, a damaged line costs only itself."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from loadlog.model.errors import StoreError
from loadlog.store import verifications


def test_append_and_read(tmp_path: Path) -> None:
    assert verifications.read(tmp_path) == ([], [])
    verifications.append(tmp_path / "new", [{"a": 1}, {"b": "µ"}])
    verifications.append(tmp_path / "new", [{"c": 2.5}])
    assert verifications.read(tmp_path / "new") == ([{"a": 1}, {"b": "µ"}, {"c": 2.5}], [])


def test_a_cut_off_line_costs_only_itself(tmp_path: Path) -> None:
    path = verifications.append(tmp_path, [{"a": 1}, {"b": 2}])
    path.write_bytes(path.read_bytes()[:-4])
    verifications.append(tmp_path, [{"c": 3}])
    points, damaged = verifications.read(tmp_path)
    assert points == [{"a": 1}, {"c": 3}]
    assert len(damaged) == 1
    assert "line 2 is damaged" in damaged[0]


def test_what_is_no_object_or_no_text(tmp_path: Path) -> None:
    (tmp_path / verifications.NAME).write_bytes(b'[1]\n\xff\xfe\n\n{"a": 1}\n"x"\n')
    points, damaged = verifications.read(tmp_path)
    assert points == [{"a": 1}]
    assert len(damaged) == 3


def test_two_writers_at_once_lose_nothing(tmp_path: Path) -> None:
    code = (
        "import sys, pathlib\nfrom loadlog.store import verifications\n"
        "for i in range(40): verifications.append(pathlib.Path(sys.argv[1]), [{'n': i}] * 5)"
    )
    running = [subprocess.Popen([sys.executable, "-c", code, str(tmp_path)]) for _ in range(2)]
    assert [p.wait(60) for p in running] == [0, 0]
    points, damaged = verifications.read(tmp_path)
    assert (len(points), damaged) == (400, [])


def test_a_file_in_the_way_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "data").write_text("in the way")
    with pytest.raises(StoreError, match=r"accuracy\.jsonl: cannot be written"):
        verifications.append(tmp_path / "data", [{"a": 1}])


def test_full_disk_leaves_no_half_line(tmp_path: Path) -> None:
    path = verifications.append(tmp_path, [{"a": 1}])
    code = (
        "import resource, pathlib, sys, signal\nfrom loadlog.store import verifications\nfrom loadlog.model.errors import StoreError\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\nresource.setrlimit(resource.RLIMIT_FSIZE, (50, 50))\n"
        "try: verifications.append(pathlib.Path(sys.argv[1]), [{'long': 'x' * 200}])\nexcept StoreError as exc: print(exc)"
    )
    done = subprocess.run([sys.executable, "-c", code, str(tmp_path)], capture_output=True, text=True, check=True)
    assert "cannot be written" in done.stdout
    assert path.read_text() == '{"a": 1}\n'
