"""One body of lines to one server, and what it answered. The only place that knows influxdb-client.

The client is used in its synchronous mode, one request a call, no retries of its own, no compression (a local network is faster than gzip),
no redirects. Its batching mode is not used: it acknowledges nothing and loses what it holds at exit. It takes any 2xx for success, so the
status is judged here.
"""

from __future__ import annotations

import http.client
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Protocol

import urllib3.exceptions
from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.rest import ApiException
from influxdb_client.service.write_service import WriteService
from urllib3.util.connection import is_connection_dropped

from loadlog.config import ForwardConfig
from loadlog.config.forward import INFLUXDB2
from loadlog.forwarder.answers import Answer, Verdict, judge
from loadlog.loading import read_secret


class Send(Protocol):
    """What a courier needs of a server."""

    def __call__(self, body: bytes) -> Answer:
        """Lines out, meaning of the answer back; never raises for what the network or the server does."""
        ...


@dataclass(frozen=True, slots=True)
class Credentials:
    """``named``: the settings that they come from, for messages."""

    token: str = ""
    username: str = ""
    password: str = ""
    named: str = "the server's access rules"


def load_credentials(config: ForwardConfig, base: Path, environ: Mapping[str, str]) -> Credentials:
    """What the configuration names.

    Raises:
        ConfigError: an environment variable or file is missing or empty.
    """
    place = f"forward[{config.name}]"
    if config.token_env or config.token_file:
        token = read_secret(f"{place}.token", config.token_env, config.token_file, base, environ)
        return Credentials(token=token, named=f"{place}.token_env" if config.token_env else f"{place}.token_file")
    if config.username:
        password = read_secret(f"{place}.password", config.password_env, config.password_file, base, environ)
        named = "password_env" if config.password_env else "password_file"
        return Credentials(username=config.username, password=password, named=f"{place}.username and {named}")
    wanted = "token_env or token_file" if config.kind == INFLUXDB2 else "username and password_env"
    return Credentials(named=f"{place}, which names none ({wanted})")


class Sender:
    """One server. Not thread-safe: each target's thread has its own."""

    def __init__(
        self, config: ForwardConfig, credentials: Credentials, base: Path = Path(), utc_s: Callable[[], float] = time.time
    ) -> None:  # fmt: skip
        self._config, self._credentials, self._utc_s = config, credentials, utc_s
        timeout_ms = round(config.timeout_s * 1000)
        ca_file = str(base / config.ca_file) if config.ca_file else None
        # a pair: connection and each read; a single number would count only until the answer begins
        make_client: Any = InfluxDBClient  # generated code without usable types
        make_writes: Any = WriteService
        self._client = make_client(
            url=config.url, token=credentials.token or None, org=config.org or None, timeout=(timeout_ms, timeout_ms), enable_gzip=False,
            retries=False, ssl_ca_cert=ca_file,
        )  # fmt: skip
        self._api = self._client.api_client
        self._writes = make_writes(self._api)
        if config.kind == INFLUXDB2:
            self._what = f"bucket {config.bucket!r}" + (f" in organisation {config.org!r}" if config.org else "")
        else:
            self._what = f"database {config.database!r}"

    def __call__(self, body: bytes) -> Answer:
        """See `Send`."""
        is_cut = self._is_cut()
        answer = self._send(body)
        return replace(answer, is_other_connection=True) if is_cut else answer

    def _is_cut(self) -> bool:
        """Whether the connection that is kept open has been ended by the other side. The client opens another one then, in silence; one
        that ended with an answer that announced it is not kept."""
        pool = self._api.rest_client.pool_manager.connection_from_url(self._config.url).pool
        return any(kept is not None and kept.sock is not None and is_connection_dropped(kept) for kept in pool.queue)

    def _send(self, body: bytes) -> Answer:
        where = self._config.url
        try:
            _, status, headers = self._post(body)
        except ApiException as exc:
            if not exc.status:  # TLS refused
                return Answer(Verdict.UNREACHABLE, f"{where}: {reason_of_tls(_one_line(exc.reason))}")
            said = exc.body if isinstance(exc.body, bytes) else str(exc.body or "").encode()
            return judge(exc.status, dict(exc.headers or {}), said, where, self._credentials.named, self._what, self._utc_s())
        except UnicodeDecodeError:
            return Answer(Verdict.TARGET_REFUSES, f"{where} answers like no time-series database: check url (not UTF-8)")
        except (urllib3.exceptions.HTTPError, http.client.HTTPException, OSError) as exc:
            reason = reason_of(exc, self._config.timeout_s)
            # A server that is slow has not lost anything; one that cuts or refuses the connection may have been started again.
            verdict = Verdict.UNAVAILABLE if reason.startswith("no answer") else Verdict.UNREACHABLE
            return Answer(verdict, f"{where}: {reason}")
        return judge(status, dict(headers), b"", where, self._credentials.named, self._what, self._utc_s())

    def _post(self, body: bytes) -> tuple[Any, int, Any]:
        """Data, status and headers of one request."""
        config = self._config
        direct = {"redirect": False}
        if config.kind == INFLUXDB2:
            answer: tuple[Any, int, Any] = self._writes.post_write_with_http_info(
                org=config.org, bucket=config.bucket, body=body, precision="ns", content_encoding="identity",
                content_type="text/plain; charset=utf-8", urlopen_kw=direct,
            )  # fmt: skip
            return answer
        query = [("db", config.database), ("precision", "ns")]
        if config.retention_policy:
            query.append(("rp", config.retention_policy))
        headers = {"Content-Type": "text/plain; charset=utf-8", "Accept": "application/json"}
        if self._credentials.username:
            headers |= urllib3.make_headers(basic_auth=f"{self._credentials.username}:{self._credentials.password}")
        answer = self._api.call_api("/write", "POST", query_params=query, header_params=headers, body=body, urlopen_kw=direct)
        return answer


def reason_of(exc: BaseException, timeout_s: float) -> str:
    """A network error in plain words: urllib3 wraps the cause several times, and calls a refused connection a time-out."""
    chain: list[BaseException] = []
    inner: BaseException | None = exc
    while inner is not None and inner not in chain:
        chain.append(inner)
        reason = getattr(inner, "reason", None)
        inner = inner.__cause__ or inner.__context__ or (reason if isinstance(reason, BaseException) else None)
    for kinds, words in (
        ((ConnectionRefusedError,), "nobody listens there"),
        ((urllib3.exceptions.NameResolutionError,), "the host's name is not known: check url"),
        ((http.client.RemoteDisconnected, ConnectionResetError, BrokenPipeError), "the connection was cut"),
        ((TimeoutError, urllib3.exceptions.TimeoutError), f"no answer within {timeout_s:g} s"),
        ((http.client.HTTPException, urllib3.exceptions.ProtocolError), "the answer broke off, or is no HTTP: check url"),
    ):
        if any(isinstance(one, kinds) for one in chain):
            return words
    return _one_line(exc)


def reason_of_tls(said: str) -> str:
    """Why there is no encrypted connection, in plain words: OpenSSL's name of the error stands in capitals."""
    if "WRONG_VERSION_NUMBER" in said:
        return "it does not speak TLS on this port: should url begin with http://?"
    if "CERTIFICATE_VERIFY_FAILED" in said:
        return f"its certificate is not trusted: give the authority's as ca_file, or check the name in url ({said})"
    return f"no encrypted connection: {said}"


def _one_line(what: object) -> str:
    words = " ".join(str(what).split())
    return words if len(words) <= 200 else words[:199] + "…"
