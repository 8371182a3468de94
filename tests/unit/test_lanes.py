"""What runs beside everything else must not notice: the lane that computes starts no process, opens no port and asks no clock."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests import lanes

ROOT = Path(lanes.__file__).parents[1]
TIED = {"subprocess", "socket", "threading", "asyncio", "concurrent", "signal", "playwright", "psutil"}
CLOCKS = {"sleep", "monotonic", "perf_counter"}


def modules() -> Iterator[Path]:
    for place in lanes.COMPUTED:
        found = sorted((ROOT / place).rglob("test_*.py"))
        assert found, f"{place} holds no test"
        yield from found


@pytest.mark.parametrize("path", list(modules()), ids=lambda p: p.stem)
def test_a_module_of_the_computing_lane_is_tied_to_nothing(path: Path) -> None:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import | ast.ImportFrom):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else [node.module or ""]
            assert not {name.split(".")[0] for name in names} & TIED, path
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "time":
            assert node.attr not in CLOCKS, f"{path}: time.{node.attr}"


def test_every_place_is_in_one_lane() -> None:
    assert sorted(set(lanes.COMPUTED)) == sorted(lanes.COMPUTED)
    left_out = {word.removeprefix("--ignore=") for word in lanes.met() if word.startswith("--ignore=")}
    assert left_out == set(lanes.COMPUTED) == {word for word in lanes.computed() if word.startswith("tests/")}
