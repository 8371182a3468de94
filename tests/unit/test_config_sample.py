"""The sample configuration is valid for this release, loads with its profiles, fits its buses, and mentions every setting there is."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

from pydantic import BaseModel

from loadlog.config import Config, parse_config
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
    """A setting that the sample does not mention, as a key or in a comment, is undocumented."""
    text = SAMPLE.read_text(encoding="utf-8")
    for mark in "[].{}=,:\"'`":
        text = text.replace(mark, " ")
    assert _keys(Config) - set(text.split()) == set()


def test_defaults_named_in_the_sample_are_the_defaults() -> None:
    """With every optional key of the store and the page taken out, the configuration is the same."""
    text = SAMPLE.read_text(encoding="utf-8")
    with_keys = parse_config(text, "s")
    data = tomllib.loads(text)
    del data["store"], data["web"]
    without = Config.model_validate(data)
    assert with_keys.store == without.store
    assert with_keys.web == without.web


def _keys(model: type[BaseModel]) -> set[str]:
    found = set(model.model_fields)
    for field in model.model_fields.values():
        for inner in _models(field.annotation):
            found |= _keys(inner)
    return found


def _models(annotation: object) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [m for a in getattr(annotation, "__args__", ()) for m in _models(a)]
