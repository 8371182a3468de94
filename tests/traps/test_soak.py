"""No wrong value ever: thousands of polls over a line full of faults, in virtual time (see `soak`)."""

from __future__ import annotations

import secrets

import pytest

from loadlog.bus.doubt import Doubts
from loadlog.bus.pdu import Exchange
from loadlog.bus.rtu import RtuLink
from tests.traps.soak import run_soak


@pytest.mark.parametrize(
    ("seed", "settings"),
    [
        (101, {}),
        (102, {"baudrate": 115200}),
        (103, {"baudrate": 9600, "half_duplex": False}),
        (104, {"trouble": 0.8}),
        (105, {"echo": True}),
        (106, {"hard": True, "trouble": 0.4}),
        (107, {"stalls": 0.05}),
        (108, {"hard": True, "trouble": 0.7}),
    ],
)
def test_no_wrong_value_and_no_request_too_early(seed: int, settings: dict[str, object]) -> None:
    print(f"seed {seed}")
    result = run_soak(5000, seed, **settings)  # type: ignore[arg-type]
    assert result.wrong == []
    assert result.too_early == 0
    assert result.good + sum(result.failures.values()) == result.polls
    assert result.good > 0.1 * result.polls
    assert all(result.faults.values()), "a fault that never happened proves nothing"


@pytest.mark.parametrize("stalls", [0.0, 0.1])
def test_line_without_faults_loses_nothing(stalls: float) -> None:
    """Also on a machine that is too busy: what has come is looked at before it is called missing."""
    result = run_soak(2000, 7, trouble=0.0, stalls=stalls)
    assert (result.good, result.failures, result.wrong) == (2000, {}, [])


def test_no_wrong_value_with_a_fresh_seed() -> None:
    seed = secrets.randbelow(1 << 31)
    print(f"seed {seed}")
    result = run_soak(5000, seed, hard=True, trouble=0.7)
    assert result.wrong == []
    assert result.faults["late_other_length"] > 50


def test_lengths_alone_do_not_tell_late_answers_of_wrong_lengths_apart(monkeypatch: pytest.MonkeyPatch) -> None:
    """The combination does bite: with the question alone, and no rest, an answer to an earlier question passes for the value."""
    monkeypatch.setattr(Doubts, "must_rest", lambda *_: False)
    assert any(run_soak(10_000, seed, hard=True, trouble=0.7).wrong for seed in (3000, 3001))


def test_same_seed_same_run() -> None:
    assert run_soak(500, 3) == run_soak(500, 3)


def test_soak_sees_what_a_client_without_the_defence_does() -> None:
    """The faults do bite: without hold and doubt, values of other registers come out."""

    class Trusting(RtuLink):
        def _is_answer_owed(self, call: Exchange, pdu: bytes, heard: bytearray) -> bool:
            return False

    assert len(run_soak(2000, 5, hard=True, trouble=0.4, link_type=Trusting).wrong) > 20
