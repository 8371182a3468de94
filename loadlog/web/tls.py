"""TLS by certificate files. Python's defaults for servers hold: TLS 1.2 at least, and the ciphers of the system's OpenSSL."""

from __future__ import annotations

import ssl
from pathlib import Path

from loadlog.config import WebConfig
from loadlog.model.errors import ConfigError


def load_tls(config: WebConfig, base: Path) -> ssl.SSLContext | None:
    """What connections are wrapped in, or None without TLS; relative files are looked for beside the configuration file (``base``).

    Raises:
        ConfigError: a file is missing, unreadable, no PEM, encrypted, or key and certificate do not belong together.
    """
    if not config.tls_cert_file:
        return None
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    read_certificate(context, config, base)
    return context


def read_certificate(context: ssl.SSLContext, config: WebConfig, base: Path) -> None:
    """Certificate and key into ``context``; connections that are made from now on use them.

    Raises:
        ConfigError: see `load_tls`; what was there before may still be used.
    """
    cert, key = base / config.tls_cert_file, base / config.tls_key_file
    for name, path in (("web.tls_cert_file", cert), ("web.tls_key_file", key)):
        try:
            path.read_bytes()
        except OSError as exc:
            raise ConfigError(f"{name}: cannot read {path}: {exc.strerror}") from exc
    try:
        # Tried apart first: a pair that does not fit would leave half of itself in the context.
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(cert, key, password=_no_passphrase)
        context.load_cert_chain(cert, key, password=_no_passphrase)
    except (ssl.SSLError, ValueError) as exc:
        reason = getattr(exc, "reason", None) or str(exc)
        hint = "a certificate with its chain and its own key without a passphrase, both in PEM"
        raise ConfigError(f"web.tls_cert_file {cert} and web.tls_key_file {key} do not fit: {reason}", hint=hint) from exc


def _no_passphrase() -> str:
    """Else an encrypted key would be asked for on a terminal."""
    return ""
