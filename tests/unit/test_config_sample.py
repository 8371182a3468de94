"""The sample configuration is valid for this release, loads with its profiles, fits its buses, and mentions every setting there is."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import get_args

from loadlog.config import Config, Section, parse_config
from loadlog.loading import load_bench

SAMPLE = Path(__file__).parents[2] / "config" / "bench.toml"


def test_the_sample_loads_and_its_rates_fit() -> None:
    bench = load_bench(SAMPLE)
    assert set(bench.devices) == {"load-1", "case", "meter"}
    assert bench.devices["load-1"].limits["voltage_v"].low == 23.5
    assert all(budget.share < 0.95 for budget in bench.budgets())


def test_notices_as_the_sample_shows_them_are_a_valid_configuration_with_the_named_defaults() -> None:
    """The section is commented out; with the comment signs gone it must parse, and what is called a default must be one."""
    text = SAMPLE.read_text(encoding="utf-8")
    section = text[text.index("# [notify]") :]
    config = parse_config(text + "\n" + "\n".join(line.removeprefix("# ") for line in section.splitlines()), "s").notify
    assert config is not None
    assert [target.name for target in config.targets] == ["default", "phone"]
    for key, said in re.findall(r"^# (\w+) = .*# optional, (\w+):", section, re.M):
        fields = type(config.target[0] if key in ("quiet", "digest") else config).model_fields
        assert str(fields[key].default).lower().removesuffix(".0") == said.lower(), key


def test_every_setting_is_in_it() -> None:
    """A setting that its own section of the sample does not mention, as a key or in a comment, is undocumented."""
    said = _words_by_section(SAMPLE.read_text(encoding="utf-8"))
    assert set(said) == set(Config.model_fields)
    for section, field in Config.model_fields.items():
        for model in sections_inside(field.annotation):
            assert set(model.model_fields) - said[section] == set(), f"{section}: {model.__name__}"


def _words_by_section(text: str) -> dict[str, set[str]]:
    """The words below each ``[section]`` or ``[[section]]`` and its tables, down to the next one or to a rule."""
    said: dict[str, set[str]] = {}
    section = ""
    for line in text.splitlines():
        if header := re.match(r"(?:# )?\[+(\w+)", line):
            section = header[1]
        elif line.startswith("# ---"):
            section = ""
        if section:
            said.setdefault(section, set()).update(re.findall(r"\w+", line))
    return said


def test_defaults_named_in_the_sample_are_the_defaults() -> None:
    """With every optional key of the store and the page taken out, the configuration is the same."""
    text = SAMPLE.read_text(encoding="utf-8")
    with_keys = parse_config(text, "s")
    data = tomllib.loads(text)
    del data["store"], data["web"]
    without = Config.model_validate(data)
    assert with_keys.store == without.store
    assert with_keys.web == without.web


def sections_inside(annotation: object) -> Iterator[type[Section]]:
    """The tables that an annotation names, and those inside them."""
    if isinstance(annotation, type) and issubclass(annotation, Section):
        yield annotation
        for field in annotation.model_fields.values():
            yield from sections_inside(field.annotation)
    for argument in get_args(annotation):
        yield from sections_inside(argument)
