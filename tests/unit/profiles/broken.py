"""What is said of a profile in which something is wrong."""

from __future__ import annotations

from loadlog.model.errors import ConfigError
from loadlog.profiles import load_profile


def message(text: str) -> str:
    """Of the error; empty where there is none."""
    try:
        load_profile(text, "p.toml")
    except ConfigError as exc:
        return str(exc)
    return ""


def check(base: str, old: str, new: str, expected: str) -> None:
    """One line that holds ``expected`` once ``old`` is ``new``; none where nothing is expected."""
    assert old in base
    said = message(base.replace(old, new, 1))
    assert "\n" not in said
    if expected:
        assert expected in said
    else:
        assert said == ""


def each_line_broken(base: str) -> None:
    """Each line of a good profile taken out, or broken in the middle, gives a profile or one line: never another exception."""
    lines = base.splitlines()
    for index in range(len(lines)):
        for put in ([], [lines[index][: len(lines[index]) // 2]], [lines[index].replace("=", "= [") + "]"]):
            assert "\n" not in message("\n".join([*lines[:index], *put, *lines[index + 1 :]]))
