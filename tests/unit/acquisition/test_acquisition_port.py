"""The poller on a virtual line when the port goes, with identities to read and with orders between the polls."""

from __future__ import annotations

from polled_line import Bench, BlockPlan

from loadlog.model.sample import FailureCause
from loadlog.model.wire import LinkFailure, ModbusWrite, Reply, ScpiCommand
from tests.traps import frames

NS = 1_000_000_000


# -- the port


def test_unplugged_and_back() -> None:
    bench = Bench([10.0, 10.0])
    bench.run(5)
    bench.line.plugged = False
    bench.run(10)
    lost = [f for f in bench.failures("d1") if f.cause is FailureCause.PORT_LOST]
    assert 3 <= len(lost) <= 22, "told, at a bounded pace"
    assert not bench.poller.statistics().is_open
    assert "no such port" in bench.poller.statistics().fault
    bench.line.plugged = True
    t_back_ns = bench.clock.now_ns
    bench.outcomes.clear()
    bench.run(5)
    for device in ("d1", "d2"):
        assert bench.readings(device)[0].stamp.t_mono_ns - t_back_ns < 0.8 * NS
        assert len(bench.readings(device)) >= 42
    assert bench.poller.statistics().reopened == 1


def test_a_port_that_is_missing_at_the_start_is_waited_for() -> None:
    bench = Bench([10.0])
    bench.line.plugged = False
    bench.run(5)
    assert {o.cause for o in bench.failures("d1")} == {FailureCause.PORT_LOST}
    assert "no such port" in bench.failures("d1")[0].detail
    bench.line.plugged = True
    bench.run(5)
    assert len(bench.readings("d1")) >= 42


def test_a_port_that_goes_at_every_request_is_not_opened_in_a_tight_loop() -> None:
    bench = Bench([100.0])
    opened = 0
    plain_open, plain_write = bench.line.open, bench.line.write

    def count_open() -> None:
        nonlocal opened
        bench.line.plugged = True
        opened += 1
        plain_open()

    def unplug(data: bytes) -> None:
        bench.line.plugged = False
        plain_write(data)

    bench.line.open, bench.line.write = count_open, unplug  # type: ignore[method-assign]
    bench.run(10)
    assert opened <= 30


# -- identity


def test_the_identity_is_read_at_the_start_and_now_and_then() -> None:
    bench = Bench([10.0, 10.0], plan=BlockPlan(has_identity=True))
    bench.instruments[1].registers[500] = 4711
    bench.run(130)
    texts = [r.texts["serial"] for r in bench.readings("d1") if r.texts]
    assert bench.readings("d1")[1].texts or bench.readings("d1")[2].texts
    assert texts == ["4711"] * 3
    assert not bench.failures("d1")


def test_the_identity_is_read_again_after_a_silence() -> None:
    bench = Bench([10.0, 10.0], plan=BlockPlan(has_identity=True))
    bench.run(5)
    bench.instruments[1].is_silent = True
    bench.run(6)
    bench.instruments[1].is_silent = False
    bench.instruments[1].registers[500] = 9
    bench.outcomes.clear()
    bench.run(30)
    assert {r.texts["serial"] for r in bench.readings("d1") if r.texts} == {"9"}


def test_an_identity_that_is_refused_does_no_harm() -> None:
    bench = Bench([10.0], plan=BlockPlan(has_identity=True))
    bench.instruments[1].refuses = frozenset({500})
    bench.run(200)
    assert not bench.failures("d1")
    asked = sum(request[2:4] == (500).to_bytes(2, "big") for request in bench.instruments[1].requests)
    assert asked <= 3, "asked ever more rarely"


def test_a_full_bus_still_reads_the_identity() -> None:
    bench = Bench([60.0, 60.0], plan=BlockPlan(has_identity=True))
    bench.run(100)
    assert any(r.texts for r in bench.readings("d1"))


# -- orders


def test_an_order_goes_before_the_polls_and_its_effect_is_read_at_once() -> None:
    bench = Bench([0.1, 10.0], plan=BlockPlan(slow_every=10))
    bench.run(13)
    answer = bench.poller.submit("d1", ModbusWrite(6, 0, (99,)))
    assert not answer.done()
    bench.outcomes.clear()
    bench.run(0.5)
    assert isinstance(answer.result(timeout=0), Reply)
    sent = bench.instruments[1].requests
    assert frames.seal(bytes([1, 6, 0, 0, 0, 99])) in sent
    first = bench.readings("d1")[0]
    assert first.counts["fast"] == 99
    assert "slow" in first.counts, "every channel, so that the effect shows"
    bench.run(20)
    assert len(bench.readings("d1")) == 3, "the grid stays as it was"


def test_an_order_is_sent_once_though_it_is_not_answered() -> None:
    bench = Bench([1.0])
    bench.run(2)
    bench.instruments[1].is_silent = True
    answer = bench.poller.submit("d1", ModbusWrite(6, 0, (0,)))
    bench.run(3)
    result = answer.result(timeout=0)
    assert isinstance(result, LinkFailure)
    assert result.cause is FailureCause.TIMEOUT
    assert sum(request[1] == 6 for request in bench.instruments[1].requests) == 1


def test_an_order_reaches_a_device_that_is_backed_off() -> None:
    bench = Bench([10.0, 10.0])
    bench.instruments[1].is_silent = True
    bench.run(20)
    bench.instruments[1].is_silent = False
    answer = bench.poller.submit("d1", ModbusWrite(6, 0, (7,)))
    bench.run(0.5)
    assert isinstance(answer.result(timeout=0), Reply)
    assert bench.readings("d1")[-1].counts["fast"] == 7


def test_orders_are_answered_when_the_port_is_gone_or_the_service_stops() -> None:
    bench = Bench([10.0])
    bench.line.plugged = False
    bench.run(1)
    gone = bench.poller.submit("d1", ModbusWrite(6, 0, (0,)))
    bench.run(1)
    assert gone.result(timeout=0).cause is FailureCause.PORT_LOST  # type: ignore[union-attr]
    left = bench.poller.submit("d1", ModbusWrite(6, 0, (0,)))
    bench.poller.stop()
    late = bench.poller.submit("d1", ModbusWrite(6, 0, (0,)))
    for answer in (left, late):
        assert answer.result(timeout=0).cause is FailureCause.SKIPPED  # type: ignore[union-attr]


def test_an_order_that_the_bus_cannot_carry_fails_alone() -> None:
    bench = Bench([10.0])
    answer = bench.poller.submit("d1", ScpiCommand("INP OFF"))
    bench.run(2)
    assert isinstance(answer.result(timeout=0), LinkFailure)
    assert len(bench.readings("d1")) >= 19
