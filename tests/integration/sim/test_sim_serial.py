"""The simulated bench on real pseudo-terminals, asked by clients of others."""

from __future__ import annotations

import fcntl
import os
import termios
import threading
import time
from pathlib import Path

import minimalmodbus
import pytest
import serial

from loadlog.sim import frames
from loadlog.sim.run import SimulatedBench, simulate
from loadlog.sim.scenario import parse_scenario
from tests.integration.sim.bench_ports import ONE_LOAD, master, stable_name_exists, until

READINGS = frames.rtu_frame(1, bytes.fromhex("030010000A"))
FOUND = parse_scenario(ONE_LOAD, "test.toml")


def test_an_independent_client_reads_and_writes_a_load() -> None:
    """minimalmodbus, its own CRC and framing."""
    with SimulatedBench.start(FOUND, seed=2) as bench:
        load = master(bench.ports["rack"], 1)
        assert load.read_register(0x0000) == 0x4C31
        assert load.read_long(0x0012) == pytest.approx(23900, abs=60)
        assert load.read_float(0x0020, byteorder=minimalmodbus.BYTEORDER_BIG, number_of_registers=2) != 5.0, "low word first"
        load.write_register(0x0040, 0, functioncode=6)
        assert load.read_register(0x0010) & 1 == 0
        assert bench.now().state_of("load").current_a == 0.0
        load.write_registers(0x0042, [0x0000, 0x4000])
        load.write_register(0x0040, 1, functioncode=6)
        assert bench.now().state_of("load").current_a == pytest.approx(2.0, abs=0.02)
        with pytest.raises(minimalmodbus.IllegalRequestError):
            load.read_register(0x0004)
        thermometer = minimalmodbus.Instrument(load.serial, 5)
        assert thermometer.read_register(0x0003, 1, functioncode=4, signed=True) == pytest.approx(25.0, abs=1.1)


def test_a_paced_line_takes_the_time_of_its_characters() -> None:
    """(13 + 2n)·bits/baud + silence + processing: never less. What it adds is measured in the benchmark."""
    scenario = parse_scenario(ONE_LOAD.replace('kind = "modbus-rtu"', 'kind = "modbus-rtu"\nbaudrate = 38400\nprocessing_s = 0.003'), "t")
    with SimulatedBench.start(scenario, paced=True, strict=True) as bench:
        port = bench.ports["rack"]
        with serial.Serial(port.address, 38400, timeout=1.0) as line:
            took_s = []
            for _ in range(60):
                began_s = time.monotonic()
                line.write(READINGS)
                assert len(line.read(25)) == 25
                took_s.append(time.monotonic() - began_s)
                time.sleep(0.0022)
        wire_s = 33 * 10 / 38400 + 0.003
        assert min(took_s) >= wire_s
        assert bench.line("rack").log.outcomes == {"answered": 60}
        assert min(bench.line("rack").log.gaps_s()) > 0.00175


def test_a_strict_paced_line_loses_a_hasty_request() -> None:
    """At 1200 baud the silence is 29 ms, so that a busy machine is still hasty."""
    slow = parse_scenario(ONE_LOAD.replace('kind = "modbus-rtu"', 'kind = "modbus-rtu"\nbaudrate = 1200'), "t")
    with SimulatedBench.start(slow, paced=True) as bench, serial.Serial(bench.ports["rack"].address, 1200, timeout=1.0) as line:
        line.write(READINGS)
        assert len(line.read(25)) == 25
        line.write(READINGS)
        assert line.read(25) == b""
        assert [r.outcome for r in bench.line("rack").log.requests] == ["answered", "early"]
        assert bench.line("rack").log.gaps_s()[0] < 35 / 1200


def test_another_baud_rate_is_met_with_silence() -> None:
    with SimulatedBench.start(FOUND) as bench:
        port = bench.ports["rack"]
        with serial.Serial(port.address, 9600, timeout=0.1) as line:
            line.write(READINGS)
            assert line.read(25) == b""
            line.baudrate = 19200
            line.write(READINGS)
            assert len(line.read(25)) == 25


def test_unplugged_and_back_under_the_same_name(tmp_path: Path) -> None:
    with SimulatedBench.start(FOUND, link_dir=tmp_path) as bench:
        port = bench.ports["rack"]
        line = serial.Serial(port.address, port.baudrate, timeout=0.5)
        line.write(READINGS)
        assert len(line.read(25)) == 25
        before = os.readlink(port.address)
        bench.inject("adapter_unplugged", "rack")
        until(lambda: not stable_name_exists(port.address))
        with pytest.raises((OSError, serial.SerialException)):
            line.write(READINGS)
        line.close()
        with pytest.raises(serial.SerialException):
            serial.Serial(port.address)
        bench.restore("adapter_unplugged", "rack")
        until(lambda: stable_name_exists(port.address))
        with serial.Serial(port.address, port.baudrate, timeout=0.5) as again:
            again.write(READINGS)
            assert len(again.read(25)) == 25
        assert [(t.what, t.phase) for t in bench.truth()] == [("adapter_unplugged", "begin"), ("adapter_unplugged", "end")]
        assert before
    assert not stable_name_exists(port.address)


def test_clients_come_and_go_and_leave_nothing_behind() -> None:
    """What one client did not read is not given to the next."""
    with SimulatedBench.start(FOUND) as bench:
        port = bench.ports["rack"]
        for _ in range(10):
            with serial.Serial(port.address, port.baudrate, timeout=0.5, exclusive=True) as line:
                line.write(READINGS)
                assert len(line.read(25)) == 25
                line.write(READINGS)
                time.sleep(0.01)
            time.sleep(0.03)
            with serial.Serial(port.address, port.baudrate, timeout=0.02) as line:
                assert line.read(25) == b""


def test_a_sense_lead_falls_off_in_the_very_next_reading() -> None:
    with SimulatedBench.start(FOUND) as bench:
        load = master(bench.ports["rack"], 1)
        before_v = load.read_long(0x0012) * 1e-3
        bench.inject("sense_lead_off", "load")
        after_v = load.read_long(0x0012) * 1e-3
        assert before_v - after_v == pytest.approx(0.060, abs=0.006)
        assert load.read_register(0x0010) == 3, "silence is the point: the status still says remote"
        event = bench.truth()[-1]
        assert (event.what, event.target, event.phase) == ("sense_lead_off", "load", "begin")
        assert abs(event.t_utc_ns - time.time_ns()) < 5e9


def test_the_timetable_runs_faster_on_request() -> None:
    more = '[[fault]]\nat_s = 30.0\nfault = "knob"\ntarget = "load"\nsetpoint = 7.0\n'
    with SimulatedBench.start(parse_scenario(ONE_LOAD + more, "t"), speed=100.0) as bench:
        load = master(bench.ports["rack"], 1)
        assert load.read_long(0x0014) == pytest.approx(5000, abs=25)
        until(lambda: bool(bench.truth()))
        assert load.read_long(0x0014) == pytest.approx(7000, abs=25)
        assert bench.truth()[0].t_bench_ns == 30_000_000_000


def test_the_timetable_can_wait_for_the_first_request() -> None:
    text = ONE_LOAD.replace("[bench]", '[bench]\ntimetable_from = "first_request"')
    more = '[[fault]]\nat_s = 0.05\nfault = "knob"\ntarget = "load"\nsetpoint = 7.0\n'
    with SimulatedBench.start(parse_scenario(text + more, "t")) as bench:
        time.sleep(0.2)
        assert bench.truth() == []
        assert master(bench.ports["rack"], 1).read_long(0x0014) == pytest.approx(5000, abs=25)
        until(lambda: bool(bench.truth()))


def test_echo_on_a_two_wire_adapter() -> None:
    text = ONE_LOAD.replace('kind = "modbus-rtu"', 'kind = "modbus-rtu"\necho = true')
    with SimulatedBench.start(parse_scenario(text, "t")) as bench, serial.Serial(bench.ports["rack"].address, 19200, timeout=0.3) as line:
        line.write(READINGS)
        assert line.read(33)[:8] == READINGS


def test_many_faults_at_once_never_stop_the_line() -> None:
    """After every kind of wire fault, at random and on top of each other, the line answers as before."""
    with SimulatedBench.start(FOUND, seed=11) as bench, serial.Serial(bench.ports["rack"].address, 19200, timeout=0.02) as line:
        for name in (
            "late_reply",
            "corrupt_reply",
            "garbage_before",
            "duplicate_reply",
            "truncated_reply",
            "foreign_unit",
            "previous_reply",
        ):
            params = {"delay_s": 0.03} if name == "late_reply" else {}
            bench.inject(name, "rack", share=0.4, for_s=1.0, **params)
        touched = 0
        for _ in range(40):
            line.reset_input_buffer()
            line.write(READINGS)
            touched += len(line.read(25)) != 25
        until(lambda: len([t for t in bench.truth() if t.phase == "end"]) == 7)
        time.sleep(0.1)
        line.reset_input_buffer()
        line.timeout = 0.5
        line.write(READINGS)
        assert len(line.read(25)) == 25
        assert touched > 5
        assert len(bench.line("rack").log.alterations) > 20


def test_simulate_prints_its_ports_and_writes_the_truth(tmp_path: Path) -> None:
    printed = []
    stop = threading.Event()
    simulate(
        "workshop",
        out=printed.extend,
        stop=stop,
        duration_s=0.3,
        speed=1.0,
        link_dir=tmp_path / "ports",
        truth_path=tmp_path / "truth.jsonl",
    )
    assert [(p.bus, p.kind) for p in printed] == [("rack", "modbus-rtu"), ("meter", "scpi-tcp")]
    assert printed[0].address == str(tmp_path / "ports" / "rack")
    assert printed[1].address == f"127.0.0.1:{printed[1].tcp_port}"
    assert not stable_name_exists(printed[0].address), "a bench that has ended leaves no name behind"


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become somebody else")
def test_exclusive_use_ends_with_the_client_for_an_ordinary_user_too() -> None:
    """TIOCEXCL outlives its client on a pseudo-terminal; an ordinary user would be locked out of the line for good."""
    child = os.fork()
    if child == 0:
        status = 1
        try:
            os.setgroups([])
            os.setuid(65534)
            status = _open_exclusively_again_and_again()
        finally:
            os._exit(status)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0


def _open_exclusively_again_and_again() -> int:
    with SimulatedBench.start(FOUND) as bench:
        for _ in range(3):
            line = serial.Serial(bench.ports["rack"].address, 19200, timeout=0.5)
            fcntl.ioctl(line.fd, termios.TIOCEXCL)
            line.write(READINGS)
            answered = len(line.read(25)) == 25
            line.close()
            time.sleep(0.1)
            if not answered:
                return 2
    return 0
