"""The wire budget against the project's measured facts and against a line simulated character by character."""

from __future__ import annotations

import json
import re

import pytest

from loadlog.config import BusConfig, DeviceConfig
from loadlog.model.errors import ConfigError
from loadlog.model.wire import Line, ModbusRead
from loadlog.profiles import Profile, ReadPlan, bus_budget, load_profile, shipped


def _ten_registers(processing_s: float = 0.0) -> Profile:
    text = f'name = "m"\nprotocol = "modbus"\nroles = ["meter"]\n[timing]\nprocessing_s = {processing_s}\n'
    for n in range(5):
        text += f'[[channel]]\nname = "c{n}_v"\naddress = {2 * n}\ntype = "u32"\n'
    return load_profile(text, "p")


def _bus(baudrate: int = 9600, kind: str = "modbus-rtu", **more: object) -> BusConfig:
    place: dict[str, object] = {"port": "/dev/ttyX"} if kind in ("modbus-rtu", "scpi-serial") else {"host": "h", "tcp_port": 502}
    return BusConfig.model_validate({"name": "rack", "kind": kind, "baudrate": baudrate, **place, **more})


def _device(name: str = "m-1", rate_hz: float = 1.0, role: str = "meter", unit: int | None = 1) -> DeviceConfig:
    return DeviceConfig(name=name, role=role, bus="rack", unit_id=unit, profile="p", rate_hz=rate_hz)  # type: ignore[arg-type]


@pytest.mark.parametrize(("baudrate", "limit"), [(9600, 24.0), (19200, 48.0), (38400, 82.7), (115200, 157.0)])
def test_conforming_limit_of_ten_registers(baudrate: int, limit: float) -> None:
    """Transactions a second of 10 registers, 10 bits a character, no processing time: the table of measured facts."""
    budget = bus_budget(_bus(baudrate), [(_device(rate_hz=1.0), _ten_registers())])
    assert 1.0 / budget.devices[0].wire_s_per_poll == pytest.approx(limit, rel=0.003)
    assert budget.computable
    assert budget.notes == ()


def test_parity_and_stop_bits_cost_a_tenth() -> None:
    plain = bus_budget(_bus(9600), [(_device(), _ten_registers())]).devices[0].wire_s_per_poll
    even = bus_budget(_bus(9600, parity="E"), [(_device(), _ten_registers())]).devices[0].wire_s_per_poll
    assert even / plain == pytest.approx(1.1)


def test_processing_time_takes_the_place_of_the_silence_before_the_answer() -> None:
    line = Line(9600)
    slow = bus_budget(_bus(), [(_device(), _ten_registers(0.05))]).devices[0].wire_s_per_poll
    none = bus_budget(_bus(), [(_device(), _ten_registers())]).devices[0].wire_s_per_poll
    assert slow - none == pytest.approx(0.05 - line.silence_s)


def test_shares_add_up_and_slow_channels_count_by_their_share() -> None:
    load, module = load_profile(shipped("simulated-load"), "s"), load_profile(shipped("simulated-thermocouples"), "t")
    devices = [
        (_device("load-1", 10, "load"), load),
        (_device("load-2", 5, "load", 2), load),
        (_device("case", 2, "thermometer", 5), module),
    ]
    budget = bus_budget(_bus(38400), devices)
    busy_s, transactions, seconds = _simulate(devices, Line(38400))
    assert budget.share == pytest.approx(busy_s / seconds, rel=1e-6)
    assert budget.transactions_per_s == pytest.approx(transactions / seconds, rel=1e-6)
    assert budget.share == pytest.approx(sum(d.share for d in budget.devices))


def _simulate(devices: list[tuple[DeviceConfig, Profile]], line: Line) -> tuple[float, int, float]:
    """Count characters and silences of 60 s (whole cycles of all devices), from frames' lengths in the specification: request 8, answer
    5 + 2 a register or + 1 for each eight bits."""
    seconds, busy_s, transactions = 60, 0.0, 0
    character_s = line.bits_per_character / line.baudrate
    silence_s = 0.00175
    for device, profile in devices:
        plan = ReadPlan.make(profile, line)
        for n in range(round(device.rate_hz * seconds)):
            for request in plan.requests(n):
                assert isinstance(request, ModbusRead)
                data = (request.count + 7) // 8 if request.function in (1, 2) else 2 * request.count
                busy_s += silence_s + (13 + data) * character_s + max(silence_s, profile.traits.processing_s)
                transactions += 1
    return busy_s, transactions, seconds


def test_a_rate_that_cannot_fit_is_refused_with_one_that_can() -> None:
    devices = [(_device("a", 20), _ten_registers()), (_device("b", 20, unit=2), _ten_registers())]
    with pytest.raises(ConfigError) as caught:
        bus_budget(_bus(), devices, "bench.toml")
    message = str(caught.value)
    assert message.startswith("bench.toml: bus[rack]: rate_hz does not fit: 167% of the wire time at these rates")
    assert "\n" not in message
    named = [float(x) for x in re.findall(r"[ab] ([\d.]+) instead of 20", message)]
    assert len(named) == 2
    fits = [(_device(d.name, rate, unit=d.unit_id), p) for (d, p), rate in zip(devices, named, strict=True)]
    assert 0.94 < bus_budget(_bus(), fits).share <= 0.95


def test_the_highest_rate_named_beside_the_neighbours_fits_and_no_more() -> None:
    pair = [(_device("a", 5), _ten_registers()), (_device("b", 8, unit=2), _ten_registers())]
    highest = bus_budget(_bus(), pair).devices[0].highest_rate_hz
    assert bus_budget(_bus(), [(_device("a", highest * 0.999), pair[0][1]), pair[1]]).share < 0.95
    with pytest.raises(ConfigError):
        bus_budget(_bus(), [(_device("a", highest * 1.001), pair[0][1]), pair[1]])


def test_rate_factor_fills_the_bus() -> None:
    budget = bus_budget(_bus(), [(_device("a", 5), _ten_registers())])
    assert budget.share * budget.rate_factor == pytest.approx(0.95)


def test_tcp_is_said_to_be_an_estimate_and_refuses_nothing() -> None:
    budget = bus_budget(_bus(kind="modbus-tcp"), [(_device(rate_hz=100), _ten_registers(0.05))])
    assert not budget.computable
    assert budget.share == pytest.approx(5.0)
    assert "not computable" in budget.notes[0]
    assert "expect late polls" in budget.notes[1]


def test_scpi_is_estimated_too() -> None:
    meter = load_profile(shipped("simulated-scpi-meter"), "m")
    assert not bus_budget(_bus(kind="scpi-tcp"), [(_device(unit=None), meter)]).computable
    assert bus_budget(_bus(kind="scpi-serial"), [(_device(unit=None), meter)]).devices[0].wire_s_per_poll > 0.03


def test_a_poll_longer_than_its_period_is_said() -> None:
    load = load_profile(shipped("simulated-load"), "s")
    budget = bus_budget(_bus(9600), [(_device("a", 15, "load"), load)])
    assert any("a: its busiest poll takes" in note for note in budget.notes)


def test_profile_and_bus_must_speak_the_same() -> None:
    meter = load_profile(shipped("simulated-scpi-meter"), "m")
    with pytest.raises(
        ConfigError, match=r"^b\.toml: device\[m-1\]\.profile: simulated-scpi-meter speaks scpi, but bus rack is modbus-rtu$"
    ):
        bus_budget(_bus(), [(_device(), meter)], "b.toml")


def test_an_instrument_that_echoes_needs_a_bus_that_knows() -> None:
    text = 'name = "m"\nprotocol = "modbus"\nroles = ["meter"]\n[quirks]\necho = true\n'
    echoing = load_profile(text + '[[channel]]\nname = "a_v"\naddress = 0\ntype = "u16"\n', "p")
    with pytest.raises(ConfigError, match=r"bus\[rack\]\.echo: .*\(set echo = true\)"):
        bus_budget(_bus(), [(_device(), echoing)])
    assert bus_budget(_bus(echo=True), [(_device(), echoing)]).share > 0


def test_budget_as_json() -> None:
    budget = bus_budget(_bus(), [(_device(), _ten_registers())])
    data = json.loads(json.dumps(budget.to_json()))
    assert data["bus"] == "rack"
    assert data["devices"][0]["device"] == "m-1"
