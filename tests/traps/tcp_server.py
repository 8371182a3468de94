"""A server on a loopback port that answers what its script says, byte for byte."""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections.abc import Callable

Script = Callable[[bytes], list[tuple[float, bytes]]]


class Server:
    """Answers each request by its script: (pause, bytes); empty bytes close the connection."""

    def __init__(self, script: Script) -> None:
        self.script = script
        self.requests: list[bytes] = []
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        threading.Thread(target=self._serve, daemon=True).start()

    def close(self) -> None:
        self._listener.close()

    def _serve(self) -> None:
        while True:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            threading.Thread(target=self._talk, args=(connection,), daemon=True).start()

    def _talk(self, connection: socket.socket) -> None:
        with connection, contextlib.suppress(OSError):
            while data := connection.recv(300):
                self.requests.append(data)
                for pause_s, piece in self.script(data):
                    time.sleep(pause_s)
                    if not piece:
                        return
                    connection.sendall(piece)
