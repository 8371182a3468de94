"""Scenario files: what is wrong is said in one line with file, key and nearest known one."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from pydantic.fields import FieldInfo

from loadlog.config import Section
from loadlog.model.errors import ConfigError
from loadlog.sim.battery import BatteryForm
from loadlog.sim.conductors import PathForm
from loadlog.sim.faults import FAULTS
from loadlog.sim.run import load_scenario, shipped_scenarios
from loadlog.sim.scenario import (
    BatteryConfig,
    BenchSection,
    HeatsinkConfig,
    LineConfig,
    LoadConfig,
    MeterConfig,
    PathConfig,
    SupplyConfig,
    ThermocouplesConfig,
)
from loadlog.sim.supply import SupplyForm
from loadlog.sim.thermal import HeatsinkForm
from tests.unit.sim.bench_help import ONE_LOAD, scenario
from tests.unit.test_config_sample import sections_inside

README = Path(__file__).parents[3] / "config" / "simulated" / "README.md"
PARTS: dict[str, type[Section]] = {
    "`[bench]`": BenchSection,
    "`[[supply]]`": SupplyConfig,
    "`[[battery]]`": BatteryConfig,
    "`[[load]]`": LoadConfig,
    "`path` of a load": PathConfig,
    "`heatsink` of a load": HeatsinkConfig,
    "`[[thermocouples]]`": ThermocouplesConfig,
    "`[[meter]]`": MeterConfig,
    "`[[line]]`": LineConfig,
}

FAULT = '[[fault]]\nat_s = 1.0\nfault = "{fault}"\ntarget = "{target}"\n{more}'


def _message(text: str = ONE_LOAD, more: str = "") -> str:
    with pytest.raises(ConfigError) as caught:
        scenario(text, more)
    message = str(caught.value)
    assert message.startswith("test.toml: ")
    assert "\n" not in message
    assert caught.value.exit_status == 2
    return message


@pytest.mark.parametrize(
    ("fault", "target", "more", "said"),
    [
        ("sense_led_off", "load", "", ["fault[1]", "sense_led_off", "nearest known: sense_lead_off"]),
        ("sense_lead_off", "laod", "", ["'laod'", "nearest known: load"]),
        ("knob", "psu", "setpoint = 1.0", ["'psu'", "no load of this bench"]),
        ("knob", "load", "", ["setpoint is missing"]),
        ("knob", "load", "set_point = 1.0", ["'set_point'", "nearest known: setpoint"]),
        ("knob", "load", "setpoint = 1.0\nfor_s = 3.0", ["for_s has no meaning"]),
        ("knob", "load", 'setpoint = "much"', ["setpoint must be a number, not 'much'"]),
        ("knob", "load", "setpoint = 1.0\nmode = 'CQ'", ["'CQ'", "CC, CV, CP, CR"]),
        ("supply_trip", "psu", 'form = "latchoff"', ["'latchoff'", "nearest known: latch_off"]),
        ("corrupt_reply", "rack", "share = 1.5", ["share = 1.5 is outside 0 to 1"]),
        ("echo", "load", "", ["'load'", "no line of this bench"]),
        ("adapter_unplugged", "rack", "share = 0.5", ["'share'", "it takes none"]),
    ],
)
def test_faults_are_refused_exactly(fault: str, target: str, more: str, said: list[str]) -> None:
    message = _message(more=FAULT.format(fault=fault, target=target, more=more))
    for part in said:
        assert part in message


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("voltage_v = 24.0", "voltage = 24.0", "nearest known: voltage_v"),
        ('source = "psu"', 'source = "spu"', "nearest known: psu"),
        ('mode = "CC"', 'mode = "XX"', "load[load].mode"),
        ('"psu.case"', '"psu.caes"', "nearest known: psu.case"),
        ('probes = "psu.terminals"', 'probes = "psu"', "there are no terminals 'psu'"),
        ('1 = "load"', '1 = "meter"', "no instrument that speaks MODBUS 'meter'"),
        ('1 = "load"', '300 = "load"', "unit 300 is outside 1 to 247"),
        ('kind = "modbus-rtu"', 'kind = "scpi-tcp"', "takes instrument"),
        ('name = "meter"', 'name = "load"', "'load' is given twice"),
        ("ambient_c = 25.0", "ambient_c = 250.0", "bench.ambient_c"),
        ("[[meter]]", "[[metre]]", "nearest known: meter"),
        ("[bench]", "[bench", "not valid TOML"),
    ],
)
def test_parts_are_refused_exactly(old: str, new: str, said: str) -> None:
    assert old in ONE_LOAD
    assert said in _message(ONE_LOAD.replace(old, new, 1))


def test_every_shipped_scenario_loads() -> None:
    assert {"workshop", "scpi", "night"} <= set(shipped_scenarios())
    for name in shipped_scenarios():
        assert load_scenario(name).bench.name == name


def test_a_missing_file_names_what_the_package_brings(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"no such scenario file .*nearest known: workshop"):
        load_scenario("worksop")
    (tmp_path / "bad.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(ConfigError, match="not UTF-8"):
        load_scenario(tmp_path / "bad.toml")


def test_the_workshop_is_the_demo_it_is_meant_to_be() -> None:
    """The timetable that the brief of the demo names: kinds at their seconds."""
    workshop = load_scenario("workshop")
    when = {entry.fault: entry.at_s for entry in workshop.fault}
    assert when == {
        "sense_lead_off": 12.0,
        "knob": 28.0,
        "silent_unit": 32.0,
        "fan_stop": 40.0,
        "supply_trip": 42.0,
        "corrupt_reply": 52.0,
    }


def test_every_key_of_a_part_is_described_with_its_default() -> None:
    described: dict[str, dict[str, str]] = {}
    part = ""
    for line in README.read_text(encoding="utf-8").partition("## Parts")[2].partition("## Timetable")[0].splitlines():
        cells = [cell.strip() for cell in line.split("|")[1:-1]]
        if len(cells) == 4 and cells[1].startswith("`"):
            part = cells[0] or part
            described.setdefault(part, {})[cells[1].strip("`")] = cells[2]
    assert described == {
        name: {key: _default(field) for key, field in model.model_fields.items() if not [*sections_inside(field.annotation)]}
        for name, model in PARTS.items()
    }


def _default(field: FieldInfo) -> str:
    if field.is_required():
        return "–"
    value = field.get_default(call_default_factory=True)
    if isinstance(value, bool):
        return str(value).lower()
    return f"{value:g}" if isinstance(value, float) else "" if value == {} else str(value)


@pytest.mark.parametrize(
    ("config", "form"),
    [
        (SupplyConfig(name="x"), SupplyForm()),
        (BatteryConfig(name="x"), BatteryForm()),
        (PathConfig(), PathForm()),
        (HeatsinkConfig(), HeatsinkForm()),
    ],
    ids=lambda made: type(made).__name__,
)
def test_a_part_without_keys_is_the_physics_as_it_comes(config: Section, form: object) -> None:
    assert type(form)(**config.model_dump(exclude={"name"})) == form


def test_every_fault_is_described_in_the_readme_of_the_scenarios() -> None:
    """A fault that nobody can read about does not exist for a user."""
    text = README.read_text(encoding="utf-8")
    missing = [name for name in FAULTS if f"`{name}`" not in text]
    assert missing == []
    for kind in FAULTS.values():
        line = next(line for line in text.splitlines() if line.startswith(f"| `{kind.name}`"))
        assert all(f"`{param}" in line for param in kind.params if param != "share"), kind.name


def test_the_example_scenario_loads() -> None:
    folder = Path(__file__).parents[3] / "config" / "simulated"
    for path in folder.glob("*.toml"):
        assert load_scenario(path).bench.name == tomllib.loads(path.read_text(encoding="utf-8"))["bench"]["name"]
