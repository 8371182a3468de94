"""A configured device joined with its profile, and the profiles that come with the package."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from loadlog.config import DeviceConfig
from loadlog.model.device import LimitSpec
from loadlog.model.errors import ConfigError
from loadlog.model.quantity import Accuracy, unit_of
from loadlog.model.serial_form import device_from_json, device_to_json
from loadlog.model.wire import LinkTraits
from loadlog.profiles import device_spec, link_traits, load_profile, remarks_on, shipped, shipped_names

CONFIG = Path(__file__).parents[3] / "config"
LOAD = load_profile(shipped("simulated-load"), "shipped:simulated-load")
MODULE = load_profile(shipped("simulated-thermocouples"), "shipped:simulated-thermocouples")


def _device(**more: object) -> DeviceConfig:
    return DeviceConfig.model_validate({"name": "load-1", "role": "load", "bus": "rack", "unit_id": 1, "profile": "p", **more})


def test_spec_holds_what_configuration_and_profile_say() -> None:
    spec = device_spec(
        _device(rate_hz=10, sense="remote", path_resistance_ohm=0.012, group="g", limits={"voltage": {"low": 23.5, "on_delay": 0.5}}), LOAD
    )
    assert (spec.name, spec.role, spec.bus, spec.period_s, spec.sense, spec.path_resistance_ohm, spec.group) == (
        "load-1", "load", "rack", 0.1, "remote", 0.012, "g",
    )  # fmt: skip
    assert spec.limits == {"voltage_v": LimitSpec(low=23.5, on_delay_s=0.5)}
    assert spec.profile_hash == hashlib.sha256(shipped("simulated-load").encode()).hexdigest()
    assert spec.identity == {"model": "19505"}
    assert device_from_json(device_to_json(spec)) == spec


def test_channels_of_the_simulated_load_have_the_accuracy_of_its_manual() -> None:
    """Manual: voltage ±(0.05 % + 10 counts of 1 mV), current ±(0.1 % + 10 counts of 1 mA), power ±(0.2 % + 10 of 10 mW), ±2 °C."""
    accuracy = {c.name: c.accuracy for c in LOAD.channels}
    assert accuracy["voltage_v"] == Accuracy(0.05, 0.01)
    assert accuracy["current_a"] == Accuracy(0.1, 0.01)
    assert accuracy["power_w"] == Accuracy(0.2, 0.1)
    assert accuracy["temperature_c"] == Accuracy(0.0, 2.0)
    assert {c.name: c.high for c in LOAD.channels if c.name in LOAD.ratings} == {
        "voltage_v": 150.0, "current_a": 40.0, "power_w": 400.0, "temperature_c": 85.0,
    }  # fmt: skip
    assert {c.name: unit_of(c.name) == c.unit for c in LOAD.channels if c.kind == "number"} == {
        n: True for n in ("voltage_v", "current_a", "power_w", "temperature_c", "fan_rpm", "setpoint", "charge_ah", "energy_wh")
    }


def test_percent_of_range_and_rating_as_range() -> None:
    text = """
name = "m"
protocol = "modbus"
roles = ["meter"]
[[channel]]
name = "voltage_v"
address = 0
type = "u16"
scale = 0.01
range = [-10, 60]
accuracy = { percent_of_reading = 0.1, percent_of_range = 0.05, counts = 2, absolute = 0.001 }
[[channel]]
name = "current_a"
address = 1
type = "u16"
[ratings]
current_a = 5
"""
    voltage, current = load_profile(text, "p").channels
    assert voltage.accuracy == Accuracy(0.1, pytest.approx(0.03 + 0.02 + 0.001))  # type: ignore[arg-type]
    assert (voltage.low, voltage.high) == (-10.0, 60.0)
    assert (current.low, current.high) == (None, 5.0)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"role": "supply"}, "b.toml: device[load-1].role: profile simulated-load is for load, not supply"),
        (
            {"limits": {"voltge": {"low": 1}}},
            "b.toml: device[load-1].limits.voltge: profile simulated-load has no such channel (nearest known: voltage)",
        ),
        ({"limits": {"a\nb": {"low": 1}}}, r"b.toml: device[load-1].limits.'a\nb': profile simulated-load has no such channel"),
        ({"limits": {"mode": {"low": 1}}}, "b.toml: device[load-1].limits.mode: a status has no limits"),
        (
            {"limits": {"voltage": {"low": 1}, "voltage_v": {"low": 2}}},
            "b.toml: device[load-1].limits.voltage_v: voltage_v has limits already",
        ),
        (
            {"identity": {"seral": "1"}},
            "b.toml: device[load-1].identity.seral: profile simulated-load has no such identity (nearest known: serial)",
        ),
    ],
)
def test_what_does_not_fit_the_profile(change: dict[str, object], message: str) -> None:
    with pytest.raises(ConfigError) as caught:
        device_spec(_device(**change), LOAD, where="b.toml")
    assert str(caught.value) == message


def test_a_short_name_that_fits_two_channels_is_asked_back() -> None:
    text = 'name = "m"\nprotocol = "modbus"\nroles = ["meter"]\n'
    text += '[[channel]]\nname = "rail_v"\naddress = 0\ntype = "u16"\n[[channel]]\nname = "rail_a"\naddress = 1\ntype = "u16"\n'
    with pytest.raises(ConfigError, match=r"device\[load-1\]\.limits\.rail: may be rail_v or rail_a; write which"):
        device_spec(_device(role="meter", limits={"rail": {"low": 1}}), load_profile(text, "p"))


def test_limits_by_the_short_and_the_full_name() -> None:
    device = _device(role="thermometer", limits={"temperature_1": {"high": 60}, "cold_junction_c": {"high": 50}})
    assert set(device_spec(device, MODULE).limits) == {"temperature_1_c", "cold_junction_c"}


def test_the_configured_identity_goes_before_the_expected_one() -> None:
    spec = device_spec(_device(identity={"model": "1", "serial": "240101"}), LOAD)
    assert spec.identity == {"model": "1", "serial": "240101"}


def test_every_shipped_profile_loads_and_describes_a_simulated_instrument() -> None:
    assert shipped_names() == ("simulated-load", "simulated-scpi-load", "simulated-scpi-meter", "simulated-thermocouples")
    for name in shipped_names():
        profile = load_profile(shipped(name), f"shipped:{name}")
        assert profile.name == name
        assert profile.channels
        assert profile.identity


def test_a_shipped_profile_that_there_is_not() -> None:
    with pytest.raises(
        ConfigError, match=r"there is no shipped profile 'simulated-laod' \(nearest known: simulated-load\); there are simulated-"
    ):
        shipped("simulated-laod")


def test_the_template_loads_and_shows_every_key() -> None:
    """A key that the format knows and the template does not mention is undocumented."""
    from pydantic import BaseModel

    from loadlog.profiles.schema_modbus import ModbusProfile
    from loadlog.profiles.schema_scpi import ScpiProfile

    text = (CONFIG / "profiles" / "template.toml").read_text(encoding="utf-8")
    profile = load_profile(text, "template.toml")
    assert {"voltage_v", "current_a", "setpoint", "mode", "protection"} <= {c.name for c in profile.channels}
    assert (profile.can("input_off"), profile.can("input_on"), profile.can("setpoint")) == (True, True, True)

    def keys(model: type[BaseModel]) -> set[str]:
        found = set(model.model_fields)
        for field in model.model_fields.values():
            found |= {k for m in _models_in(field.annotation) for k in keys(m)}
        return found

    words = set(text.replace("[", " ").replace("]", " ").replace(".", " ").replace("{", " ").replace(",", " ").split())
    assert keys(ModbusProfile) - words == set()
    assert keys(ScpiProfile) - words == set()


def _models_in(annotation: object) -> list[type]:
    from pydantic import BaseModel

    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [m for a in getattr(annotation, "__args__", ()) for m in _models_in(a)]


def test_traits_come_from_timing_and_quirks() -> None:
    text = (CONFIG / "profiles" / "template.toml").read_text(encoding="utf-8").replace("# write_reply_words", "write_reply_words")
    assert link_traits(load_profile(text, "t")) == LinkTraits(0.005, 0.3, 0.01, 0.02, 2, "\n")
    assert link_traits(LOAD).write_reply_words == -1


def test_one_based_register_numbers_are_taken_down_by_one() -> None:
    text = (CONFIG / "profiles" / "template.toml").read_text(encoding="utf-8")
    moved = text.replace("register_numbers_from = 0", "register_numbers_from = 1").replace("address = 0x0000", "address = 0x0100")
    zero, one = load_profile(text, "t").point("voltage_v"), load_profile(moved, "t").point("voltage_v")
    assert zero is not None
    assert one is not None
    assert [str(p) for p in zero.places] == ["holding register 0x0010..0x0011"]
    assert [str(p) for p in one.places] == ["holding register 0x000F..0x0010"]


def test_what_may_be_fixed_and_what_not() -> None:
    spec = device_spec(_device(fixed={"noise_voltage_v": 0.001, "output_resistance_ohm": 0.02}), LOAD)
    assert spec.fixed == {"noise_voltage_v": 0.001, "output_resistance_ohm": 0.02}
    assert device_from_json(device_to_json(spec)) == spec
    wrong: list[tuple[dict[str, float], str]] = [
        ({"noise_voltage": 0.1}, r"device\[load-1\].fixed.noise_voltage: no such fact \(nearest known: noise_voltage_v\)"),
        ({"noise_setpoint": 0.1}, "no such fact"),
        ({"output_resistance": 0.1}, "nearest known: output_resistance_ohm"),
        ({"path_resistance_ohm": 0.1}, r"stands beside name and profile, not under fixed \(set device\[load-1\].path_resistance_ohm"),
        ({"current_share": 1.0}, "a share of the group's current lies between 0 and 1, not 1"),
        ({"output_resistance_ohm": 0.0}, "must be greater than 0"),
        (
            {"thermal_time_constant_fast_s": 300.0, "thermal_time_constant_slow_s": 30.0},
            "thermal_time_constant_fast_s = 300 must be below the slow one = 30",
        ),
    ]
    for fixed, message in wrong:
        with pytest.raises(ConfigError, match=message):
            device_spec(_device(fixed=fixed), LOAD, where="b.toml")


def test_a_cut_off_fits_its_limits() -> None:
    battery = {"source": "battery", "cutoff_v": 27.0, "rated_ah": 10.0}
    with pytest.raises(ConfigError, match=r"device\[load-1\].cutoff_v: 27 V is not below limits.voltage_v.high = 26 V"):
        device_spec(_device(**battery, limits={"voltage": {"high": 26.0}}), LOAD)
    spec = device_spec(_device(**battery, limits={"voltage": {"low": 25.0, "low_low": 20.0}}, path_resistance_ohm=0.01), LOAD)
    assert (spec.source, spec.cutoff_v, spec.rated_ah) == ("battery", 27.0, 10.0)
    assert device_from_json(device_to_json(spec)) == spec
    assert remarks_on(spec) == [
        'device load-1: path_resistance_ohm with sense = "local": no sense lead can fall off; it serves the path\'s heating and dissipation'
        " only",
        "device load-1: limits.voltage_v.low = 25 V lies below cutoff_v = 27 V: the discharge ends before it",
        "device load-1: limits.voltage_v.low_low = 20 V lies below cutoff_v = 27 V: the discharge ends before it",
    ]


def test_a_path_that_takes_half_of_the_voltage_is_asked_about() -> None:
    """The simulated load is rated 150 V and 40 A: 9.5 Ω, meant as 9.5 mΩ, would take 380 V."""
    spec = device_spec(_device(sense="remote", path_resistance_ohm=9.5), LOAD)
    assert remarks_on(spec) == ["device load-1: path_resistance_ohm = 9.5 Ω takes 380 V at the rated 40 A: is it given in mΩ?"]
    assert remarks_on(device_spec(_device(sense="remote", path_resistance_ohm=0.5), LOAD)) == []
