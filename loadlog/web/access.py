"""Who may do what: the tokens of the configuration, and the sessions that are given for them.

Two tokens at most: one of those who act, one of those who only read. A session is a cookie's value: an expiry and a MAC under a key derived
from the token it was given for (RFC 2104), so it carries that token's rights, dies with it, and needs no memory here. Secrets are compared
in constant time, and both always.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntEnum
from pathlib import Path

from loadlog.config import WebConfig
from loadlog.loading import read_secret
from loadlog.model.errors import ConfigError

SESSION_S = 14 * 86_400
MIN_TOKEN = 16


class Level(IntEnum):
    """What a request has shown that it may do."""

    NOBODY = 0
    READ = 1
    ACT = 2


@dataclass(frozen=True, slots=True)
class Access:
    """What the configuration says. ``token`` and ``read_token`` are empty where none is configured; ``hosts``: names by which others reach
    the page, through a proxy too; without any, a page that listens on ``loopback`` is for this machine alone."""

    loopback: bool
    token: str = field(default="", repr=False)
    read_token: str = field(default="", repr=False)
    hosts: tuple[str, ...] = ()

    @property
    def others_reach(self) -> bool:
        """True where others than this machine reach the page."""
        return not self.loopback or bool(self.hosts)

    @property
    def has_login(self) -> bool:
        """True where there is a token to log in with."""
        return bool(self.token or self.read_token)

    @property
    def reading_needs(self) -> Level:
        """The level that reading asks for."""
        return Level.READ if self.others_reach else Level.NOBODY

    @property
    def acting_needs(self) -> Level:
        """The level that a change asks for; with only a read token configured nobody reaches it."""
        return Level.ACT if self.others_reach or self.has_login else Level.NOBODY

    def level_of(self, shown: str) -> Level:
        """What a token permits."""
        reads = hmac.compare_digest(shown.encode(), self.read_token.encode())
        acts = hmac.compare_digest(shown.encode(), self.token.encode())
        return Level.ACT if acts and self.token else Level.READ if reads and self.read_token else Level.NOBODY

    def new_session(self, level: Level, now_s: float) -> str:
        """Value of the session cookie, good for `SESSION_S`, for who has shown the token of that level."""
        expiry = str(int(now_s) + SESSION_S)
        return f"{expiry}.{_mac(self.token if level is Level.ACT else self.read_token, expiry)}"

    def level_of_session(self, value: str, now_s: float) -> Level:
        """What a cookie's value permits: nothing unless `new_session` made it with a present token and it has not expired."""
        expiry, _, mac = value.partition(".")
        if not expiry.isascii() or not expiry.isdigit() or len(expiry) > 12 or now_s >= int(expiry):
            return Level.NOBODY
        reads = hmac.compare_digest(mac.encode(), _mac(self.read_token, expiry).encode())
        acts = hmac.compare_digest(mac.encode(), _mac(self.token, expiry).encode())
        return Level.ACT if acts and self.token else Level.READ if reads and self.read_token else Level.NOBODY


def _mac(token: str, expiry: str) -> str:
    key = hashlib.sha256(b"loadlog session\0" + token.encode()).digest()
    return base64.urlsafe_b64encode(hmac.digest(key, expiry.encode(), "sha256")).decode().rstrip("=")


def load_access(config: WebConfig, base: Path, environ: Mapping[str, str] = os.environ) -> Access:
    """The access rules of ``[web]``; relative files are looked for beside the configuration file (``base``).

    Raises:
        ConfigError: a token is named but missing, empty, too short, no token of HTTP (RFC 6750, 2.1), or both are the same.
    """
    token = _load_token("web.token", config.token_env, config.token_file, base, environ)
    read_token = _load_token("web.read_token", config.read_token_env, config.read_token_file, base, environ)
    if token and token == read_token:
        raise ConfigError("web.read_token is the same as web.token", hint="who may only read needs a token of their own")
    return Access(config.is_loopback, token, read_token, tuple(config.hosts))


def _load_token(what: str, env: str, file: str, base: Path, environ: Mapping[str, str]) -> str:
    if not env and not file:
        return ""
    token = read_secret(what, env, file, base, environ)
    named = f"{what}_env: environment variable {env}" if env else f"{what}_file {base / file}"
    if len(token) < MIN_TOKEN:
        raise ConfigError(f"{named}: a token has at least {MIN_TOKEN} characters", hint="e.g. from: openssl rand -hex 24")
    if not token.isascii() or " " in token:
        raise ConfigError(f"{named}: a token has neither blanks nor characters beyond ASCII", hint="e.g. from: openssl rand -hex 24")
    return token
