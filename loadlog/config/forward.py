"""``[[forward]]``: one time-series database that samples, events and health are sent to."""

from __future__ import annotations

import re
from typing import Literal

from pydantic import AnyHttpUrl, Field, ValidationError, field_validator, model_validator

from loadlog.config.section import Name, Section

INFLUXDB1, INFLUXDB2 = "influxdb1", "influxdb2"
_OF_ONE_KIND = {
    INFLUXDB1: ("database", "retention_policy", "username", "password_env", "password_file"),
    INFLUXDB2: ("bucket", "org", "token_env", "token_file"),
}  # fmt: skip


class ForwardConfig(Section):
    """One target. ``kind``: ``influxdb2`` (write API v2: InfluxDB 2.x, 3.x and engines that speak it; ``bucket``, ``org``, ``token_env`` or
    ``token_file``) or ``influxdb1`` (write path of InfluxDB 1.x; ``database``, ``retention_policy``, ``username``, ``password_env`` or
    ``password_file``). ``ca_file``: certificate authority for https, where the system's do not do.

    ``every``: only every n-th sample of a device. ``interval_s``: instead of samples, minimum, mean and maximum of each channel per
    interval; 0 is off. ``existing``: also what was recorded before the target was configured. ``batch_lines``: most lines in one request.
    ``timeout_s``: longest wait for the connection, and for an answer. ``catch_up_lines_per_s``: most lines a second, so that a backlog does
    not swamp the server. ``heartbeat_s``: how often the bench's health is sent. ``alarm_after_s``: how long nothing may get through before
    `forward_backlog` is raised.

    ``rewind_s``: for servers whose acknowledgement is not durable: after a lost connection, what was acknowledged in the last so many
    seconds is sent again. ``stamps = "ms"``: for servers that cut time stamps to milliseconds: no two points of a series share one.
    """

    name: Name
    kind: Literal["influxdb1", "influxdb2"]
    url: str
    bucket: str = ""
    org: str = ""
    token_env: str = ""
    token_file: str = ""
    database: str = ""
    retention_policy: str = ""
    username: str = ""
    password_env: str = ""
    password_file: str = ""
    ca_file: str = ""
    every: int = Field(default=1, ge=1, le=100_000)
    interval_s: float = Field(default=0.0, ge=0, le=86_400)
    existing: bool = True
    batch_lines: int = Field(default=5000, ge=500, le=5000)
    timeout_s: float = Field(default=10.0, ge=0.1, le=300)
    catch_up_lines_per_s: float = Field(default=20_000.0, ge=100, le=1e7)
    heartbeat_s: float = Field(default=10.0, ge=1, le=3600)
    alarm_after_s: float = Field(default=60.0, ge=1, le=86_400)
    rewind_s: float = Field(default=0.0, ge=0, le=3600)
    stamps: Literal["ns", "ms"] = "ns"

    @field_validator("url")
    @classmethod
    def _url_is_an_address(cls, url: str) -> str:
        shown = re.sub(r"//.*@", "//…@", url)  # also of an address that cannot be read a password is not repeated
        try:
            parts = AnyHttpUrl(url)
        except ValidationError as exc:
            raise ValueError(f"{shown!r} is no address such as http://127.0.0.1:8086") from exc
        if not url.isprintable() or " " in url or not url.startswith(("http://", "https://")):
            raise ValueError(f"{shown!r} is no address such as http://127.0.0.1:8086")
        if parts.username is not None or parts.password is not None:
            raise ValueError("no user name or password in the address: use token_env, or username and password_env")
        if parts.query or parts.fragment:
            raise ValueError(f"{shown!r}: only scheme, host, port and path; the rest is added when writing")
        return url.rstrip("/")

    @field_validator("bucket", "org", "database", "retention_policy", "username")
    @classmethod
    def _one_printable_line(cls, text: str) -> str:
        if text and (not text.isprintable() or text != text.strip()):
            raise ValueError(f"{text!r}: printable characters only, no blanks at the ends")
        return text

    @model_validator(mode="after")
    def _fits_together(self) -> ForwardConfig:
        other = INFLUXDB1 if self.kind == INFLUXDB2 else INFLUXDB2
        for key in _OF_ONE_KIND[other]:
            if getattr(self, key):
                raise ValueError(f"{key} is for kind {other}, not {self.kind}")
        needed = "bucket" if self.kind == INFLUXDB2 else "database"
        if not getattr(self, needed):
            raise ValueError(f"kind {self.kind} needs {needed}")
        if self.token_env and self.token_file:
            raise ValueError("token_env or token_file, not both")
        if self.password_env and self.password_file:
            raise ValueError("password_env or password_file, not both")
        if bool(self.username) != bool(self.password_env or self.password_file):
            raise ValueError("username needs password_env or password_file, and the other way round")
        if self.every > 1 and self.interval_s:
            raise ValueError("every or interval_s, not both")
        return self
