"""The poller on a virtual line with the real link: outcomes, fairness, silence, overload and faults, observed in what it
delivers and in the bytes that it sent."""

from __future__ import annotations

import dataclasses
import itertools
import json
import threading
from random import Random

import pytest
from polled_line import BUS, Bench, BlockPlan

from loadlog.acquisition.statistics import as_plain
from loadlog.bus import line_of
from loadlog.model.sample import FailureCause, PollFailure, Reading
from loadlog.model.wire import LinkTraits
from loadlog.profiles import ReadPlan, link_traits, load_profile, shipped
from tests.traps.faulty import FaultyBench

NS = 1_000_000_000


def total_deadlines(bench: Bench, device: str) -> int:
    """Outcomes as the statistics count them: polls made and deadlines missed."""
    statistics = next(d for d in bench.poller.statistics().devices if d.name == device)
    return statistics.polls + statistics.missed


# -- every poll gives one outcome, in time


def test_every_deadline_gives_a_reading_on_a_healthy_line() -> None:
    bench = Bench([10.0, 5.0, 1.0])
    bench.run(60)
    for device, expected in (("d1", 600), ("d2", 300), ("d3", 60)):
        assert abs(len(bench.readings(device)) - expected) <= 1
        assert not bench.failures(device)


def test_each_device_gets_its_own_values() -> None:
    bench = Bench([10.0, 10.0])
    bench.run(5)
    assert {r.counts["fast"] for r in bench.readings("d1")} == {1}
    assert {r.counts["fast"] for r in bench.readings("d2")} == {2}


def test_slow_channels_come_at_every_nth_poll_and_at_the_first() -> None:
    bench = Bench([10.0], plan=BlockPlan(slow_every=10))
    bench.run(10.05)
    with_slow = [i for i, r in enumerate(bench.readings("d1")) if "slow" in r.counts]
    assert with_slow == list(range(0, len(bench.readings("d1")), 10))


def test_stamps_lie_between_request_and_reply_and_say_how_wide() -> None:
    bench = Bench([10.0])
    sent: list[int] = []
    write = bench.line.write
    bench.line.write = lambda data: (sent.append(bench.clock.now_ns), write(data))[1]  # type: ignore[method-assign]
    bench.run(2)
    for reading, t_sent in zip(bench.readings("d1")[1:9], sent[2:10], strict=True):  # the first poll has two requests
        stamp = reading.stamp
        first_ns, last_ns = stamp.t_mono_ns - stamp.half_width_ns, stamp.t_mono_ns + stamp.half_width_ns
        assert abs(first_ns - t_sent) < 100_000
        # 8 + 25 characters of 10 bits at 19200 and 2 ms of processing; the reply cannot be there sooner
        assert last_ns - first_ns >= 33 * 10 / 19200 * NS + 2_000_000
        assert last_ns - first_ns < 33 * 10 / 19200 * NS + 4_000_000


def test_no_drift_and_little_lateness() -> None:
    bench = Bench([7.0])
    bench.run(600)
    readings = bench.readings("d1")
    assert abs(len(readings) - 4200) <= 1
    spans = [b.stamp.t_mono_ns - a.stamp.t_mono_ns for a, b in itertools.pairwise(readings)]
    assert abs(sum(spans) / len(spans) - NS / 7) < 20_000
    assert max(r.stamp.lateness_s for r in readings) < 0.01


# -- silence


@pytest.mark.parametrize("neighbours", [1, 4])
def test_a_silent_device_costs_its_neighbours_less_than_one_poll_in_twenty(neighbours: int) -> None:
    bench = Bench([10.0] * (neighbours + 1))
    bench.instruments[1].is_silent = True
    bench.run(120)
    for number in range(2, neighbours + 2):
        assert len(bench.readings(f"d{number}")) >= 0.95 * 1200


def test_several_silent_devices_together_cost_no_more() -> None:
    bench = Bench([10.0] * 5)
    for number in (1, 2, 3):
        bench.instruments[number].is_silent = True
    bench.run(300)
    for number in (4, 5):
        assert len(bench.readings(f"d{number}")) >= 0.95 * 3000


def test_a_silent_device_gives_outcomes_but_does_not_flood() -> None:
    bench = Bench([10.0, 10.0])
    bench.instruments[1].is_silent = True
    bench.run(120)
    failures = bench.failures("d1")
    causes = [f.cause for f in failures]
    assert set(causes) == {FailureCause.TIMEOUT, FailureCause.SKIPPED}
    probes, skipped = causes.count(FailureCause.TIMEOUT), causes.count(FailureCause.SKIPPED)
    assert 6 <= probes <= 30
    assert skipped <= probes + 10
    assert abs(total_deadlines(bench, "d1") - 1200) <= 160, "all but those of the probe under way are accounted for"
    assert "polls missed: backed off" in next(f for f in failures if f.cause is FailureCause.SKIPPED and "backed" in f.detail).detail


def test_three_failures_and_a_second_without_reply_come_within_two_seconds() -> None:
    """What `communication_lost` waits for must not take as long as a probe."""
    bench = Bench([10.0, 10.0])
    bench.run(3)
    t_dead_ns = bench.clock.now_ns
    bench.instruments[1].is_silent = True
    bench.run(3)
    tried = [f for f in bench.failures("d1") if f.cause is FailureCause.TIMEOUT]
    assert len(tried) >= 3
    second = next(f for f in tried if f.stamp.t_mono_ns - t_dead_ns >= NS)
    assert second.stamp.t_mono_ns - t_dead_ns < 2.5 * NS


def test_probes_come_every_dead_probe_s_where_they_cost_nobody_a_poll() -> None:
    bench = Bench([1.0, 1.0], traits=LinkTraits(timeout_s=0.1))
    bench.instruments[1].is_silent = True
    bench.run(120)
    tried = [f.stamp.t_mono_ns for f in bench.failures("d1") if f.cause is FailureCause.TIMEOUT][4:]
    assert all(4.9 * NS <= b - a <= 6.2 * NS for a, b in itertools.pairwise(tried))
    assert len(bench.readings("d2")) >= 119


def test_a_device_that_answers_again_is_back_at_its_rate_with_all_channels() -> None:
    bench = Bench([10.0, 10.0], plan=BlockPlan(slow_every=1000))
    bench.run(2)
    bench.instruments[1].is_silent = True
    bench.run(30)
    bench.instruments[1].is_silent = False
    bench.run(30)
    bench.outcomes.clear()
    bench.run(10)
    assert len(bench.readings("d1")) >= 99
    bench2 = Bench([10.0], plan=BlockPlan(slow_every=1000))
    bench2.run(2)
    bench2.instruments[1].is_silent = True
    bench2.run(5)
    bench2.instruments[1].is_silent = False
    bench2.outcomes.clear()
    bench2.run(10)
    assert any("slow" in r.counts for r in bench2.readings("d1")[:2])


def test_failures_are_not_repeated_at_once() -> None:
    """No blind retry: after a time-out the next request to the unit belongs to the next deadline."""
    bench = Bench([1.0])
    bench.run(3)
    bench.instruments[1].is_silent = True
    before = len(bench.instruments[1].requests)
    bench.run(3)
    assert len(bench.instruments[1].requests) - before <= 3


def test_a_refused_block_costs_its_own_channels_only(caplog: pytest.LogCaptureFixture) -> None:
    bench = Bench([10.0], plan=BlockPlan(slow_every=5))
    bench.instruments[1].refuses = frozenset({100})
    bench.run(10)
    assert len(bench.readings("d1")) >= 99
    assert not any("slow" in r.counts for r in bench.readings("d1"))
    assert sum("refuses" in record.message for record in caplog.records) == 1


def test_a_device_that_refuses_everything_fails_and_is_not_backed_off() -> None:
    bench = Bench([10.0])
    bench.instruments[1].refuses = frozenset({0, 100})
    bench.run(10)
    assert {f.cause for f in bench.failures("d1")} == {FailureCause.EXCEPTION}
    assert len(bench.failures("d1")) >= 99


def test_polls_in_which_nothing_is_due_are_passed_over() -> None:
    class Sparse(BlockPlan):
        def requests(self, n):  # type: ignore[no-untyped-def]
            return super().requests(n) if n % 3 == 2 else ()

    bench = Bench([10.0], plan=Sparse(slow_every=3))
    bench.run(5)
    assert len(bench.readings("d1")) >= 49
    assert all(r.counts for r in bench.readings("d1"))


def test_a_block_that_is_never_answered_does_not_hide_the_others() -> None:
    bench = Bench([10.0], plan=BlockPlan(slow_every=20))
    bench.instruments[1].ignores = frozenset({100})
    bench.run(30)
    assert len(bench.readings("d1")) >= 200


def test_a_noisy_device_is_not_backed_off() -> None:
    """A wrong CRC costs no time; the device talks."""
    bench = Bench([10.0])
    noisy = bench.instruments[1]
    answer = noisy.answer
    noisy.answer = lambda request: [(d, data[:-1] + bytes([data[-1] ^ 1])) for d, data in answer(request)]  # type: ignore[method-assign]
    bench.run(10)
    causes = [f.cause for f in bench.failures("d1")]
    assert causes.count(FailureCause.CRC) >= 95


# -- overload


def test_a_rate_that_does_not_fit_gives_missed_polls_that_are_told() -> None:
    bench = Bench([60.0, 60.0])
    bench.run(20)
    for device in ("d1", "d2"):
        missed = [f for f in bench.failures(device) if f.cause is FailureCause.SKIPPED]
        assert missed
        assert abs(len(bench.readings(device)) + len(missed) - 1200) <= 3, "one outcome for every deadline"


def test_after_a_long_standstill_one_sample_tells_what_was_missed() -> None:
    bench = Bench([20.0])
    bench.run(1)
    bench.outcomes.clear()
    bench.clock.now_ns += 600 * NS  # the process was stopped
    bench.run(1)
    skipped = bench.failures("d1")
    assert len(skipped) == 1
    assert skipped[0].detail.startswith(("11999 polls", "12000 polls"))
    assert skipped[0].stamp.half_width_ns > 290 * NS


# -- the clock


@pytest.mark.parametrize("step_s", [3600, -3600, 2, -2])
def test_a_clock_step_is_told_once_and_reorders_nothing(step_s: int) -> None:
    bench = Bench([50.0, 10.0])
    bench.run(5)
    bench.clock.step_ns += step_s * NS
    bench.run(10)
    assert [round(f.step_ns / NS) for f in bench.facts] == [step_s]
    for device in ("d1", "d2"):
        stamps = [o.stamp.t_utc_ns for o in bench.of(device)]
        assert all(b - a >= 1_000_000 for a, b in itertools.pairwise(stamps))


# -- faults of profiles


def test_a_plan_that_fails_to_decode_costs_only_its_own_device() -> None:
    class Broken(BlockPlan):
        def decode_full(self, replies):  # type: ignore[no-untyped-def]
            raise ZeroDivisionError("scale 0")

    bench = Bench([10.0], plan=Broken())
    bench.run(2)
    assert {f.cause for f in bench.failures("d1")} == {FailureCause.UNDECODABLE}
    assert len(bench.failures("d1")) >= 19


# -- facts


def test_measured_transaction_time_agrees_with_the_budget() -> None:
    """Within 3 %, as `check` promises; the line's processing time is that of the traits."""
    bench = Bench([10.0], plan=BlockPlan(slow_every=1_000_000))
    bench.run(30)
    device = bench.poller.statistics().devices[0]
    assert device.transaction_s is not None
    assert device.budget_s is not None
    assert abs(device.transaction_s / device.budget_s - 1) < 0.03


def test_statistics_are_plain_json_and_add_up() -> None:
    bench = Bench([10.0, 10.0])
    bench.instruments[2].is_silent = True
    bench.run(30)
    status = json.loads(json.dumps(bench.poller.status()))
    statistics = bench.poller.statistics()
    assert as_plain(statistics) == dataclasses.asdict(statistics)
    assert status["polls"] == status["readings"] + sum(status["failures"].values())
    assert status["devices"][1]["silent"] is True
    assert 0.1 < status["busy_share"] < 0.5
    assert status["link"]["timeouts"] == status["failures"]["timeout"]
    assert dataclasses.is_dataclass(bench.poller.statistics())


def test_the_busy_share_of_a_full_bus_is_one() -> None:
    bench = Bench([200.0], bus=BUS)
    bench.run(30)
    assert bench.poller.statistics().busy_share > 0.97


# -- with a real profile


def test_a_shipped_profile_is_polled_with_identity_and_slow_channels() -> None:
    """Registers as the manual of the simulated load gives them: voltage at 0x0012, 1 mV, high word first; serial number at 0x0002."""
    text = shipped("simulated-load")
    profile = load_profile(text, "shipped")
    bench = Bench([10.0], plan=ReadPlan.make(profile, line_of(BUS)), traits=link_traits(profile))
    bench.instruments[1].registers.update({0x0002: 3, 0x0003: 43493, 0x0012: 0, 0x0013: 24012})
    bench.run(10)
    readings = bench.readings("d1")
    assert len(readings) >= 99
    assert {r.counts["voltage_v"] for r in readings} == {24012}
    assert set(readings[0].counts) == {c.name for c in profile.channels}, "the first poll reads everything"
    assert str(3 * 65536 + 43493) in next(r.texts for r in readings if r.texts).values()


# -- a line full of faults


@pytest.mark.parametrize("seed", range(6))
def test_every_deadline_has_one_outcome_whatever_the_line_does(seed: int) -> None:
    """Faults of `tests.traps`: late, truncated, garbled, foreign, repeated. Polls and missed deadlines add up to the deadlines passed."""
    bench = Bench([20.0, 10.0, 5.0], plan=BlockPlan(slow_every=4, has_identity=True), traits=LinkTraits(timeout_s=0.05), seed=seed)
    faulty = FaultyBench(Random(seed), 0.05, trouble=0.3, character_ns=int(10 / 19200 * NS))
    bench.line._device = faulty
    bench.run(60)
    faulty._trouble = 0.0
    bench.run(30)
    delivered = bench.outcomes
    statistics = bench.poller.statistics()
    assert len([o for o in delivered if isinstance(o, Reading)]) == statistics.readings
    for device, rate_hz in (("d1", 20), ("d2", 10), ("d3", 5)):
        assert abs(total_deadlines(bench, device) - 90 * rate_hz) <= 2
        stamps = [o.stamp.t_utc_ns for o in bench.of(device)]
        assert all(b - a >= 1_000_000 for a, b in itertools.pairwise(stamps))
        polls = next(d for d in statistics.devices if d.name == device)
        assert polls.polls == len([o for o in bench.of(device) if not (isinstance(o, PollFailure) and o.cause is FailureCause.SKIPPED)])
    assert statistics.readings > 30 * 35
    assert bench.readings("d1")[-1].stamp.t_mono_ns > bench.clock.now_ns - NS // 10, "it recovers"


def test_the_poller_goes_on_after_a_fault_of_the_program_itself(caplog: pytest.LogCaptureFixture) -> None:
    """A plan that fails where nothing may fail ends one turn, not the thread."""

    class Broken(BlockPlan):
        fails = True

        def __hash__(self) -> int:
            return 0

        @property
        def full_requests(self):  # type: ignore[no-untyped-def]
            if type(self).fails:
                raise KeyError("planted")
            return super().full_requests

    bench = Bench([1000.0], plan=Broken())
    bench.clock = bench.clock
    polled = threading.Event()
    bench.poller._deliver = lambda _outcome: polled.set()
    bench.poller.start()
    for _ in range(200):
        if any("fault of the program" in r.message for r in caplog.records):
            break
        polled.wait(0.05)
    Broken.fails = False
    assert polled.wait(10)
    bench.poller.stop()
