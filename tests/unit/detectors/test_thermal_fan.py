"""`temperature_rising` beside a fan that a thermostat switches. Physics: `loadlog.sim.thermal.Heatsink`."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import pytest

from loadlog.detectors import Context
from loadlog.detectors.heating import FAN_FACT, TemperatureRising
from loadlog.detectors.thermal_fan import Fan
from loadlog.model.device import DeviceSpec, LimitSpec
from loadlog.model.event import Finding
from loadlog.model.sample import Quality, Sample, Stamp
from loadlog.sim.thermal import Heatsink, HeatsinkForm
from tests.checklists.traces import T0_NS, fresh_random, load_spec, number

LIMIT_C, AIR_C, POWER_W = 95.0, 25.0, 200.0


def device(period_s: float = 1.0, fan: bool = False) -> DeviceSpec:
    made = load_spec(period_s=period_s, slow=1)
    channels = tuple(replace(c, high=None) if c.name == "temperature_c" else c for c in made.channels)
    if fan:
        channels += (number("fan_rpm", "rpm", "1"),)
    return replace(made, channels=channels, limits={"temperature_c": LimitSpec(high=LIMIT_C)})


def drawn(rnd: random.Random) -> Heatsink:
    """It would settle at 110 to 140 °C with its fan at rest, at 52 to 62 °C with it; the fan starts at 50 to 55 °C."""
    still_k, turning_k, starts_k = rnd.uniform(85.0, 115.0), rnd.uniform(17.0, 20.0), rnd.uniform(25.0, 30.0)
    slow, fast = 0.85 * turning_k / POWER_W, 0.15 * turning_k / POWER_W
    factor = (still_k - fast * POWER_W) / (slow * POWER_W)
    return Heatsink(HeatsinkForm(fast, rnd.uniform(3, 8), slow, rnd.uniform(60, 150), factor, 0.45, starts_k, 0.8 * starts_k))


def run(rnd: random.Random, one: TemperatureRising, spec: DeviceSpec, sink: Heatsink, powers: list[tuple[float, float]]) -> list[Finding]:
    """``powers``: W, and for how long, s."""
    context, t_s, n = Context(spec), 0.0, 0
    found: list[Finding] = []
    for power_w, lasts_s in powers:
        for _ in range(int(lasts_s / spec.period_s)):
            sink.step(power_w, spec.period_s)
            n, t_s = n + 1, t_s + spec.period_s
            values = {"temperature_c": round(AIR_C + sink.rise_k + rnd.gauss(0, 0.05), 1), "power_w": power_w}
            if spec.channel("fan_rpm") is not None:
                values["fan_rpm"] = round(sink.fan_rpm)
            stamp = Stamp(T0_NS + round(t_s * 1e9), 1_000_000)
            found += one.update(Sample(n, spec.name, stamp, Quality.GOOD, {}, values, {}), context)
    return found


CLIMBS = [(0.0, 60.0)] + [(POWER_W, 900.0), (5.0, 1500.0)] * 4


@pytest.mark.parametrize("period_s", [0.5, 2.0])
def test_a_fan_that_was_seen_to_start_is_reckoned_with(period_s: float) -> None:
    """What the first climb said is taken back as it starts, and no later one says it again, in this run or the next."""
    rnd = fresh_random()
    spec, first_told = device(period_s), 0
    for _ in range(4):
        sink, one = drawn(rnd), TemperatureRising(device(period_s))
        found = run(rnd, one, spec, sink, CLIMBS)
        told = [f for f in found if not f.clear]
        first_told += bool(told)
        starts_c = AIR_C + sink._form.fan_starts_k
        assert all(f.evidence["temperature_c"] < starts_c + 1.0 and "unless a fan starts" in f.message for f in told)
        ends = [f for f in found if f.clear]
        assert [f.evidence["ended"] for f in ends] == ["cooling improved"] * min(len(told), 1)
        seen = {f.name: f for f in one.learned()}[FAN_FACT].value
        assert seen == pytest.approx(starts_c, abs=3.0)
        again = TemperatureRising(spec)
        again.recall({f.name: f for f in one.learned()})
        assert run(rnd, again, spec, Heatsink(sink._form), CLIMBS[:3]) == []
    assert first_told  # nobody can know of the first


def test_a_fan_that_does_not_start_any_more_is_told_well_before_the_limit() -> None:
    rnd = fresh_random()
    for _ in range(4):
        sink, one = drawn(rnd), TemperatureRising(device())
        run(rnd, one, device(), sink, CLIMBS[:5])
        dead = Heatsink(sink._form)
        dead.fan_runs = False
        second = TemperatureRising(device())
        second.recall({f.name: f for f in one.learned()})
        found = run(rnd, second, device(), dead, [(0.0, 60.0), (POWER_W, 1500.0)])
        told = [f for f in found if not f.clear]
        assert told
        assert told[0].evidence["temperature_c"] < 0.5 * (LIMIT_C + AIR_C + sink._form.fan_starts_k)
        assert "before and has not now" in told[0].message


def test_a_fan_that_stands_is_named_while_no_start_of_it_was_seen() -> None:
    rnd = fresh_random()
    spec, seen = device(fan=True), []
    for _ in range(6):
        seen += [f for f in run(rnd, TemperatureRising(spec), spec, drawn(rnd), CLIMBS[:2]) if not f.clear][:1]
    assert seen
    for finding in seen:
        assert finding.alternatives["fan_starts"] == pytest.approx(finding.confidence, abs=0.01)
        assert finding.confidence + math.fsum(finding.alternatives.values()) == pytest.approx(1.0, abs=2e-3)
        assert "unless its fan starts, which stands" in finding.message or "its fan prevents it, which has just started" in finding.message


def test_a_body_that_turns_after_less_power_has_shown_no_fan() -> None:
    """Heat was under way in it; at one power, or after more of it, only the cooling turns it."""
    for is_up in (False, True):
        fan = Fan(0.1)
        fan.stepped(is_up)
        turned = [fan.take(rise_c, AIR_C) for rise_c in (30.0, 31.0, 33.0, 34.0, 33.0, 31.0, 29.0)]
        assert any(turned) is is_up
        assert fan.starts_c == (34.0 + AIR_C if is_up else None)


def test_a_body_that_is_hardly_known_has_shown_no_fan_by_leaving_what_was_expected() -> None:
    """Power goes down in steps soon after it began: what a minute at the first one says of the slow pole is worth little by then."""
    rnd = fresh_random()
    for _ in range(12):
        form = HeatsinkForm(rnd.uniform(0.01, 0.04), rnd.uniform(3, 8), rnd.uniform(0.2, 0.35), rnd.uniform(120, 300))
        lasts_s = rnd.uniform(25.0, 40.0)
        down = [(POWER_W * (1.0 - n / 6.0), lasts_s) for n in range(1, 6)]
        one = TemperatureRising(device(5.0))
        run(rnd, one, device(5.0), Heatsink(form), [(0.0, 5.0), (POWER_W, rnd.uniform(40.0, 80.0)), *down, (0.0, 60.0), (POWER_W, 100.0)])
        assert FAN_FACT not in {f.name for f in one.learned()}
