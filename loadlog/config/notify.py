"""``[notify]``: who is told of what, when, and how seldom. Addresses carry passwords, so they stand in the environment or in files."""

from __future__ import annotations

import datetime as dt
import re
from typing import Annotated, Literal

from pydantic import AfterValidator, AnyHttpUrl, Field, ValidationError, model_validator

from loadlog.config.section import Name, Section

DEFAULT_TARGET, HEARTBEAT = "default", "heartbeat"
_ENV = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")
_CLOCK = re.compile(r"([01]\d|2[0-3]):[0-5]\d")
SeverityName = Literal["info", "warning", "alarm"]


def _variable(name: str) -> str:
    """The name of an environment variable; what is none may be the secret itself and is not repeated in the message."""
    if name and not _ENV.fullmatch(name):
        raise ValueError("give the name of an environment variable; the address itself does not belong into this file")
    return name


def _file(name: str) -> str:
    if "://" in name:
        raise ValueError("give the name of a file; the address itself does not belong into this file")
    return name


def _clock(text: str) -> str:
    if text and not _CLOCK.fullmatch(text):
        raise ValueError(f"{text!r} is no time of day such as 22:30")
    return text


def _page(url: str) -> str:
    if url:
        try:
            parts = AnyHttpUrl(url)
        except ValidationError:
            raise ValueError("no address such as http://bench.example:8437/") from None  # the cause repeats what was given
        if parts.username or parts.password or parts.query:
            raise ValueError("no user name, password or token: the address is sent with every notice")
    return url


Variable = Annotated[str, AfterValidator(_variable)]
FileName = Annotated[str, AfterValidator(_file)]
TimeOfDay = Annotated[str, AfterValidator(_clock)]


class NotifyTarget(Section):
    """One set of addresses with its own measure. ``urls_env`` or ``urls_file``: addresses of apprise, apart by blanks or lines; each is
    told by itself. ``severity``: told from this one on; unset: as in ``[notify]``. ``quiet``: quiet hours hold for it. ``digest``: gets
    the daily digest."""

    name: Name
    urls_env: Variable = ""
    urls_file: FileName = ""
    severity: SeverityName | None = None
    quiet: bool = True
    digest: bool = True

    @model_validator(mode="after")
    def _one_source(self) -> NotifyTarget:
        if bool(self.urls_env) == bool(self.urls_file):
            raise ValueError("give urls_env or urls_file, one of both")
        return self


class NotifyConfig(Section):
    """``urls_env``, ``urls_file``, ``severity``: the target named `default`; further ones as ``[[notify.target]]``.

    ``on_delay_s``: an event is told when it was active so long; one that is over before is not. ``group_s``: what comes within so many
    seconds is one notice. ``per_hour``: most notices of events in any hour, per address; what is beyond waits and comes as one.
    ``cleared``: also tell that an event is over.

    ``time_zone``: of all times here and in notices (IANA name). ``quiet_from``, ``quiet_to``: what is less severe than ``quiet_passes``
    waits. ``digest_at``: once a day, also when all is well. ``page_url``: where to look, put into every notice.

    ``timeout_s``: longest wait for a server. ``recorder_gone_s``: how long the recorder may be silent before that is told.
    ``heartbeat_url_env``, ``heartbeat_url_file``: address that is fetched every ``heartbeat_s`` while the recorder samples, for a dead-man
    switch elsewhere."""

    urls_env: Variable = ""
    urls_file: FileName = ""
    severity: SeverityName = "alarm"
    target: list[NotifyTarget] = Field(default_factory=list)
    on_delay_s: float = Field(default=0.0, ge=0, le=3600)
    group_s: float = Field(default=10.0, ge=0, le=3600)
    per_hour: int = Field(default=12, ge=1, le=1000)
    cleared: bool = True
    time_zone: str = "UTC"
    quiet_from: TimeOfDay = ""
    quiet_to: TimeOfDay = ""
    quiet_passes: Literal["warning", "alarm", "nothing"] = "alarm"
    digest_at: TimeOfDay = ""
    page_url: Annotated[str, AfterValidator(_page)] = ""
    timeout_s: float = Field(default=15.0, ge=0.1, le=120)
    recorder_gone_s: float = Field(default=60.0, ge=5, le=86_400)
    heartbeat_url_env: Variable = ""
    heartbeat_url_file: FileName = ""
    heartbeat_s: float = Field(default=60.0, ge=1, le=3600)

    @property
    def targets(self) -> list[NotifyTarget]:
        """The default one and the further ones, each with its severity."""
        own = (
            [NotifyTarget(name=DEFAULT_TARGET, urls_env=self.urls_env, urls_file=self.urls_file)] if self.urls_env or self.urls_file else []
        )
        return [t if t.severity else t.model_copy(update={"severity": self.severity}) for t in (*own, *self.target)]

    @model_validator(mode="after")
    def _fits_together(self) -> NotifyConfig:
        for one, other in (("urls_env", "urls_file"), ("heartbeat_url_env", "heartbeat_url_file")):
            if getattr(self, one) and getattr(self, other):
                raise ValueError(f"{one} or {other}, not both")
        names = [target.name for target in self.targets]
        if not names and not (self.heartbeat_url_env or self.heartbeat_url_file):
            raise ValueError("nobody is told: give urls_env, urls_file or [[notify.target]]")
        for name in names:
            if name == HEARTBEAT:
                raise ValueError(f"target {name!r}: that name is taken by the heartbeat, choose another")
            if names.count(name) > 1:
                raise ValueError(
                    f"target {name!r} is given twice" + (" (urls_env makes one of that name)" if name == DEFAULT_TARGET else "")
                )
        if bool(self.quiet_from) != bool(self.quiet_to):
            raise ValueError("quiet_from needs quiet_to, and the other way round")
        if self.quiet_from and self.quiet_from == self.quiet_to:
            raise ValueError(f"quiet_from and quiet_to are both {self.quiet_from}: the quiet hours would have no end")
        if self.digest_at and self.quiet_from and _within(self.digest_at, self.quiet_from, self.quiet_to):
            raise ValueError(f"digest_at = {self.digest_at} lies in the quiet hours {self.quiet_from} to {self.quiet_to}: move one of them")
        return self


def _within(at: str, start: str, end: str) -> bool:
    """Whether a time of day lies in ``[start, end)``, which may go over midnight."""
    t, a, b = (dt.time.fromisoformat(text) for text in (at, start, end))
    return a <= t < b if a < b else t >= a or t < b
