"""Rates per peer, with time as an argument."""

from __future__ import annotations

import asyncio
from contextlib import AsyncExitStack

import pytest

from loadlog.web.limits import LOCAL_SHARE, MAX_FAILURES, MAX_PEERS, FailureCounter, Places, Rate, RateLimit, is_local, peer_of
from loadlog.web.problems import Problem


class Clock:
    now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


def refused(limit: RateLimit, peer: str) -> int | None:
    """The seconds to wait, or None where the request is permitted."""
    try:
        limit.spend(peer)
    except Problem as problem:
        return int((problem.headers or {})["Retry-After"]) if problem.status_code == 429 else -1
    return None


def test_a_burst_then_the_rate_and_the_wait_that_is_told_is_enough() -> None:
    clock = Clock()
    limit = RateLimit(Rate(0.5, 5), "changes", clock)
    assert [refused(limit, "192.0.2.1") for _ in range(5)] == [None] * 5
    wait_s = refused(limit, "192.0.2.1")
    assert wait_s == 2
    assert refused(limit, "192.0.2.2") is None  # another peer
    clock.now_s += wait_s
    assert refused(limit, "192.0.2.1") is None
    assert refused(limit, "192.0.2.1") is not None
    clock.now_s += 3600
    assert [refused(limit, "192.0.2.1") for _ in range(6)].count(None) == 5  # idle hours are not saved up


def test_over_a_long_time_no_more_than_the_rate() -> None:
    clock = Clock()
    limit = RateLimit(Rate(2.0, 10), "reads", clock)
    permitted = 0
    for _ in range(10_000):
        clock.now_s += 0.01
        permitted += refused(limit, "192.0.2.1") is None
    assert 200 <= permitted <= 210


def test_a_peer_on_this_machine_may_stand_for_many() -> None:
    limit = RateLimit(Rate(1.0, 5), "reads", Clock())
    assert [refused(limit, "127.0.0.1") for _ in range(5 * LOCAL_SHARE + 1)].count(None) == 5 * LOCAL_SHARE


def test_memory_is_bounded_and_the_busy_are_not_forgotten() -> None:
    clock = Clock()
    limit = RateLimit(Rate(0.001, 3), "reads", clock)
    failures = FailureCounter(clock)
    for _ in range(4):
        refused(limit, "192.0.2.1")
    for number in range(3 * MAX_PEERS):
        peer = f"2001:db8:0:{number:x}::/64"
        failures.add(peer)
        assert refused(limit, peer) is None
        assert refused(limit, "192.0.2.1") is not None
    assert len(limit._buckets) <= MAX_PEERS
    assert len(failures._failures) <= MAX_PEERS


def test_failures_are_forgotten_after_a_minute_and_kept_per_peer() -> None:
    clock = Clock()
    failures = FailureCounter(clock)
    for _ in range(MAX_FAILURES):
        failures.refuse_blocked("a")
        failures.add("a")
        clock.now_s += 1
    with pytest.raises(Problem) as caught:
        failures.refuse_blocked("a")
    assert caught.value.headers == {"Retry-After": "50"}
    failures.refuse_blocked("b")
    clock.now_s += 50
    failures.refuse_blocked("a")


@pytest.mark.parametrize(
    ("address", "peer"),
    [
        ("192.0.2.1", "192.0.2.1"),
        ("::ffff:192.0.2.1", "192.0.2.1"),
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64"),
        ("fe80::1%eth0", "fe80::/64"),
        ("::1", "::1"),
        ("unknown", "unknown"),
        ("x" * 1000, "x" * 64),
    ],
)
def test_a_peer_is_an_address_or_the_network_of_which_one_host_has_all(address: str, peer: str) -> None:
    """RFC 4291, 2.5.1 and 2.5.5.2: interface identifiers of 64 bits; IPv4-mapped addresses."""
    assert peer_of({"client": (address, 1234)}) == peer
    assert is_local(peer) == (address == "::1")
    assert peer_of({}) == ""


def test_costly_reads_wait_in_order_and_are_few_at_once() -> None:
    async def story() -> None:
        places = Places(at_once=2, per_peer=100)
        under_way, most, order = 0, 0, []

        async def read(number: int) -> None:
            nonlocal under_way, most
            async with places.take("192.0.2.1"):
                under_way += 1
                most = max(most, under_way)
                order.append(number)
                await asyncio.sleep(0)
                under_way -= 1
                if number % 3 == 0:
                    raise OSError

        done = await asyncio.gather(*(read(number) for number in range(30)), return_exceptions=True)
        assert sum(isinstance(one, OSError) for one in done) == 10
        assert (most, order) == (2, list(range(30)))
        assert not places._held

    asyncio.run(story())


def test_one_peer_cannot_fill_the_line() -> None:
    async def story() -> None:
        places = Places(at_once=1, per_peer=3)
        async with AsyncExitStack() as stack:
            await stack.enter_async_context(places.take("192.0.2.1"))
            waiting = [asyncio.create_task(stack.enter_async_context(places.take("192.0.2.1"))) for _ in range(2)]
            await asyncio.sleep(0)
            with pytest.raises(Problem) as caught:
                await stack.enter_async_context(places.take("192.0.2.1"))
            assert caught.value.status_code == 429
            other = asyncio.create_task(stack.enter_async_context(places.take("192.0.2.2")))
            await asyncio.sleep(0)
            assert not other.done()  # it waits, it is not refused
            for task in (*waiting, other):
                task.cancel()
            await asyncio.gather(*waiting, other, return_exceptions=True)
        assert not places._held

    asyncio.run(story())
