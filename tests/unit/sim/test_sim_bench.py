"""The bench in time: physics of a whole station, faults at their exact time, the same for everybody who looks."""

from __future__ import annotations

import random

import pytest

from loadlog.model.clock import NS
from loadlog.sim.bench import Bench
from loadlog.sim.timetable import Fault
from tests.unit.sim.bench_help import ONE_LOAD, bench, scenario

NIGHT = """
[[fault]]
at_s = 1.005
fault = "sense_lead_off"
target = "load"
for_s = 2.0
[[fault]]
at_s = 2.0
fault = "knob"
target = "load"
setpoint = 6.0
[[fault]]
at_s = 4.0
fault = "supply_trip"
target = "psu"
form = "hiccup"
for_s = 3.0
[[fault]]
at_s = 9.0
fault = "fan_stop"
target = "load"
"""


def _everything(b: Bench) -> list[object]:
    state = b.state_of("load")
    return [b.now_ns, state, [b.thermocouple_counts("tc", k) for k in range(5)], b.meter_counts("meter"), b.loads["load"].front.charge_c]


def test_two_benches_of_one_seed_are_equal_bit_for_bit_whoever_looks() -> None:
    """One is looked at every 7 ms and its instruments in another order, the other only now and then."""
    often, seldom = bench(NIGHT, seed=5), bench(NIGHT, seed=5)
    for second in range(1, 13):
        while often.now_ns < second * NS:
            often.advance_to(min(second * NS, often.now_ns + 7_000_000))
            often.meter_counts("meter")
            often.loads["load"].voltage.read(24.0, often.index)
        seldom.advance_to(second * NS)
        assert _everything(often) == _everything(seldom)
    assert often.truth == seldom.truth


def test_another_seed_is_another_bench() -> None:
    one, other = bench(seed=5), bench(seed=6)
    one.advance(1.0)
    other.advance(1.0)
    assert one.loads["load"].voltage.gain != other.loads["load"].voltage.gain
    assert one.meter_counts("meter") != other.meter_counts("meter") or one.state_of("load") != other.state_of("load")


def test_energy_is_conserved() -> None:
    """What the source delivers at its terminals = leads + contacts + load, in every mode and wiring."""
    rng = random.Random(3)
    for _ in range(60):
        mode, level = rng.choice([("CC", 8.0), ("CV", 23.9), ("CP", 150.0), ("CR", 5.0)])
        text = ONE_LOAD.replace('mode = "CC"', f'mode = "{mode}"').replace("setpoint = 5.0", f"setpoint = {level}")
        b = bench(text=text.replace('sense = "remote"', f'sense = "{rng.choice(["local", "remote"])}"'), seed=rng.randrange(1000))
        b.advance(rng.uniform(0.1, 60.0))
        state, unit, point = b.state_of("load"), b.loads["load"], b.station_of("load").point
        source_w = point.terminal_v * point.current_a
        lead_w = state.current_a**2 * unit.path.lead_ohm(b.ambient_c)
        contact_w = state.current_a**2 * unit.path.contact_ohm
        assert state.current_a > 0.5
        assert source_w == pytest.approx(lead_w + contact_w + state.dissipation_w, rel=1e-12)


def test_a_sense_lead_falling_off_steps_the_reading_by_exactly_i_times_r_path() -> None:
    b = bench()
    b.advance(30.0)
    remote = b.state_of("load")
    b.apply(Fault("sense_lead_off", "load"), True)
    local = b.state_of("load")
    assert local.current_a == remote.current_a
    assert remote.sensed_v - local.sensed_v == pytest.approx(remote.current_a * remote.path_ohm, rel=1e-12)
    assert remote.path_ohm == pytest.approx(0.012, rel=0.02)
    assert b.loads["load"].front.remote, "the status bit is that of the switch and says nothing of the lead"
    b.apply(Fault("sense_lead_off", "load"), False)
    assert b.state_of("load").sensed_v == remote.sensed_v


@pytest.mark.parametrize(("mode", "level"), [("CV", 23.95), ("CP", 120.0), ("CR", 4.8)])
def test_after_a_sense_fallback_the_load_regulates_at_its_own_terminals(mode: str, level: float) -> None:
    """CV keeps its voltage there; CP and CR move along their own curve."""
    b = bench(text=ONE_LOAD.replace('mode = "CC"', f'mode = "{mode}"').replace("setpoint = 5.0", f"setpoint = {level}"))
    b.advance(1.0)
    before = b.state_of("load")
    b.apply(Fault("sense_lead_off", "load"), True)
    after = b.state_of("load")
    level = b.loads["load"].front.real_level
    assert after.sensed_v == after.terminal_v != before.sensed_v
    assert after.current_a != before.current_a
    kept = {"CV": after.sensed_v, "CP": after.sensed_v * after.current_a, "CR": after.sensed_v / after.current_a}[mode]
    assert kept == pytest.approx(level, rel=1e-6)


def test_faults_begin_and_end_at_their_exact_time_between_two_steps() -> None:
    b = bench(NIGHT)
    b.advance_to(1_004_999_999)
    sensed_v = b.state_of("load").sensed_v
    b.advance_to(1_005_000_000)
    assert b.state_of("load").sensed_v < sensed_v - 0.05
    b.advance_to(12 * NS)
    faults = [(t.what, t.phase, t.t_ns) for t in b.truth if t.phase != "itself"]
    assert faults == [
        ("sense_lead_off", "begin", 1_005_000_000),
        ("knob", "begin", 2 * NS),
        ("sense_lead_off", "end", 3_005_000_000),
        ("supply_trip", "begin", 4 * NS),
        ("supply_trip", "end", 7 * NS),
        ("fan_stop", "begin", 9 * NS),
    ]


def test_truth_names_what_the_physics_did_by_itself() -> None:
    b = bench(NIGHT)
    b.advance(12.0)
    itself = [t.what for t in b.truth if t.phase == "itself"]
    assert "source_hiccup" in itself
    assert itself.count("source_on") >= 2


def test_a_timetable_repeats() -> None:
    more = '[[fault]]\nat_s = 3.0\nfault = "knob"\ntarget = "load"\nsetpoint = 6.0\n'
    b = bench(more, text=ONE_LOAD.replace("ambient_c = 25.0", "ambient_c = 25.0\nrepeat_s = 10.0"))
    b.advance(35.0)
    assert [t.t_ns for t in b.truth] == [3 * NS, 13 * NS, 23 * NS, 33 * NS]


def test_the_knob_acts_without_an_order() -> None:
    b = bench()
    b.apply(Fault("knob", "load", {"setpoint": 7.0}), True)
    front = b.loads["load"].front
    assert (front.level, front.ordered_level) == (7.0, 5.0)
    assert b.state_of("load").current_a == pytest.approx(7.0, abs=0.02)


def test_an_overheated_load_switches_off_and_latches() -> None:
    text = ONE_LOAD + "heatsink = {}"
    text = ONE_LOAD.replace('sense = "remote"', 'sense = "remote"\nheatsink = { slow_k_per_w = 0.6, slow_tau_s = 5.0 }')
    b = bench(text=text)
    b.advance(60.0)
    assert b.loads["load"].front.latched == {"over_temperature"}
    assert not b.loads["load"].front.input_on
    assert b.state_of("load").current_a == 0.0
    assert [t.what for t in b.truth] == ["over_temperature"]
    b.apply(Fault("input_on_by_hand", "load"), True)
    assert b.loads["load"].front.latched == set()


def test_counters_add_up_and_begin_anew() -> None:
    """5 A for 3600 s are 5 A·h exactly."""
    b = bench()
    b.advance(3600.0)
    front = b.loads["load"].front
    level = front.real_level
    assert front.charge_c / 3600.0 == pytest.approx(level, rel=1e-9)
    assert front.energy_j == pytest.approx(3600.0 * level * (24.0 - 0.02 * level), rel=1e-9)
    front.switch(False)
    b.refresh()
    b.advance(10.0)
    assert front.charge_c / 3600.0 == pytest.approx(level, rel=1e-9)
    front.switch(True)
    assert front.charge_c == 0.0


def test_a_broken_lead_leaves_remote_sense_at_the_source_and_local_at_nothing() -> None:
    b = bench()
    b.apply(Fault("power_lead_off", "load"), True)
    assert b.state_of("load").current_a == 0.0
    assert b.state_of("load").sensed_v == pytest.approx(24.0)
    b.apply(Fault("sense_lead_off", "load"), True)
    assert b.state_of("load").sensed_v == 0.0


def test_reverse_polarity_trips() -> None:
    b = bench()
    b.apply(Fault("reverse_polarity", "load"), True)
    b.advance(0.2)
    assert "reverse_polarity" in b.loads["load"].front.latched


def test_a_contact_grows_worse_over_its_time_and_warms_its_connector() -> None:
    b = bench()
    b.advance(120.0)
    cool_c = b.temperature_c("load.connector")
    b.schedule(Fault("contact_resistance", "load", {"ohm": 0.1, "over_s": 60.0}, 200 * NS))
    b.advance(30.0)
    halfway_ohm = b.loads["load"].path.contact_ohm
    b.advance(150.0)
    assert halfway_ohm == pytest.approx(0.052, rel=0.02)
    assert b.loads["load"].path.contact_ohm == pytest.approx(0.102, rel=1e-6)
    assert cool_c is not None
    warm_c = b.temperature_c("load.connector")
    assert warm_c is not None
    assert warm_c > cool_c + 20.0
    b.advance(30.0)
    assert b.loads["load"].path.contact_ohm == pytest.approx(0.002)


def test_loads_of_one_source_feel_each_other() -> None:
    text = ONE_LOAD.replace("[[thermocouples]]", '[[load]]\nname = "other"\nsource = "psu"\nsetpoint = 3.0\n[[thermocouples]]')
    b = bench(text=text)
    b.advance(0.1)
    together_v = b.state_of("load").sensed_v
    b.loads["other"].front.switch(False)
    b.refresh()
    other_a = b.loads["other"].front.real_level
    assert b.state_of("load").sensed_v - together_v == pytest.approx(0.02 * other_a, rel=1e-6)


def test_thermocouples_read_their_points_within_their_accuracy() -> None:
    b = bench()
    b.advance(300.0)
    for channel, point in enumerate(["psu.case", "load.outlet", "load.connector", "ambient"]):
        true_c, counts = b.temperature_c(point), b.thermocouple_counts("tc", channel)
        assert true_c is not None
        assert counts is not None
        assert abs(counts * 0.1 - true_c) <= 0.001 * abs(true_c) + 1.0
    b.apply(Fault("thermocouple_open", "tc", {"channel": 2.0}), True)
    assert b.thermocouple_counts("tc", 1) is None


def test_wire_faults_are_handed_on() -> None:
    seen: list[tuple[str, bool]] = []
    more = '[[fault]]\nat_s = 1.0\nfault = "late_reply"\ntarget = "rack"\nfor_s = 2.0\n'
    b = bench(more, on_wire=lambda fault, begins: seen.append((fault.name, begins)))
    b.advance(5.0)
    assert seen == [("late_reply", True), ("late_reply", False)]


@pytest.mark.parametrize("form", ["latch_off", "hiccup", "foldback", "current_limit", "thermal_cycling", "dropout"])
def test_every_form_of_supply_trip_shows_and_ends(form: str) -> None:
    b = Bench(scenario(), random.Random(1))
    b.advance(1.0)
    good_v = b.state_of("load").sensed_v
    b.schedule(Fault("supply_trip", "psu", {"form": form, "off_s": 0.4, "on_s": 2.0}, 10 * NS))
    lowest_v, back = good_v, 0
    for _ in range(500):
        before_v = b.state_of("load").sensed_v
        b.advance(0.02)
        now_v = b.state_of("load").sensed_v
        lowest_v = min(lowest_v, now_v)
        back += before_v < 12.0 < now_v
    b.advance(1.0)
    assert lowest_v < 1.0
    times_back = {"dropout": (1, 1), "hiccup": (3, 5), "thermal_cycling": (3, 5)}  # in 10 s at the periods given
    least, most = times_back.get(form, (0, 1))
    assert least <= back <= most
    assert b.state_of("load").sensed_v == pytest.approx(good_v, abs=1e-6)
