"""Tokens and sessions by themselves: wrong, missing, read-only, expired, changed; and what the configuration may say about them."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from pydantic import ValidationError

from loadlog.config import WebConfig, explain
from loadlog.model.errors import ConfigError
from loadlog.web import Access, load_access
from loadlog.web.access import SESSION_S, Level
from tests.serving import READ_TOKEN, TOKEN

BOTH = Access(False, TOKEN, READ_TOKEN)


def test_each_token_has_its_level() -> None:
    assert BOTH.level_of(TOKEN) is Level.ACT
    assert BOTH.level_of(READ_TOKEN) is Level.READ
    for wrong in ("", " ", TOKEN + "x", TOKEN[:-1], TOKEN.upper(), "ä", READ_TOKEN + TOKEN):
        assert BOTH.level_of(wrong) is Level.NOBODY, wrong
    assert Access(True).level_of("") is Level.NOBODY
    assert Access(False, "", READ_TOKEN).level_of("") is Level.NOBODY


@pytest.mark.parametrize("level", [Level.READ, Level.ACT])
def test_a_session_carries_the_level_of_its_token_ends_and_dies_with_it(level: Level) -> None:
    value = BOTH.new_session(level, 1000.0)
    assert BOTH.level_of_session(value, 1000.0 + SESSION_S - 1) is level
    assert BOTH.level_of_session(value, 1000.0 + SESSION_S) is Level.NOBODY
    changed = Access(False, TOKEN + "2", READ_TOKEN) if level is Level.ACT else Access(False, TOKEN, READ_TOKEN + "2")
    assert changed.level_of_session(value, 1000.0) is Level.NOBODY
    expiry, _, mac = value.partition(".")
    for forged in ("", ".", expiry, f"{int(expiry) + 1}.{mac}", f"{expiry}.{mac[:-1]}", f"٣{expiry}.{mac}", f"{expiry}.ä", f"-{value}"):
        assert BOTH.level_of_session(forged, 1000.0) is Level.NOBODY, forged


def test_a_session_of_no_token_is_none() -> None:
    """A MAC under the key of an empty token can be computed by anybody."""
    for access in (Access(True), Access(False, TOKEN), Access(False, "", READ_TOKEN)):
        missing = Level.READ if access.token or not access.read_token else Level.ACT
        assert access.level_of_session(access.new_session(missing, 1000.0), 1000.0) is Level.NOBODY


def test_what_is_needed_for_what() -> None:
    """Columns: listens on loopback, token, read token, hosts; level that reading needs, level that acting needs."""
    table = [
        (True, "", "", (), Level.NOBODY, Level.NOBODY),
        (True, TOKEN, "", (), Level.NOBODY, Level.ACT),
        (True, "", READ_TOKEN, (), Level.NOBODY, Level.ACT),
        (True, TOKEN, "", ("bench.example.org",), Level.READ, Level.ACT),
        (False, TOKEN, READ_TOKEN, (), Level.READ, Level.ACT),
        (False, "", READ_TOKEN, (), Level.READ, Level.ACT),
    ]
    for loopback, token, read_token, hosts, reading, acting in table:
        access = Access(loopback, token, read_token, hosts)
        assert (access.reading_needs, access.acting_needs) == (reading, acting), access


def test_no_token_is_shown_where_access_is_printed() -> None:
    assert TOKEN not in repr(BOTH)
    assert READ_TOKEN not in repr(BOTH)


def web(**more: object) -> WebConfig:
    return WebConfig.model_validate(more)


def test_tokens_come_from_the_environment_or_a_file(tmp_path: Path) -> None:
    (tmp_path / "token").write_text(f"{TOKEN}\n")
    assert load_access(web(host="0.0.0.0", token_env="T"), tmp_path, {"T": TOKEN}) == Access(False, TOKEN)
    assert load_access(web(token_file="token"), tmp_path, {}) == Access(True, TOKEN)
    assert load_access(web(), tmp_path, {}) == Access(True)
    both = web(host="::", token_file="token", read_token_env="R", hosts=["Bench.example.org"])
    assert load_access(both, tmp_path, {"R": READ_TOKEN}) == Access(False, TOKEN, READ_TOKEN, ("bench.example.org",))


@pytest.mark.parametrize(
    ("config", "environ", "says"),
    [
        ({"token_env": "T"}, {}, "T is empty or not set"),
        ({"token_env": "T"}, {"T": " "}, "T is empty or not set"),
        ({"token_env": "T"}, {"T": "short"}, "at least 16"),
        ({"token_env": "T"}, {"T": "short one two three"}, "neither blanks"),
        ({"token_env": "T"}, {"T": "short-ünd-nicht-ascii"}, "neither blanks"),
        ({"token_env": "T"}, {"T": "short\nbut in two lines"}, "one line"),
        ({"read_token_env": "R"}, {"R": "short"}, "web.read_token_env: environment variable R: a token has at least 16"),
        ({"token_env": "T", "read_token_env": "T"}, {"T": TOKEN}, "the same as web.token"),
        ({"token_file": "missing"}, {}, "cannot read|missing"),
    ],
)
def test_a_token_that_is_named_but_unusable_stops_the_viewer(
    tmp_path: Path, config: dict[str, str], environ: dict[str, str], says: str
) -> None:  # fmt: skip
    with pytest.raises(ConfigError, match=says) as caught:
        load_access(web(**config), tmp_path, environ)
    assert "short" not in str(caught.value)
    assert TOKEN not in str(caught.value)


@pytest.mark.parametrize(
    ("config", "says"),
    [
        ({"host": "0.0.0.0"}, "host 0.0.0.0 is reachable from outside"),
        ({"hosts": ["bench.example.org"]}, "hosts bench.example.org is reachable from outside"),
        ({"token_env": "T", "token_file": "t"}, "token_env and token_file: set one"),
        ({"read_token_env": "T", "read_token_file": "t"}, "read_token_env and read_token_file: set one"),
        ({"token_env": "T", "hosts": ["https://bench.example.org"]}, "hosts: .* is no host name"),
        ({"token_env": "T", "hosts": ["bench.example.org:443"]}, "is no host name"),
        ({"token_env": "T", "hosts": ["*"]}, "is no host name"),
        ({"token_env": "T", "hosts": ["b"], "trusted_proxies": ["*"]}, "trusted_proxies: '\\*' is no address"),
        ({"token_env": "T", "hosts": ["b"], "trusted_proxies": ["0.0.0.0/0"]}, "is everybody"),
        ({"token_env": "T", "hosts": ["b"], "trusted_proxies": ["10.0.0.1/8"]}, "host bits"),
        ({"token_env": "T", "trusted_proxies": ["127.0.0.1"]}, "trusted_proxies: set hosts"),
        ({"tls_cert_file": "c.pem"}, "tls_cert_file and tls_key_file: set both or none"),
    ],
)
def test_settings_that_do_not_fit_together_are_refused_by_name(config: dict[str, object], says: str) -> None:
    with pytest.raises(ValidationError) as caught:
        web(**config)
    line = explain(caught.value, WebConfig, config)
    assert re.search(says, line), line
    assert "\n" not in line
