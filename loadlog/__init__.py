"""loadlog: an unattended logger for tests with DC electronic loads.

The data's way: `bus` moves bytes and keeps requests and replies together; `acquisition` polls on absolute deadlines and decodes through
`profiles`; `validation` turns each reading into a sample with a quality; `detectors` turn samples into events (`pipeline` runs both,
sample by sample); `store` keeps both. All of that is the *recorder* process. The *viewer* process reads the store and shows it: `web`.

In a notebook: ``run = loadlog.open("last")``, then ``run["load-1"]["voltage_v"]`` is an array in volts.
"""

from __future__ import annotations

from os import PathLike
from typing import TYPE_CHECKING

from loadlog.version import __version__

if TYPE_CHECKING:
    from loadlog.store.notebook import Run

__all__ = ["__version__", "open"]


def open(run: str | PathLike[str], data: str | PathLike[str] = "data") -> Run:
    """A recorded run as arrays in units: by id, name, ``"last"`` or the path of its recording; ``data``: the data directory.

    Raises:
        LoadlogError: there is no such run, or its recording cannot be read; one line.
    """
    from loadlog.store.notebook import open_run  # numpy only where it is used

    return open_run(run, data)
