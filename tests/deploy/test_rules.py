"""The udev rules: `udevadm verify` where it has that (systemd 254 and later), and a parser of udev(7)'s grammar everywhere."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.deploy.document import ROOT

RULES = ROOT / "deploy" / "70-loadlog-serial.rules"
# udev(7): keys that are compared, keys that are assigned; {attribute} after some.
_COMPARED = {"ACTION", "SUBSYSTEM", "SUBSYSTEMS", "DRIVER", "DRIVERS", "ENV", "TEST", "KERNEL", "ATTRS"}
_ASSIGNED = {"GROUP", "MODE", "SYMLINK", "ENV", "ATTR", "GOTO", "LABEL"}
_ITEM = re.compile(r'\s*([A-Z_]+)(?:\{([\w.]+)\})?\s*(==|!=|\+=|=)\s*"([^"]*)"\s*(?:,|$)')


def parse(line: str) -> list[tuple[str, str, str, str]]:
    """(key, attribute, operator, value) of one rule; AssertionError where udev would pass over it."""
    found, at = [], 0
    while at < len(line):
        item = _ITEM.match(line, at)
        assert item, f"not a rule at column {at + 1}: {line}"
        key, attribute, operator, value = item.group(1), item.group(2) or "", item.group(3), item.group(4)
        assert key in (_COMPARED if operator in ("==", "!=") else _ASSIGNED), f"{key} {operator}: {line}"
        found.append((key, attribute, operator, value))
        at = item.end()
    return found


def rules(text: str) -> list[list[tuple[str, str, str, str]]]:
    return [parse(line) for line in text.splitlines() if line and not line.startswith("#")]


def examples(text: str) -> str:
    """The rules with the lines to copy put in force."""
    return re.sub(r"^#(?=SUBSYSTEM)", "", text, flags=re.M)


def test_rules_say_what_the_guide_says() -> None:
    found = rules(RULES.read_text(encoding="utf-8"))
    latency = next(rule for rule in found if ("ATTR", "latency_timer", "=", "1") in rule)
    assert ("SUBSYSTEM", "", "==", "usb-serial") in latency
    assert next(v for k, _, _, v in latency if k == "ACTION").split("|") == ["add", "bind"], "the timer is not there before bind"
    assert any(("GROUP", "", "=", "dialout") in rule and ("MODE", "", "=", "0660") in rule for rule in found)
    assert any(("ENV", "ID_MM_PORT_IGNORE", "=", "1") in rule for rule in found)


def test_examples_are_rules_and_every_goto_has_its_label() -> None:
    found = rules(examples(RULES.read_text(encoding="utf-8")))
    names = [value for rule in found for key, _, operator, value in rule if key == "SYMLINK" and operator == "+="]
    assert names == ["bench/rack", "bench/meter"]
    items = [item for rule in found for item in rule]
    assert {v for k, _, _, v in items if k == "GOTO"} == {v for k, _, _, v in items if k == "LABEL"}


def test_properties_are_set_before_the_rules_are_read() -> None:
    """Files are read in the order of their names: ID_ properties come from 60-serial.rules, modem software reads its mark from 77- on."""
    assert "60-serial.rules" < RULES.name < "77-mm"


@pytest.mark.parametrize("wrong", ['SUBSYSTEM=="tty" GROUP="dialout"', 'SUBSYSTEM="tty"', 'GROUPS="dialout"', 'MODE="0660'])
def test_the_parser_sees_faults(wrong: str) -> None:
    with pytest.raises(AssertionError):
        parse(wrong)


def test_udevadm_finds_no_fault(tmp_path: Path) -> None:
    udevadm = shutil.which("udevadm") or "/usr/bin/udevadm"
    if (
        not Path(udevadm).exists()
        or "verify" not in subprocess.run([udevadm, "--help"], capture_output=True, text=True, check=False).stdout
    ):
        pytest.skip("no udevadm with verify here (systemd 254 and later); clean_root.py runs it in a newer Debian")
    path = tmp_path / RULES.name
    path.write_text(examples(RULES.read_text(encoding="utf-8")))
    done = subprocess.run([udevadm, "verify", "--resolve-names=never", str(path)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
