"""The servers against byte vectors: those worked by hand from MANUAL.md, and the published examples of the Modbus specification."""

from __future__ import annotations

import csv
import random
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import minimalmodbus
import pytest

from loadlog.sim import frames
from loadlog.sim.bench import Bench
from loadlog.sim.circuit import Mode
from loadlog.sim.instruments import LoadFront, Ratings
from loadlog.sim.maps import LoadMap, ThermocoupleMap
from loadlog.sim.messages import MbapConnection, ScpiConnection
from loadlog.sim.registers import RegisterModel, answer_pdu
from loadlog.sim.rtu import RtuLine, Unit, WireLog
from loadlog.sim.scpi import ScpiLoad, ScpiMeter
from loadlog.sim.wire_faults import WireFaults
from tests.unit.sim.bench_help import ONE_LOAD, scenario
from tests.unit.sim.register_models import PlainModel

VECTORS = Path(__file__).parents[2] / "vectors"
LATER_NS = 1_000_000_000


def _vectors(name: str) -> list[Any]:
    found = tomllib.loads((VECTORS / f"{name}.toml").read_text(encoding="utf-8"))["vector"]
    return [pytest.param(v, id=v["name"]) for v in found]


def _published() -> list[Any]:
    with (VECTORS / "modbus_frames.csv").open(encoding="utf-8") as file:
        return [pytest.param(row, id=row["what"]) for row in csv.DictReader(file)]


@dataclass(frozen=True)
class Shown:
    """Readings of a vector's state, in counts."""

    voltage: int
    current: int
    power: int
    temperature: int
    fan: int
    charge: int
    energy: int


def _shown(state: Mapping[str, Any]) -> Shown:
    def counts(key: str, per_unit: float) -> int:
        return round(state.get(key, 0) * per_unit)

    return Shown(
        counts("voltage_v", 1000),
        counts("current_a", 1000),
        counts("power_w", 100),
        counts("temperature_c", 10),
        counts("fan_rpm", 1),
        counts("charge_ah", 1000),
        counts("energy_wh", 100),
    )


def _bench_in(state: Mapping[str, Any]) -> Bench:
    text = ONE_LOAD.replace('name = "load"\n', f'name = "load"\nserial = {state.get("serial", 1)}\nlabel = "{state.get("label", "")}"\n')
    bench = Bench(scenario(text), random.Random(1))
    front = LoadFront(
        Mode(state.get("mode", "CC")),
        state.get("ordered_setpoint", state.get("setpoint", 0.0)),
        state.get("input_on", True),
        state.get("remote", False),
        0.0,
        1,
        Ratings(),
    )
    front.latched.update(state.get("latched", ()))
    front.turn_knob(state.get("setpoint", 0.0))
    bench.loads["load"].front = front
    return bench


def _check_after(front: LoadFront, after: Mapping[str, Any]) -> None:
    is_now = {
        "input_on": front.input_on,
        "mode": front.mode.value,
        "setpoint": front.level,
        "remote": front.remote,
        "latched": sorted(front.latched),
    }
    assert {key: is_now[key] for key in after} == dict(after)


def _ask(framing: str, units: Mapping[int, RegisterModel], request: bytes) -> bytes:
    def unit(model: RegisterModel) -> Unit:
        return Unit("unit", lambda pdu: answer_pdu(model, pdu))

    served = {number: unit(model) for number, model in units.items()}
    faults = WireFaults(random.Random(1))
    line = RtuLine("line", served, faults) if framing == "rtu" else MbapConnection("line", served, faults, WireLog())
    line.receive(request, 0)
    return line.take(LATER_NS)


@pytest.mark.parametrize("vector", _vectors("load_modbus"))
def test_the_load_behind_modbus(vector: dict[str, Any]) -> None:
    bench = _bench_in(vector.get("state", {}))
    reply = _ask(vector["framing"], {1: LoadMap(bench, "load", _shown(vector.get("state", {})))}, bytes.fromhex(vector["request"]))
    assert reply.hex(" ").upper() == vector["reply"]
    _check_after(bench.loads["load"].front, vector.get("after", {}))


@pytest.mark.parametrize("vector", _vectors("thermocouples_modbus"))
def test_the_thermocouple_module(vector: dict[str, Any]) -> None:
    state = vector.get("state", {})
    names = ("ch1_c", "ch2_c", "ch3_c", "ch4_c", "cold_junction_c")
    counts = [None if state.get(n, 20.0) == "open" else round(state.get(n, 20.0) * 10) for n in names]
    reply = _ask("rtu", {5: ThermocoupleMap(counts.__getitem__)}, bytes.fromhex(vector["request"]))
    assert reply.hex(" ").upper() == vector["reply"]


def _converse(instrument: ScpiLoad | ScpiMeter, request: str) -> str:
    connection = ScpiConnection("line", "instrument", instrument.message, WireFaults(random.Random(1)), WireLog())
    connection.receive(request.encode(), 0)
    return connection.take(LATER_NS).decode()


@pytest.mark.parametrize("vector", _vectors("load_scpi"))
def test_the_load_behind_scpi(vector: dict[str, Any]) -> None:
    bench = _bench_in(vector.get("state", {}))
    assert _converse(ScpiLoad(bench, "load", _shown(vector.get("state", {}))), vector["request"]) == vector["reply"]
    _check_after(bench.loads["load"].front, vector.get("after", {}))


@pytest.mark.parametrize("vector", _vectors("meter_scpi"))
def test_the_meter(vector: dict[str, Any]) -> None:
    state = vector.get("state", {})
    volts = state.get("voltage_v", 0.0)
    meter = ScpiMeter(state.get("serial", 1), lambda: None if volts == "open" else round(volts * 1e4))
    assert _converse(meter, vector["request"]) == vector["reply"]


@pytest.mark.parametrize("name", ["load_modbus", "thermocouples_modbus"])
def test_frames_of_the_vectors_carry_the_right_crc(name: str) -> None:
    """Checked with minimalmodbus, an implementation of others; the CRC over a frame with its CRC is 0 (serial-line guide V1.02)."""
    for parameter in _vectors(name):
        vector = parameter.values[0]
        for frame in (bytes.fromhex(vector["request"]), bytes.fromhex(vector["reply"])):
            if vector["framing"] == "rtu" and frame and vector["name"] != "bad CRC":
                assert bytes(minimalmodbus._calculate_crc(frame[:-2])) == frame[-2:]
                assert frames.crc16(frame) == 0


@pytest.mark.parametrize(("data", "crc"), [(b"123456789", 0x4B37), (b"\x02\x07", 0x1241), (b"", 0xFFFF)])
def test_crc_of_the_serial_line_guide(data: bytes, crc: int) -> None:
    """The values of MODBUS over Serial Line V1.02, on which six independent packages agree."""
    assert frames.crc16(data) == crc
    assert frames.rtu_frame(0x02, b"\x07")[-2:] == b"\x41\x12"


def _published_model() -> PlainModel:
    """The registers and coils that the specification's examples show (V1.1b3, chapter 6)."""
    coil_bytes = (0xCD, 0x6B, 0x05)
    coils = {0x13 + k: bool(coil_bytes[k // 8] >> (k % 8) & 1) for k in range(19)}
    holding = {1: 0, 2: 0, 4: 0x12, 0x6B: 555, 0x6C: 0, 0x6D: 100}
    holding |= {0x03 + k: word for k, word in enumerate((0x00FE, 0x0ACD, 0x0001, 0x0003, 0x000D, 0x00FF))} | {0x0E: 0, 0x0F: 0, 0x10: 0}
    return PlainModel(holding=holding, inputs={8: 10}, coils=coils)


@pytest.mark.parametrize("row", _published())
def test_published_examples(row: dict[str, str]) -> None:
    """MODBUS Application Protocol V1.1b3, chapter 6, as frames of unit 17; the mask-write example starts from its own 0x12."""
    model = _published_model()
    if row["what"].startswith("mask"):
        model.holding[4] = 0x12
    reply = _ask("rtu", {17: model}, bytes.fromhex(row["rtu_request_unit_17"]))
    assert reply.hex(" ").upper() == row["rtu_response_unit_17"]


def test_published_writes_leave_what_they_say() -> None:
    model = _published_model()
    for row in (p.values[0] for p in _published()):
        _ask("rtu", {17: model}, bytes.fromhex(row["rtu_request_unit_17"]))
    assert [model.holding[k] for k in (1, 2)] == [10, 258]
    assert [model.holding[k] for k in (0x0E, 0x0F, 0x10)] == [0xFF] * 3


def test_unknown_function_and_wrong_crc_as_an_independent_server_answers() -> None:
    """libmodbus 3.1.6 answers E5 01 to function 0x65 and nothing to a wrong CRC."""
    assert _ask("rtu", {1: PlainModel()}, frames.rtu_frame(1, b"\x65"))[1:3] == b"\xe5\x01"
    assert _ask("rtu", {1: PlainModel()}, bytes.fromhex("010300000001FFFF")) == b""
