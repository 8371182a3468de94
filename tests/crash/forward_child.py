"""Forwarding in a process of its own, to be killed.

    python forward_child.py DIRECTORY TARGETS

``TARGETS``: a list of `ForwardConfig` as JSON. Runs until it is killed.
"""

from __future__ import annotations

import json
import os
import sys
import threading
from pathlib import Path

from loadlog.config import ForwardConfig
from loadlog.control.client import ControlClient
from loadlog.forwarder import Credentials, Forwarding


def main() -> None:
    """See the module."""
    directory = Path(sys.argv[1])
    targets = [(ForwardConfig.model_validate(one), Credentials()) for one in json.loads(sys.argv[2])]
    forwarding = Forwarding("bench-a", directory, targets, ControlClient(directory, 0.2))
    forwarding.start()
    os.write(1, b"started\n")
    threading.Event().wait()


if __name__ == "__main__":
    main()
