"""Tells a dead-man switch elsewhere that the bench is watched: one GET every so often, only while the recorder samples.

When this machine, the recorder or the network dies, the requests cease, and the other side raises the alarm that nobody here could.
"""

from __future__ import annotations

import http.client
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Callable, Mapping
from pathlib import Path

from loadlog.config import NotifyConfig
from loadlog.loading import read_secret
from loadlog.model.errors import ConfigError
from loadlog.notify.sender import LIMIT_TIMEOUTS, Outcome, bounded, failure


def load_heartbeat(config: NotifyConfig, base: Path, environ: Mapping[str, str]) -> Callable[[], Outcome] | None:
    """What pings, or None where none is configured.

    Raises:
        ConfigError: a variable or file is missing or empty, or holds no address; names the setting, never the address.
    """
    if not (config.heartbeat_url_env or config.heartbeat_url_file):
        return None
    url = read_secret("notify.heartbeat_url", config.heartbeat_url_env, config.heartbeat_url_file, base, environ)
    try:
        parts = urllib.parse.urlsplit(url)
        sound = parts.scheme in ("http", "https") and bool(parts.hostname) and parts.port != 0 and " " not in url and url.isascii()
    except ValueError:
        sound = False
    if not sound:
        named = "heartbeat_url_env" if config.heartbeat_url_env else "heartbeat_url_file"
        raise ConfigError(f"notify.{named}: what it names is no address", hint="it looks like https://HOST/PATH")
    return lambda: bounded(lambda: _get(url, config.timeout_s), LIMIT_TIMEOUTS * config.timeout_s)


def _get(url: str, timeout_s: float) -> Outcome:
    request = urllib.request.Request(url, headers={"User-Agent": "loadlog"})
    try:
        with urllib.request.urlopen(request, timeout=timeout_s):
            return Outcome()
    except urllib.error.HTTPError as exc:
        exc.close()
        return failure(f"error={exc.code}")
    except (OSError, http.client.HTTPException) as exc:
        return failure(f"{type(exc).__name__} {exc}")
