"""deploy/requirements.lock: the runtime's share of the project's lock file, with the same versions and checksums."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

from tests.deploy.document import ROOT

_PIN = re.compile(r"^([a-z0-9._-]+)(?:\[[^\]]*\])?==([^\s;\\]+)", re.I)


def pins(path: Path) -> dict[str, tuple[str, ...]]:
    """Package -> version and sorted checksums."""
    found: dict[str, list[str]] = {}
    name = ""
    for line in path.read_text(encoding="utf-8").splitlines():
        if pin := _PIN.match(line):
            name = pin.group(1).lower()
            found[name] = [pin.group(2)]
        elif "--hash=" in line:
            found[name].append(line.strip(" \\"))
    return {name: (values[0], *sorted(values[1:])) for name, values in found.items()}


def test_versions_and_checksums_are_those_of_the_project() -> None:
    ours, project = pins(ROOT / "deploy/requirements.lock"), pins(ROOT / "requirements.lock")
    assert {name: pin for name, pin in ours.items() if project.get(name) != pin} == {}, "run make lock"
    assert all(len(pin) > 1 for pin in ours.values()), "a package without a checksum"


def test_every_runtime_dependency_is_there_and_no_tool_of_the_tests() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    ours = pins(ROOT / "deploy/requirements.lock")
    wanted = {re.match(r"[\w-]+", line).group(0).lower() for line in project["dependencies"]}  # type: ignore[union-attr]
    assert wanted <= set(ours), "run make lock"
    assert not {"pytest", "mypy", "playwright", "ruff"} & set(ours)
