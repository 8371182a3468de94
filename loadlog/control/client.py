"""The other end of a control socket: the command line's, and the viewer's to the recorder."""

from __future__ import annotations

import json
import socket
import time
from pathlib import Path
from typing import Any, Protocol

from loadlog.control.address import SOCKET_NAME, VIEWER_SOCKET, socket_address
from loadlog.model.errors import LoadlogError, RefusedError, StoreError, UsageError

_CLASS_OF_STATUS: dict[int, type[LoadlogError]] = {1: RefusedError, 2: UsageError, 4: StoreError}
_WHO = {SOCKET_NAME: "recorder", VIEWER_SOCKET: "viewer"}


class Control(Protocol):
    """Who takes orders: a `ControlClient`, or what stands in for one."""

    def call(self, order: str, **fields: Any) -> dict[str, Any]:
        """The answer's fields; raises `LoadlogError` when refused or out of reach."""
        ...


class ControlClient:
    """Gives orders to the recorder that records into ``data_dir``, or to its viewer; one connection an order."""

    def __init__(self, data_dir: Path, timeout_s: float = 10.0, name: str = SOCKET_NAME) -> None:
        self._data_dir, self._timeout_s, self._name, self._who = data_dir, timeout_s, name, _WHO[name]

    def call(self, order: str, **fields: Any) -> dict[str, Any]:
        """The answer's fields.

        Raises:
            RefusedError: the recorder is not running, or says why not.
            UsageError: the order is malformed.
            StoreError: the store could not carry it out.
        """
        line = json.dumps({"order": order, **fields}).encode() + b"\n"
        try:
            with socket_address(self._data_dir, self._name) as address, socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as sock:
                sock.settimeout(self._timeout_s)
                self._connect(sock, address)
                sock.sendall(line)
                with sock.makefile("rb") as answer:
                    raw = answer.readline()
        except (FileNotFoundError, ConnectionRefusedError) as exc:
            raise RefusedError(f"no {self._who} is running", where=str(self._data_dir), hint="start it with: loadlog serve") from exc
        except PermissionError as exc:
            raise RefusedError("not permitted to give orders", where=str(self._data_dir), hint=f"join the {self._who}'s group") from exc
        except TimeoutError as exc:
            raise RefusedError(
                f"the {self._who} did not answer within {self._timeout_s:g} s", where=str(self._data_dir), retryable=True
            ) from exc
        except OSError as exc:
            raise RefusedError(
                f"the {self._who} cannot be reached: {exc.strerror or exc}", where=str(self._data_dir), retryable=True
            ) from exc
        return self._judge(raw)

    def _connect(self, sock: socket.socket, address: str) -> None:
        """A full queue of connections answers EAGAIN at once to a socket with a time-out (unix(7)); it is tried again until then."""
        end_s = time.monotonic() + self._timeout_s
        while True:
            try:
                return sock.connect(address)
            except BlockingIOError as exc:
                if time.monotonic() >= end_s:
                    raise TimeoutError from exc
                time.sleep(0.02)

    def _judge(self, raw: bytes) -> dict[str, Any]:
        try:
            answer = json.loads(raw)
        except ValueError as exc:
            raise RefusedError(f"the {self._who} ended before it answered", where=str(self._data_dir), retryable=True) from exc
        if not answer.pop("ok", False):
            error_class = _CLASS_OF_STATUS.get(answer.get("exit_status", 1), RefusedError)
            raise error_class(str(answer.get("error", "refused without a reason")))
        return dict(answer)
