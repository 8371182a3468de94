"""README and DEVELOPERS stay true: every command exists, every link leads somewhere, every kind, setting and command is documented."""

from __future__ import annotations

import importlib.util
import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from loadlog.cli.main import cli
from loadlog.config import parse_config
from loadlog.model.clock import parse_utc
from loadlog.model.event import KINDS, Event, EventState, Onset, Severity
from loadlog.review.summary import Happened
from loadlog.review.text import _event_lines
from tests.one_load import one_load

ROOT = Path(__file__).resolve().parents[2]
GUIDES = [ROOT / "README.md", ROOT / "DEVELOPERS.md"]
DOCUMENTS = [*GUIDES, ROOT / "deploy" / "README.md", ROOT / "CHANGELOG.md"]
LINK = re.compile(r"\[[^\]]+\]\(([^)#]+)(?:#[^)]*)?\)")
COMMAND = re.compile(r"`((?:loadlog|make|python -m) [^`]+)`")
BLOCK = re.compile(r"^```(\w+)\n(.*?)^```", re.M | re.S)


def blocks(path: Path, language: str) -> list[str]:
    """The fenced blocks in that language."""
    return [text for said, text in BLOCK.findall(path.read_text(encoding="utf-8")) if said == language]


def commands_in(path: Path, program: str) -> list[str]:
    """Every command of ``program`` in running text and in blocks of the shell, once, without its comment."""
    text = path.read_text(encoding="utf-8")
    found = [m.group(1).replace("\n", " ") for m in COMMAND.finditer(BLOCK.sub("", text))]
    found += [line for block in blocks(path, "sh") for line in block.splitlines()]
    found += [line[2:] for block in blocks(path, "text") for line in block.splitlines() if line.startswith("$ ")]
    return list(dict.fromkeys(command.partition("  #")[0].strip() for command in found if command.startswith(f"{program} ")))


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda p: str(p.relative_to(ROOT)))
def test_links_lead_to_files(document: Path) -> None:
    for target in LINK.findall(document.read_text(encoding="utf-8")):
        if "://" not in target:
            assert (document.parent / target).exists(), target


def test_every_line_of_a_shell_block_is_of_a_program_that_is_tried_here() -> None:
    for document in GUIDES:
        lines = [line for block in blocks(document, "sh") for line in block.splitlines() if line]
        assert lines
        assert [line for line in lines if not line.startswith(("loadlog ", "make ", "python -m "))] == []


@pytest.mark.parametrize("command", [c for document in GUIDES for c in commands_in(document, "loadlog")])
def test_a_named_command_exists_with_its_options(command: str) -> None:
    words = [w for w in shlex.split(command.replace("|", " ").replace("\\", " "), comments=True)][1:]
    node = cli
    while words and hasattr(node, "commands") and not words[0].startswith("-") and words[0].islower():
        assert words[0] in node.commands, f"{command}: no command {words[0]}"
        node = node.commands[words.pop(0)]
        if hasattr(node, "commands") and len([w for w in words if w in node.commands]) > 1:
            # `loadlog run start|stop|list`: each alternative
            for word in words:
                assert word in node.commands, f"{command}: no command {word}"
            return
    known = {option for parameter in node.params for option in parameter.opts} | {"--help"}
    for word in words:
        if word.startswith("--"):
            assert word in known, f"{command}: no option {word}"


def test_every_command_is_documented() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    for name in cli.commands:
        assert f"`loadlog {name}" in text, name


def test_every_event_kind_is_documented() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    for kind in KINDS:
        assert f"`{kind}`" in text, kind


def test_what_the_review_looks_like_is_what_it_prints() -> None:
    """Each line of an event in the README, printed again from what it says."""
    (block,) = (text for text in blocks(ROOT / "README.md", "text") if "What happened" in text)
    shown = block.partition("What happened")[2].splitlines()[1:]
    assert len(shown) >= 4
    for line, message in zip(shown[::2], shown[1::2], strict=True):
        begins, _, ends, severity, kind, device, _, until = re.split(r" +", line.strip().replace(" ", "T", 1))
        earliest, latest, cleared = (parse_utc(f"{begins[:11]}{clock}Z") for clock in (begins[11:], ends, until))
        event = Event(
            1, 1, kind, "", device, None, None, Severity(severity), EventState.CLEARED, Onset(earliest, latest), latest, message.strip(),
            cleared_utc_ns=cleared,
        )  # fmt: skip
        assert _event_lines(Happened(event, unordered=False)) == [line, message]


def test_shell_blocks_name_files_that_exist() -> None:
    """Files of this repository that the deployment steps copy."""
    text = (ROOT / "deploy" / "README.md").read_text(encoding="utf-8")
    for name in re.findall(r"(?<![\w/])(?:deploy|config)/[\w./-]+", text):
        assert (ROOT / name).exists(), name


@pytest.mark.parametrize("command", list(dict.fromkeys(c for document in GUIDES for c in commands_in(document, "make"))))
def test_make_has_the_documented_targets(command: str) -> None:
    """And what their ``ARGS`` name as a path is there."""
    words = shlex.split(command)
    done = subprocess.run(["make", "-n", *words[1:]], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    for argument in " ".join(words[2:]).removeprefix("ARGS=").split():
        assert not argument.startswith("tests/") or (ROOT / argument).exists(), argument


def test_every_section_of_the_benchmarks_is_named_and_no_other() -> None:
    from tests.bench.__main__ import SECTIONS

    asked = [shlex.split(command)[-1] for command in commands_in(ROOT / "DEVELOPERS.md", "make") if command.startswith("make bench ARGS=")]
    named = [section for arguments in asked for sections in re.findall(r"--only (\S+)", arguments) for section in sections.split(",")]
    assert sorted(named) == sorted(SECTIONS)


@pytest.mark.parametrize("command", [c for document in GUIDES for c in commands_in(document, "python -m")])
def test_a_named_module_is_there(command: str) -> None:
    assert importlib.util.find_spec(command.split()[2]) is not None


@pytest.mark.parametrize("text", blocks(ROOT / "README.md", "toml"), ids=lambda text: text.split(maxsplit=1)[0])
def test_a_piece_of_configuration_is_accepted(text: str) -> None:
    """As it stands, after a bench with the devices that it names."""
    device = one_load().partition("[[device]]")[2]
    assert "load-1" in device
    config = parse_config(one_load("[[device]]" + device.replace("load-1", "case").replace("= 1\n", "= 2\n") + text), "README.md")
    assert config.plan or config.notify


def test_every_package_of_the_program_has_its_line_in_the_guide() -> None:
    table = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    for path in sorted((ROOT / "loadlog").iterdir()):
        if (path / "__init__.py").exists():
            assert f"`{path.name}/`" in table, path.name


def test_the_command_line_starts_without_the_web_framework() -> None:
    """A look at a run must not wait for what only the viewer needs, and the recorder must not carry it."""
    code = "import sys, loadlog.cli.main; sys.exit('fastapi' in sys.modules or 'rich' in sys.modules or 'pymodbus' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_the_lines_for_a_notebook_run_as_they_stand(tmp_path: Path) -> None:
    from tests.unit.store.recorded import OpenJournal, failed, run_info, sample, snapshot

    block, more = re.findall(r"```python\n(.*?)```", (ROOT / "README.md").read_text(encoding="utf-8"), re.S)
    assert len(block.splitlines()) == len(more.splitlines()) == 3
    (tmp_path / "data").mkdir()
    with OpenJournal(tmp_path / "data") as opened:
        opened.journal.start_run(run_info(), snapshot())
        opened.put(sample(7), failed(10), sample(14))
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run([sys.executable, "-c", block + more], cwd=tmp_path, capture_output=True, text=True, check=False, env=environment)
    assert done.stdout.startswith("2027-01-15T07:00:01.400000000 24.0 V\n"), done.stderr
    assert "voltage_v mean 24.000 V ± 0.020 V (k = 2)\n" in done.stdout
    assert "current_a charge none: no two good samples close enough" in done.stdout
