"""The recorder's end of the control socket. Threads here only carry lines; what an order means is decided by ``handle``.

A client that sends rubbish, too much, or nothing costs its own thread for at most ``IDLE_S`` and nothing else.
"""

from __future__ import annotations

import contextlib
import json
import logging
import os
import socket
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from loadlog.control.address import MAX_LINE, SOCKET_NAME, socket_address
from loadlog.model.errors import LoadlogError, StoreError, UsageError

IDLE_S = 30.0
MAX_CLIENTS = 16
BACKLOG = 64  # connections that wait for a free client thread
_log = logging.getLogger(__name__)

Handler = Callable[[str, dict[str, Any]], dict[str, Any]]


class ControlServer:
    """Listens in ``data_dir``. ``handle(order, fields)`` returns the answer's fields or raises `LoadlogError`; client threads call it."""

    def __init__(self, data_dir: Path, handle: Handler, name: str = SOCKET_NAME) -> None:
        self._data_dir, self._handle, self._name = data_dir, handle, name
        self._socket: socket.socket | None = None
        self._slots = threading.BoundedSemaphore(MAX_CLIENTS)

    def start(self) -> None:
        """Bind and listen. The caller holds the data directory's lock, so a socket file found here is a dead recorder's and is replaced.

        Raises:
            StoreError: the directory does not take a socket.
        """
        sock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_CLOEXEC)
        try:
            with contextlib.suppress(FileNotFoundError):
                os.unlink(self._data_dir / self._name)
            with socket_address(self._data_dir, self._name) as address:
                sock.bind(address)
                os.chmod(self._data_dir / self._name, 0o660)
            sock.listen(BACKLOG)
        except OSError as exc:
            sock.close()
            raise StoreError(
                f"cannot make the control socket: {exc.strerror or exc}",
                where=str(self._data_dir),
                hint="check the directory's permissions",
            ) from exc
        self._socket = sock
        threading.Thread(target=self._accept, args=(sock,), name="control", daemon=True).start()

    def stop(self) -> None:
        """Take the socket away; orders under way are still answered."""
        if self._socket is not None:
            with contextlib.suppress(OSError):
                os.unlink(self._data_dir / self._name)
            with contextlib.suppress(OSError):
                self._socket.shutdown(socket.SHUT_RDWR)
            self._socket.close()
            self._socket = None

    def _accept(self, sock: socket.socket) -> None:
        while True:
            try:
                client, _ = sock.accept()
            except OSError:
                return  # closed by stop()
            self._slots.acquire()
            threading.Thread(target=self._serve, args=(client,), name="control-client", daemon=True).start()

    def _serve(self, client: socket.socket) -> None:
        try:
            with client:
                client.settimeout(IDLE_S)
                with client.makefile("rb") as lines:
                    while line := lines.readline(MAX_LINE + 1):
                        client.sendall(json.dumps(self._answer(line)).encode() + b"\n")
                        if len(line) > MAX_LINE:
                            return
        except OSError as exc:
            _log.debug("control client gone: %s", exc)
        finally:
            self._slots.release()

    def _answer(self, line: bytes) -> dict[str, Any]:
        try:
            if len(line) > MAX_LINE:
                raise UsageError(f"order longer than {MAX_LINE} bytes")
            try:
                fields = json.loads(line)
            except ValueError as exc:
                raise UsageError(f"order is not JSON: {exc}") from exc
            if not isinstance(fields, dict) or not isinstance(fields.get("order"), str):
                raise UsageError('an order is an object with "order"')
            return {"ok": True, **self._handle(fields.pop("order"), fields)}
        except LoadlogError as exc:
            return {"ok": False, "error": str(exc), "exit_status": exc.exit_status}
        except Exception as exc:  # the recorder must outlive any order
            _log.exception("order failed")
            return {"ok": False, "error": f"internal fault: {type(exc).__name__}: {exc}", "exit_status": 1}
