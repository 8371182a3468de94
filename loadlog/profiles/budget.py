"""The wire budget of a bus, before the first poll: transactions, time on the wire, the share of the bus used, the highest rate that fits.

For Modbus RTU on a serial port the time is exact for conforming devices (`model.wire.transaction_s`); it holds as far as the profile's
``processing_s`` does. Elsewhere the wire is not ours to compute: the figures are estimates from ``processing_s`` and say so, and nothing
is refused on their account.

A rate is refused when the average over a whole cycle of slow channels needs more than `MAX_SHARE` of the bus: the rest is what a master
on a busy machine, a late answer and a repeated poll take.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from loadlog.config import BusConfig, DeviceConfig
from loadlog.model.errors import ConfigError
from loadlog.model.wire import Line, LinkTraits, ModbusRead, Request, ScpiQuery, transaction_s
from loadlog.profiles.devices import check_fit
from loadlog.profiles.plan import ReadPlan
from loadlog.profiles.profile import Profile

MAX_SHARE = 0.95
_ANSWER_CHARACTERS = 14  # a number in NR3 with its separator


@dataclass(frozen=True, slots=True)
class DeviceBudget:
    """``transactions_per_poll``, ``wire_s_per_poll``: average over the cycle of slow channels; ``longest_poll_s``: the busiest poll.
    ``share``: of the bus' time. ``highest_rate_hz``: that fits while the neighbours keep theirs."""

    device: str
    rate_hz: float
    transactions_per_poll: float
    wire_s_per_poll: float
    longest_poll_s: float
    share: float
    highest_rate_hz: float


@dataclass(frozen=True, slots=True)
class BusBudget:
    """``computable``: the figures are exact, not estimates. ``share``: of the bus' time that the rates need; ``transactions_per_s``:
    likewise. ``rate_factor``: all rates may be multiplied by it. ``notes``: what a person should know, one line each."""

    bus: str
    kind: str
    address: str
    computable: bool
    share: float
    transactions_per_s: float
    rate_factor: float
    devices: tuple[DeviceBudget, ...]
    notes: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """Plain JSON values."""
        data = asdict(self)
        data["devices"] = list(data["devices"])
        data["notes"] = list(self.notes)
        return data


@dataclass(frozen=True, slots=True)
class _Need:
    transactions: float
    wire_s: float
    longest_s: float


def bus_budget(bus: BusConfig, devices: Sequence[tuple[DeviceConfig, Profile]], where: str = "") -> BusBudget:
    """The budget of one bus with its devices; ``where`` is the configuration file, for messages.

    Raises:
        ConfigError: a profile does not fit the bus, or the rates cannot fit; names the rate that can.
    """
    for device, profile in devices:
        check_fit(bus, device, profile, where)
    line = Line(bus.baudrate, bus.bits_per_character) if bus.port or bus.kind == "modbus-rtu-over-tcp" else None
    computable = bus.kind == "modbus-rtu"
    needs = [_need(ReadPlan.make(profile, line), line, bus.kind) for _, profile in devices]
    share = sum(need.wire_s * device.rate_hz for need, (device, _) in zip(needs, devices, strict=True))
    rows = tuple(_row(device, need, share) for need, (device, _) in zip(needs, devices, strict=True))
    budget = BusBudget(
        bus=bus.name,
        kind=bus.kind,
        address=bus.address,
        computable=computable,
        share=share,
        transactions_per_s=sum(row.transactions_per_poll * row.rate_hz for row in rows),
        rate_factor=MAX_SHARE / share if share else 1.0,
        devices=rows,
        notes=tuple(_notes(bus, rows, share, computable)),
    )
    if computable and share > MAX_SHARE:
        raise ConfigError(_refusal(budget), where=where, hint="lower rate_hz, raise every of slow channels, or raise the baud rate")
    return budget


def _need(plan: ReadPlan, line: Line | None, kind: str) -> _Need:
    traits = plan.profile.traits
    times, transactions = [], 0
    for n in range(plan.cycle):
        requests = plan.requests(n)
        transactions += len(requests)
        times.append(sum(_request_s(request, line, traits, kind) for request in requests))
    return _Need(transactions / plan.cycle, sum(times) / plan.cycle, max(times))


def _request_s(request: Request, line: Line | None, traits: LinkTraits, kind: str) -> float:
    if line is None:
        return traits.quiet_s + traits.processing_s
    if isinstance(request, ModbusRead):
        return transaction_s(line, request, traits)
    queries = request.text.count(";") + 1 if isinstance(request, ScpiQuery) else 0
    characters = len(request.text) + 1 + queries * _ANSWER_CHARACTERS if isinstance(request, ScpiQuery) else 0
    return traits.quiet_s + line.characters_s(characters) + queries * traits.processing_s


def _row(device: DeviceConfig, need: _Need, share: float) -> DeviceBudget:
    own = need.wire_s * device.rate_hz
    left = max(0.0, MAX_SHARE - (share - own))
    highest = left / need.wire_s if need.wire_s else 0.0
    return DeviceBudget(device.name, device.rate_hz, need.transactions, need.wire_s, need.longest_s, own, highest)


def _notes(bus: BusConfig, rows: Sequence[DeviceBudget], share: float, computable: bool) -> list[str]:
    notes = []
    if not computable:
        notes.append(f"{bus.kind}: the wire time is not computable; estimated from the profiles' processing_s")
        if share > MAX_SHARE:
            notes.append(f"estimated to need {share:.0%} of the bus: expect late polls, or measure processing_s")
    for row in rows:
        if row.longest_poll_s * row.rate_hz > 1.0:
            notes.append(f"{row.device}: its busiest poll takes {row.longest_poll_s * 1e3:.1f} ms, longer than its period")
    return notes


def _refusal(budget: BusBudget) -> str:
    """What is too much, and which rates fit: each alone, or all scaled alike."""
    parts = []
    for row in budget.devices:
        scaled = _floor(row.rate_hz * budget.rate_factor)
        parts.append(f"{row.device} {scaled:g} instead of {row.rate_hz:g}")
    at = f"{budget.share:.0%} of the wire time at these rates, at most {MAX_SHARE:.0%} can be used"
    return f"bus[{budget.bus}]: rate_hz does not fit: {at}; this fits: {', '.join(parts)}"


def _floor(rate_hz: float) -> float:
    """Rounded down to three digits, so that the rate named really fits."""
    text = f"{rate_hz:.2e}"
    rounded = float(text)
    if rounded > rate_hz:
        mantissa, exponent = text.split("e")
        rounded = float(f"{float(mantissa) - 0.01:.2f}e{exponent}")
    return rounded
