"""The same way of sending against real databases: write path 1.x on InfluxDB 1.x, write API v2 on VictoriaMetrics, every point compared."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from line_protocol_parser import parse_line

from loadlog.config import ForwardConfig
from loadlog.forwarder.answers import Verdict
from loadlog.forwarder.lines import SampleLines
from loadlog.forwarder.sender import Credentials, Sender
from loadlog.forwarder.stamps import Stamps
from loadlog.model.clock import NS
from loadlog.store import Archive
from tests.databases import Influx1, Points, Victoria, free_port
from tests.fault_proxy import read_request, response
from tests.unit.forwarder.desk import Desk, record
from tests.unit.store.recorded import OpenJournal, event

pytestmark = pytest.mark.server


@pytest.fixture
def victoria(tmp_path: Path) -> Iterator[Victoria]:
    with Victoria(tmp_path / "victoria") as server:
        yield server


def to_influx(url: str, **settings: Any) -> ForwardConfig:
    return ForwardConfig(name="lab", kind="influxdb1", url=url, **{"database": "bench", "catch_up_lines_per_s": 1e7, **settings})


def to_v2(url: str, **settings: Any) -> ForwardConfig:
    return ForwardConfig(name="lab", kind="influxdb2", url=url, **{"bucket": "bench", "catch_up_lines_per_s": 1e7, **settings})


def stored_points(folder: Path, mode: str = "ns") -> Points:
    """Every stored sample as the point it must become, read from its line by an independent parser."""
    lines, out = SampleLines("bench-a", Stamps(mode)), {}
    for row in Archive(folder).follow(0).poll_rows(10**7):
        point = parse_line(lines.line(row))
        key = (point["measurement"], *(point["tags"][tag] for tag in sorted(point["tags"])))
        out.setdefault(key, {})[point["time"]] = {name: float(value) for name, value in point["fields"].items()}
    return out


def as_floats(points: Points) -> Points:
    return {key: {t: {n: float(v) for n, v in fields.items()} for t, fields in series.items()} for key, series in points.items()}


def test_every_sample_is_in_influxdb_exactly(influx: Influx1, tmp_path: Path) -> None:
    record(tmp_path / "data", 6000)
    desk = Desk(tmp_path / "data", Sender(to_influx(influx.url), Credentials()), batch_lines=500)  # type: ignore[arg-type]
    desk.drain()
    assert as_floats(influx.points("bench", "load")) == stored_points(tmp_path / "data")
    assert desk.courier.facts.set_aside == 0


def test_every_sample_is_in_victoria_metrics_to_the_millisecond(victoria: Victoria, tmp_path: Path) -> None:
    record(tmp_path / "data", 6000, later_ns=-1000 * 86_400 * NS)  # what lies in the future is dropped there, and acknowledged
    desk = Desk(tmp_path / "data", Sender(to_v2(victoria.url), Credentials()), stamps="ms", batch_lines=500)  # type: ignore[arg-type]
    desk.drain()
    assert victoria.points("load") == stored_points(tmp_path / "data", "ms")


def test_events_and_heartbeats_are_in_influxdb(influx: Influx1, tmp_path: Path) -> None:
    with OpenJournal(tmp_path / "data") as opened:
        opened.journal.put_events([event(n, n, message=f'number {n}: "quoted", back\\slash, Ω') for n in range(1, 400)])
        opened.flush()
    desk = Desk(tmp_path / "data", Sender(to_influx(influx.url), Credentials()))  # type: ignore[arg-type]
    desk.health = {"rack": {"polls": 3, "failures": {"timeout": 1}, "lateness": {"p99_s": 0.5}}}
    desk.drain()
    [series] = influx.points("bench", "bench_event").values()
    assert {fields["id"]: fields["text"] for fields in series.values()} == {
        n: f'number {n}: "quoted", back\\slash, Ω' for n in range(1, 400)
    }  # fmt: skip
    [health] = influx.points("bench", "bench_health").values()
    assert next(iter(health.values())) == {"lateness_s": 0.5, "polls": 3, "timeouts": 1, "crc_errors": 0, "backlog": 0}


def test_what_a_real_server_refuses_is_set_aside_and_nothing_else(influx: Influx1, tmp_path: Path) -> None:
    """A channel that the database knows as text already: only the samples that carry it are refused (a partial write, status 400)."""
    record(tmp_path / "data", 3000)
    wanted = stored_points(tmp_path / "data")
    stamps = sorted(t for series in wanted.values() for t in series)
    influx.get("/write", f'load,bench=other fan_rpm="text" {stamps[0]}\n'.encode(), db="bench", precision="ns")
    lines = SampleLines("bench-a", Stamps("ns"))
    good = [lines.line(row) for row in Archive(tmp_path / "data").follow(0).poll_rows(10**6)]
    poisoned = [line.replace(" voltage_v=", " fan_rpm=1.0,voltage_v=") if n % 97 == 5 else line for n, line in enumerate(good)]
    from loadlog.forwarder.delivery import deliver

    delivery = deliver(
        "\n".join(poisoned).encode(), Sender(to_influx(influx.url), Credentials()), lambda: "bench_health,bench=a,bus=none polls=0i 1"
    )
    refused = [line for line in poisoned if "fan_rpm" in line]
    assert delivery.answer.verdict is Verdict.ACCEPTED
    assert [line for line, _ in delivery.aside] == refused
    assert all("field type conflict" in reason and '"fan_rpm"' in reason for _, reason in delivery.aside)
    found = sum(len(series) for key, series in influx.points("bench", "load").items() if key[1] == "bench-a")
    assert found == len(good) - len(refused) == delivery.accepted


def test_wrong_password_missing_database_and_a_page_each_give_one_clear_line(tmp_path: Path) -> None:
    with Influx1(tmp_path / "auth", auth=True) as server:
        server.create("bench")
        named = Credentials(username="admin", password="wrong", named="forward[lab].username and password_env")
        answer = Sender(to_influx(server.url, username="admin", password_env="P"), named)(b"m v=1 1")
        assert answer.verdict is Verdict.TARGET_REFUSES
        assert answer.reason == (
            f"{server.url} does not accept the credentials: check forward[lab].username and password_env (authorization failed)"
        )
        right = Credentials(username="admin", password="secret")
        assert Sender(to_influx(server.url, username="admin", password_env="P"), right)(b"m v=1 1").verdict is Verdict.ACCEPTED
        answer = Sender(to_influx(server.url, database="missing", username="admin", password_env="P"), right)(b"m v=1 1")
        assert answer.verdict is Verdict.TARGET_REFUSES
        assert answer.reason.startswith(f"{server.url} has no database 'missing', or no such write path (database not found")
        answer = Sender(to_v2(server.url), Credentials(token="t" * 20))(b"m v=1 1")
        assert answer.verdict is Verdict.TARGET_REFUSES, "write API v2 is unknown there"
        assert "or no such write path" in answer.reason
    answer = Sender(to_influx(server.url), Credentials())(b"m v=1 1")
    assert (answer.verdict, answer.reason) == (Verdict.UNREACHABLE, f"{server.url}: nobody listens there")


def test_something_that_is_no_server_at_all() -> None:
    for talk, said in (
        (b"220 mail ready\r\n", "the answer broke off, or is no HTTP: check url"),
        (b"", "the connection was cut"),
        (response(b"200 OK", b"Content-Type: text/html\r\n", "<h1>käse</h1>".encode("latin-1")), "answers like no time-series database"),
    ):
        with socket.create_server(("127.0.0.1", 0)) as listener:
            threading.Thread(target=_say, args=(listener, talk), daemon=True).start()
            answer = Sender(to_influx(f"http://127.0.0.1:{listener.getsockname()[1]}"), Credentials())(b"m v=1 1")
        assert answer.verdict in (Verdict.UNREACHABLE, Verdict.TARGET_REFUSES)
        assert said in answer.reason or "broke off" in answer.reason, answer
        assert "\n" not in answer.reason
    answer = Sender(to_influx("http://no-such-host.invalid"), Credentials())(b"m v=1 1")
    assert "the host's name is not known" in answer.reason
    answer = Sender(to_influx(f"https://127.0.0.1:{free_port()}"), Credentials())(b"m v=1 1")
    assert answer.verdict is Verdict.UNREACHABLE
    with socket.create_server(("127.0.0.1", 0)) as listener:
        threading.Thread(target=_say, args=(listener, response(b"400 Bad Request", b"", b"")), daemon=True).start()
        answer = Sender(to_influx(f"https://127.0.0.1:{listener.getsockname()[1]}"), Credentials())(b"m v=1 1")
    assert answer.verdict is Verdict.UNREACHABLE
    assert answer.reason.endswith("it does not speak TLS on this port: should url begin with http://?")


def test_a_server_that_was_started_again_between_two_requests_shows(tmp_path: Path) -> None:
    """The client connects again in silence; only a goodbye that was said means nothing."""
    with Victoria(tmp_path / "victoria") as server:
        send = Sender(to_v2(server.url), Credentials())
        assert [send(b"m v=1 1000000000").is_other_connection for _ in range(3)] == [False] * 3
        server.kill()
        server.start()
        answers = [send(b"m v=1 1000000000") for _ in range(2)]
        assert [(answer.verdict, answer.is_other_connection) for answer in answers] == [(Verdict.ACCEPTED, True), (Verdict.ACCEPTED, False)]


def test_a_connection_that_the_server_ends_with_a_word_is_no_restart() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        goodbye = b"HTTP/1.1 204 No Content\r\nConnection: close\r\n\r\n"
        send = Sender(to_influx(f"http://127.0.0.1:{listener.getsockname()[1]}"), Credentials())
        for _ in range(2):
            thread = threading.Thread(target=_say, args=(listener, goodbye))
            thread.start()
            answer = send(b"m v=1 1")
            thread.join()
            assert (answer.verdict, answer.is_other_connection) == (Verdict.ACCEPTED, False)


def _say(listener: socket.socket, talk: bytes) -> None:
    client, _ = listener.accept()
    with client:
        client.recv(65536)
        client.sendall(talk)


def captured(make: Callable[[str], Sender]) -> tuple[str, dict[str, str], bytes]:
    """Request line, headers and body of one write."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        seen = []

        def serve() -> None:
            client, _ = listener.accept()
            with client:
                seen.append(read_request(client))
                client.sendall(b"HTTP/1.1 204 No Content\r\n\r\n")

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        answer = make(f"http://127.0.0.1:{listener.getsockname()[1]}")(b"m,t=a v=1.0 1\nm,t=a v=2.0 2")
        thread.join(10)
    assert answer.verdict is Verdict.ACCEPTED
    assert seen[0] is not None
    first, *rest = seen[0].head.decode().split("\r\n")
    return first, {k.lower(): v for k, v in (line.split(": ", 1) for line in rest)}, seen[0].body


def test_a_request_to_the_write_api_v2_is_as_published() -> None:
    """InfluxDB v2 API reference, "POST /api/v2/write": query parameters org, bucket, precision; header Authorization "Token ...";
    Content-Type text/plain; charset=utf-8; Content-Encoding identity; Accept application/json. InfluxDB 3.x takes the same requests
    ("compatibility APIs": bucket is the database, org is ignored)."""
    config = {"bucket": "bench & co", "org": "lab"}
    first, headers, body = captured(lambda url: Sender(to_v2(url, **config), Credentials(token="my-token")))
    assert first == "POST /api/v2/write?org=lab&bucket=bench+%26+co&precision=ns HTTP/1.1"
    assert headers["authorization"] == "Token my-token"
    assert headers["content-type"].lower() in ("text/plain; charset=utf-8", "text/plain")
    assert headers["content-encoding"] == "identity"
    assert "application/json" in headers["accept"]
    assert body == b"m,t=a v=1.0 1\nm,t=a v=2.0 2"
    assert int(headers["content-length"]) == len(body)


def test_a_request_to_the_write_path_of_1x_is_as_published() -> None:
    """InfluxDB 1.x HTTP API reference, "/write": db, precision, rp; basic authentication."""
    config = {"database": "bench", "retention_policy": "a year", "username": "me", "password_env": "P"}
    first, headers, _ = captured(lambda url: Sender(to_influx(url, **config), Credentials(username="me", password="pass:word")))
    assert first == "POST /write?db=bench&precision=ns&rp=a+year HTTP/1.1"
    assert headers["authorization"] == "Basic bWU6cGFzczp3b3Jk"


def test_the_token_is_in_no_message_and_no_log(caplog: pytest.LogCaptureFixture, tmp_path: Path) -> None:
    caplog.set_level(0)
    sender = Sender(to_v2(f"http://127.0.0.1:{free_port()}"), Credentials(token="very-secret-token"))
    assert "very-secret-token" not in sender(b"m v=1 1").reason
    assert "very-secret-token" not in caplog.text
