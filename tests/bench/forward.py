"""Forwarding: points a second into real databases against the bare client with ready-made bodies, and what targets in trouble do to the
recorder's lateness. Both sides of every ratio take turns in one run."""

from __future__ import annotations

import contextlib
import shutil
import socket
import sqlite3
import statistics
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest import mock

from loadlog.acquisition.statistics import WINDOW_POLLS
from loadlog.config import ForwardConfig, StoreConfig
from loadlog.control.address import SOCKET_NAME, VIEWER_SOCKET
from loadlog.control.client import ControlClient
from loadlog.forwarder.answers import Answer, Verdict
from loadlog.forwarder.courier import Around, Courier
from loadlog.forwarder.facts import State
from loadlog.forwarder.sender import Credentials, Sender
from loadlog.model.clock import NS
from loadlog.model.device import ChannelSpec, DeviceSpec
from loadlog.model.errors import LoadlogError
from loadlog.model.quantity import Scale
from loadlog.model.run import Snapshot
from loadlog.model.sample import Quality, Sample, Stamp
from loadlog.model.serial_form import device_to_json
from loadlog.store import Archive, Journal, sealing
from loadlog.store.forward_state import ForwardState
from loadlog.store.sealing import SEAL_ROWS
from loadlog.store.viewer_state import open_state
from tests.bench.figures import Figure
from tests.bench.pace import Say
from tests.bench.programs import BenchError, device
from tests.bench.service import cost, service, wait_until_polled
from tests.databases import Influx1, Server, Victoria, free_port

FIELDS = ("voltage_v", "current_a", "power_w", "temperature_c", "charge_ah")  # and quality: six
DEVICES = 8
HOT_AT_MOST = 2 * DEVICES * SEAL_ROWS
BAUD, UNITS, RATE_HZ = 115200, 8, 8.0
SLOW_S = 5.0
SETTLE_S = 4.0


@dataclass(frozen=True)
class ForwardPlan:
    """``points``: recorded and forwarded per round. ``lateness_s``: how long the recorder is watched per round."""

    points: int = 300_000
    rounds: int = 5
    lateness_s: float = 15.0
    lateness_rounds: int = 5


QUICK = ForwardPlan(points=60_000, rounds=1, lateness_s=6.0, lateness_rounds=3)


class _Clock:
    def monotonic_ns(self) -> int:
        return time.monotonic_ns()

    def utc_ns(self) -> int:
        return time.time_ns()

    def sleep_until(self, monotonic_ns: int) -> None:
        time.sleep(max(0.0, (monotonic_ns - time.monotonic_ns()) / NS))


def record_hot(folder: Path, points: int) -> None:
    """As `record`, nothing sealed: a recorder without its encoding helper."""
    with mock.patch.multiple(sealing, SEAL_ROWS=1 << 60, GROUP_ROWS=1 << 60):
        _record(folder, points)
    (path,) = (folder / "recordings").glob("*.sqlite")
    if sealed := _sealed(path):
        raise BenchError(f"forward: {sealed} points were sealed")


def record(folder: Path, points: int) -> None:
    """A quantised soak test of eight loads at 10 Hz that ended a moment ago: older rows sealed, as after an outage, newer ones hot."""
    _record(folder, points, points - HOT_AT_MOST)


def _record(folder: Path, points: int, sealed_at_least: int = 0) -> None:
    channels = tuple(ChannelSpec(name, "V", "number", Scale.of("0.001"), 0.001) for name in FIELDS)
    specs = {f"load-{n}": DeviceSpec(f"load-{n}", "load", "rack", 0.1, channels) for n in range(DEVICES)}
    snapshot = Snapshot("bench", "", {}, {name: device_to_json(spec) for name, spec in specs.items()}, "bench")
    journal = Journal.open(folder, _Clock(), StoreConfig(queue_samples=200_000), devices=specs, snapshot=lambda: snapshot)
    journal.start()
    begin_ns = time.time_ns() - points * NS // 80
    for n in range(points):
        name = f"load-{n % DEVICES}"
        counts = {
            "voltage_v": 24_000 + n * 7919 % 23, "current_a": 5_000 + n * 31 % 17, "power_w": 120_000 + n * 7919 % 211,
            "temperature_c": 41_000 + n // 4000 * 100, "charge_ah": n // 57,
        }  # fmt: skip
        stamp = Stamp(begin_ns + n * NS // 80, 3_000_000, 0, 0.0001)
        journal.put_sample(Sample(0, name, stamp, Quality.GOOD, counts, {}, {}))
        if n % 20_000 == 0:
            journal.flush().result(60)
    journal.flush().result(60)
    (path,) = (folder / "recordings").glob("*.sqlite")
    give_up_s = time.monotonic() + 120
    while _sealed(path) < sealed_at_least:
        if time.monotonic() > give_up_s:
            raise BenchError(f"forward: of {points} points {_sealed(path)} were sealed")
        journal.flush().result(60)
        time.sleep(0.05)
    journal.close()


def _sealed(path: Path) -> int:
    with contextlib.closing(sqlite3.connect(path)) as db:
        return int(db.execute("SELECT coalesce(sum(rows), 0) FROM sealed").fetchone()[0])


def _config(server: Server) -> ForwardConfig:
    common = {"name": "lab", "url": server.url, "catch_up_lines_per_s": 1e7, "heartbeat_s": 3600}
    if isinstance(server, Influx1):
        server.create("bench")
        return ForwardConfig(kind="influxdb1", database="bench", **common)
    return ForwardConfig(kind="influxdb2", bucket="bench", stamps="ms", **common)


@contextlib.contextmanager
def _fresh(make: Callable[[Path], Server], folder: Path) -> Iterator[Server]:
    """An empty server."""
    shutil.rmtree(folder, ignore_errors=True)
    with make(folder) as server:
        yield server


def _forward(data: Path, config: ForwardConfig, name: str, send: Callable[[bytes], Answer]) -> float:
    """Seconds to forward everything that was recorded."""
    viewer = open_state(data)
    try:
        around = Around("bench", Archive(data), lambda: None, time.monotonic, time.time_ns)
        courier = Courier(config, around, ForwardState(viewer, name), send)
        begin_s = time.perf_counter()
        while courier.step() < 0.5 or courier.facts.state is State.CATCHING_UP:
            pass
        if courier.facts.state is not State.UP_TO_DATE:
            raise BenchError(f"forward: {courier.facts.detail}")
        return time.perf_counter() - begin_s
    finally:
        viewer.close()


@dataclass(frozen=True, slots=True)
class _Pace:
    """Of one side in one round. ``cpu_us``: processor time a point, of this process and of the server together."""

    per_s: float
    cpu_us: float


def _paced(server: Server, points: int, timed: Callable[[], float]) -> _Pace:
    """``timed``: seconds that it took to send all of them."""
    begin_cpu_s = time.process_time() + cost(server.pid).cpu_s
    took_s = timed()
    return _Pace(points / took_s, 1e6 * (time.process_time() + cost(server.pid).cpu_s - begin_cpu_s) / points)


def _send_bare(config: ForwardConfig, bodies: Sequence[bytes]) -> float:
    send = Sender(config, Credentials())
    begin_s = time.perf_counter()
    for body in bodies:
        if send(body).verdict is not Verdict.ACCEPTED:
            raise BenchError(f"forward: {config.url} refuses")
    return time.perf_counter() - begin_s


def _made(data: Path, config: ForwardConfig, name: str) -> list[bytes]:
    """The bodies that forwarding sends."""
    bodies: list[bytes] = []

    def collect(body: bytes) -> Answer:
        bodies.append(body)
        return Answer(Verdict.ACCEPTED)

    _forward(data, config, name, collect)
    return bodies


def _into(what: str, make: Callable[[Path], Server], data: Path, plan: ForwardPlan, say: Say) -> list[Figure]:
    """The share is the median of the rounds' shares: whatever else the machine does falls on both sides of a round, begun by turns."""
    place, bodies = data.parent / "server", list[bytes]()
    rounds: list[tuple[_Pace, _Pace]] = []

    def forwarded(n: int) -> _Pace:
        with _fresh(make, place) as server:
            config = _config(server)
            return _paced(server, plan.points, lambda: _forward(data, config, f"{what}-{n}", Sender(config, Credentials())))

    def bare() -> _Pace:
        with _fresh(make, place) as server:
            config = _config(server)
            if not bodies:
                bodies.extend(_made(data, config, f"{what}-made"))
            return _paced(server, plan.points, lambda: _send_bare(config, bodies))

    for n in range(plan.rounds):
        say(f"forward: {plan.points} points into {what}, {data.name}, round {n + 1}")
        first = bare() if n % 2 else None
        whole = forwarded(n)
        rounds.append((whole, first or bare()))
    rate, alone = (statistics.median(pace.per_s for pace in side) for side in zip(*rounds, strict=True))
    share = statistics.median(whole.per_s / alone.per_s for whole, alone in rounds)
    cpu_us = " and ".join(f"{statistics.median(pace.cpu_us for pace in side):.1f}" for side in zip(*rounds, strict=True))
    least = 40_000 if what == "VictoriaMetrics" else None
    beside = "recordings to acknowledged, one process"
    ready = f"ready-made bodies: {alone:.0f}/s; processor time of both ends {cpu_us} µs a point"
    return [
        Figure(f"points a second into {what}, six fields, {data.name}", rate, "/s", least=least, beside=beside),
        Figure(f"forwarding into {what} / bare client, {data.name}", share, least=0.6, beside=ready),
    ]


def forward(programs: Path, folder: Path, plan: ForwardPlan, say: Say) -> list[Figure]:
    """Throughput, then the recorder's lateness."""
    for program in ("influxd", "victoria-metrics"):
        if shutil.which(program) is None:
            raise BenchError(f"forward needs {program}: sh tests/servers.sh installs it")
    say(f"forward: recording {plan.points} points")
    folder.mkdir()
    mostly_sealed, all_hot = folder / "mostly sealed", folder / "nothing sealed"
    record(mostly_sealed, plan.points)
    record_hot(all_hot, plan.points)
    figures = _into("VictoriaMetrics", Victoria, mostly_sealed, plan, say) + _into("VictoriaMetrics", Victoria, all_hot, plan, say)
    figures += _into("InfluxDB 1.x", Influx1, mostly_sealed, plan, say)
    return figures + _lateness(programs, folder, plan, say)


def _read_request(client: socket.socket) -> None:
    """All of it: an end that leaves something unread cuts the connection, and nobody hears the answer."""
    with client.makefile("rb") as request:
        length = 0
        while line := request.readline().strip():
            name, _, value = line.partition(b":")
            length = int(value) if name.lower() == b"content-length" else length
        request.read(length)


@contextlib.contextmanager
def _answering(answer: bytes, after_s: float) -> Iterator[int]:
    """A server that says the same to everybody, late; gives its port."""
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def serve(client: socket.socket) -> None:
            with client, contextlib.suppress(OSError):
                _read_request(client)
                time.sleep(after_s)
                client.sendall(answer)

        def accept() -> None:
            with contextlib.suppress(OSError):
                while True:
                    threading.Thread(target=serve, args=(listener.accept()[0],), daemon=True).start()

        threading.Thread(target=accept, daemon=True).start()
        yield listener.getsockname()[1]


def _lateness(programs: Path, folder: Path, plan: ForwardPlan, say: Say) -> list[Figure]:
    """Mean lateness of polls with three targets in trouble against none: two services side by side, started by turns, so that whatever else
    the machine does falls on both; the median of the rounds' ratios. What the first `SETTLE_S` took is not counted."""
    seen: list[tuple[float, float]] = []
    with (
        _answering(b"HTTP/1.1 204 No Content\r\nConnection: close\r\n\r\n", SLOW_S) as slow,
        _answering(b"HTTP/1.1 401 Unauthorized\r\nContent-Length: 0\r\nConnection: close\r\n\r\n", 0.0) as refusing,
    ):
        ports = {"dead": free_port(), "slow": slow, "refusing": refusing}
        targets = "".join(
            f'[[forward]]\nname = "{name}"\nkind = "influxdb2"\nurl = "http://127.0.0.1:{port}"\nbucket = "b"\n'
            for name, port in ports.items()
        )
        for n in range(plan.lateness_rounds):
            say(f"forward: lateness of the recorder, none and three targets in trouble, round {n + 1}")
            services = [(folder / f"late-none-{n}", ""), (folder / f"late-three-{n}", targets)]
            with contextlib.ExitStack() as running:
                begun = []
                for place, more in services if n % 2 else reversed(services):
                    paced = running.enter_context(device(programs, BAUD))
                    running.enter_context(service(place, paced.port, BAUD, UNITS, RATE_HZ, more))
                    begun.append((paced, place))
                for paced, place in begun:
                    wait_until_polled(paced, place)
                time.sleep(SETTLE_S)
                before = [_lateness_so_far(place / "data") for place, _ in services]
                time.sleep(plan.lateness_s)
                after = [_lateness_so_far(place / "data") for place, _ in services]
                _must_be_in_trouble(services[1][0] / "data")
            none, three = (_mean_s(*pair) for pair in zip(before, after, strict=True))
            seen.append((none, three))
    ratio = statistics.median(three / none for none, three in seen)
    shown = ", ".join(f"{three * 1e3:.2f}/{none * 1e3:.2f}" for none, three in seen)
    beside = f"means {shown} ms, {UNITS} units at {RATE_HZ:g} Hz"
    return [Figure("recorder's lateness, dead, slow and refusing target / none", ratio, most=1.05, beside=beside)]


def _asked(data: Path, command: str, socket_name: str = SOCKET_NAME) -> dict[str, Any]:
    try:
        return ControlClient(data, name=socket_name).call(command)
    except LoadlogError as exc:
        raise BenchError(f"forward: {exc}") from exc


def _lateness_so_far(data: Path) -> tuple[int, float]:
    """Polls, and the sum of their lateness, s; all of them since the start, of which the recorder remembers so many a device."""
    facts = _asked(data, "status")["buses"]["line"]["lateness"]
    if facts["polls"] >= UNITS * WINDOW_POLLS:
        raise BenchError("forward: watched for longer than the recorder remembers polls")
    return int(facts["polls"]), facts["polls"] * float(facts["mean_s"])


def _mean_s(before: tuple[int, float], after: tuple[int, float]) -> float:
    return (after[1] - before[1]) / (after[0] - before[0])


def _must_be_in_trouble(data: Path) -> None:
    """Each target is what its name says: nobody listens, it takes its time, it refuses."""
    states = {one["name"]: one["state"] for one in _asked(data, "forward_status", VIEWER_SOCKET)["targets"]}
    if (states["dead"], states["refusing"]) != (State.WAITING, State.REFUSED) or states["slow"] in (State.WAITING, State.REFUSED):
        raise BenchError(f"forward: targets are not in the trouble that they are meant to be in: {states}")
