"""What is told does not hang on how Python's ``sum`` adds floats: it compensates since 3.12 and did not before, and what was recorded by
the one must be the same in a replay by the other. So floats are added by `math.fsum`, which is exact in all versions, or in a loop."""

from __future__ import annotations

import ast
import builtins
import math
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import pytest

import loadlog
from tests.checklists.traces import fresh_random
from tests.compiled import told
from tests.compiled.recorded import record

PACKAGE = Path(loadlog.__file__).parent
JUDGING = sorted([*(PACKAGE / "detectors").glob("*.py"), *(PACKAGE / "validation").glob("*.py"), PACKAGE / "pipeline.py"])
SCENES = ("supply drifts", "fan stops", "sharing parts")


def plain(numbers: Iterable[Any], start: Any = 0) -> Any:
    """As Python adds until 3.11: from left to right."""
    for number in numbers:
        start = start + number
    return start


def compensated(numbers: Iterable[Any], start: Any = 0) -> Any:
    """As Python adds floats since 3.12, by what CPython's source names (A. Neumaier, Z. angew. Math. Mech. 54 (1974) 39)."""
    items = list(numbers)
    if not any(isinstance(item, float) for item in items):
        return plain(items, start)
    total, lost = float(start), 0.0
    for item in items:
        new = total + item
        lost += (total - new) + item if abs(total) >= abs(item) else (item - new) + total
        total = new
    return total + lost if math.isfinite(lost) else total


def adds_floats(source: str) -> list[int]:
    """Lines with a ``sum`` that is not plainly a count, ``sum(1 for ...)``."""
    tree = ast.parse(source)
    counts = {
        id(node.func)
        for node in ast.walk(tree)
        if isinstance(node, ast.Call) and isinstance(node.args[0] if node.args else None, ast.GeneratorExp)
        and isinstance(node.args[0].elt, ast.Constant) and type(node.args[0].elt.value) is int
    }  # fmt: skip
    return [node.lineno for node in ast.walk(tree) if isinstance(node, ast.Name) and node.id == "sum" and id(node) not in counts]


@pytest.mark.parametrize("path", JUDGING, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_floats_are_added_alike_by_every_python(path: Path) -> None:
    assert adds_floats(path.read_text(encoding="utf-8")) == [], "math.fsum is exact in all versions"


def test_the_check_sees_sums() -> None:
    assert adds_floats("a = sum(values)\nb = map(sum, rows)\nc = sum(1 for x in rows)\nd = sum(1.5 for x in rows)\n") == [1, 2, 4]


def test_both_ways_differ() -> None:
    """The measure itself."""
    numbers = [0.1] * 10
    assert plain(numbers) == 0.9999999999999999
    assert compensated(numbers) == 1.0 == math.fsum(numbers)
    assert compensated([[1], [2]], []) == [1, 2]


@pytest.mark.parametrize("scenario", SCENES)
def test_both_ways_of_adding_tell_the_same_bit_for_bit(scenario: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seed, path = fresh_random().randrange(10**9), tmp_path / "recorded.json"
    record(scenario, seed, path)

    def lines(way: Callable[..., Any]) -> list[str]:
        with monkeypatch.context() as patched:
            patched.setattr(builtins, "sum", way)
            return list(told.told(path))

    different = [pair for pair in zip(lines(plain), lines(compensated), strict=True) if pair[0] != pair[1]]
    assert not different, f"{len(different)} lines differ, first:\n{different[0][0]}\nbeside\n{different[0][1]}"
