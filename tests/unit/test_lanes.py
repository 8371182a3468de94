"""What runs beside everything else must not notice: tests that only compute start no process, open no port and ask no clock."""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests import lanes

ROOT = Path(lanes.__file__).parents[1]
TIED = {"subprocess", "socket", "threading", "asyncio", "concurrent", "signal", "playwright", "psutil"}
CLOCKS = {"sleep", "monotonic", "perf_counter"}


def modules() -> Iterator[Path]:
    for place in lanes.COMPUTED:
        found = [ROOT / place] if place.endswith(".py") else sorted((ROOT / place).rglob("test_*.py"))
        assert found, f"{place} holds no test"
        yield from found


@pytest.mark.parametrize("path", list(modules()), ids=lambda p: p.stem)
def test_a_module_that_only_computes_is_tied_to_nothing(path: Path) -> None:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import | ast.ImportFrom):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else [node.module or ""]
            assert not {name.split(".")[0] for name in names} & TIED, path
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "time":
            assert node.attr not in CLOCKS, f"{path}: time.{node.attr}"


def test_every_place_is_in_one_lane() -> None:
    places = [*lanes.COMPUTED, *lanes.PATIENT]
    assert all((ROOT / place).exists() for place in places)
    assert not [(a, b) for a in places for b in places if a != b and Path(a).is_relative_to(b)]
    left_out = [word.removeprefix("--ignore=") for word in lanes.timed() if word.startswith("--ignore=")]
    assert sorted(left_out) == sorted(places) == sorted(word for word in lanes.untimed() if word.startswith("tests/"))


@pytest.mark.parametrize(("beside", "timed", "status"), [(0, 0, 0), (1, 0, 1), (0, 2, 2), (1, 2, 2)])
def test_either_lane_fails_the_whole_and_both_are_told(
    beside: int, timed: int, status: int, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    def saying(word: str, ends_with: int) -> list[str]:
        return [sys.executable, "-c", f"import sys; print({word!r}); sys.exit({ends_with})"]

    monkeypatch.setattr(lanes, "untimed", lambda: saying("beside", beside))
    monkeypatch.setattr(lanes, "timed", lambda: saying("timed", timed))
    assert lanes.main([]) == status
    said = capfd.readouterr().out
    assert said.index("timed") < said.index("what is not timed:") < said.index("beside")
