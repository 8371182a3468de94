"""The tree of errors. Split by who must act; the exit status of the command line follows from the class.

Every message is one line: what is wrong, where, what to do. The cause is kept with ``raise ... from``.
"""

from __future__ import annotations


class LoadlogError(Exception):
    """Root of all errors that loadlog raises on purpose.

    Attributes:
        exit_status: status of the process when the error ends it: 1 failed, 2 usage or configuration, 3 device, 4 store.
        where: file, port, device or recording concerned; empty when the message names it.
        hint: what the user can do about it; empty when nothing helps.
        retryable: True when the same call may succeed later without anybody acting.
    """

    exit_status = 1

    def __init__(self, what: str, *, where: str = "", hint: str = "", retryable: bool = False) -> None:
        self.what, self.where, self.hint, self.retryable = what, where, hint, retryable
        super().__init__(": ".join(part for part in (where, what) if part) + (f" ({hint})" if hint else ""))


class UsageError(LoadlogError):
    """The command or an order to the recorder cannot be carried out as given."""

    exit_status = 2


class ConfigError(LoadlogError):
    """The configuration, a profile or a scenario file is wrong; the user edits it."""

    exit_status = 2


class BusError(LoadlogError):
    """A port or a connection is missing, busy, not permitted or lost."""

    exit_status = 3


class DeviceError(LoadlogError):
    """A device does not answer, or answers what it must not."""

    exit_status = 3


class StoreError(LoadlogError):
    """A recording, or a file made from it, cannot be written or read."""

    exit_status = 4


class RefusedError(LoadlogError):
    """The recorder understood the order and refuses it, with the reason."""

    exit_status = 1
