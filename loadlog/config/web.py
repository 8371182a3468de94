"""The live page: its address, who may read and act, how it is reached through a proxy, and TLS."""

from __future__ import annotations

import ipaddress
import re

from pydantic import Field, field_validator, model_validator

from loadlog.config.section import Section

_HOST_NAME = re.compile(r"[a-z0-9]([a-z0-9-]*[a-z0-9])?(\.[a-z0-9]([a-z0-9-]*[a-z0-9])?)*")


class WebConfig(Section):
    """``token_*``: of those who may act. ``read_token_*``: of those who may only read. ``hosts``: names by which others reach the page,
    directly or through a proxy. ``trusted_proxies``: addresses or networks whose ``X-Forwarded-For`` and ``X-Forwarded-Proto`` count.
    ``tls_*``: PEM files; the page is then served over HTTPS alone. Files are relative to the configuration file."""

    host: str = "127.0.0.1"
    tcp_port: int = Field(default=8437, ge=0, le=65535)
    token_env: str = ""
    token_file: str = ""
    read_token_env: str = ""
    read_token_file: str = ""
    hosts: list[str] = Field(default_factory=list)
    trusted_proxies: list[str] = Field(default_factory=list)
    tls_cert_file: str = ""
    tls_key_file: str = ""

    @field_validator("hosts")
    @classmethod
    def _host_names(cls, hosts: list[str]) -> list[str]:
        for name in hosts:
            if len(name) > 253 or not _HOST_NAME.fullmatch(name.lower()):
                raise ValueError(f"{name!r} is no host name: give it without scheme and port, such as bench.example.org")
        return [name.lower() for name in hosts]

    @field_validator("trusted_proxies")
    @classmethod
    def _networks(cls, proxies: list[str]) -> list[str]:
        for proxy in proxies:
            try:
                network = ipaddress.ip_network(proxy)
            except ValueError as exc:
                raise ValueError(f"{proxy!r} is no address or network: {exc}") from exc
            if network.prefixlen == 0:
                raise ValueError(f"{proxy!r} is everybody: name the proxies")
        return proxies

    @property
    def is_loopback(self) -> bool:
        """True when only this machine can connect."""
        try:
            return ipaddress.ip_address(self.host).is_loopback
        except ValueError:
            return self.host == "localhost"

    @property
    def others_reach(self) -> bool:
        """True when people on other machines reach the page, through a proxy too."""
        return not self.is_loopback or bool(self.hosts)

    @model_validator(mode="after")
    def _fit_together(self) -> WebConfig:
        for env, file in (("token_env", "token_file"), ("read_token_env", "read_token_file")):
            if getattr(self, env) and getattr(self, file):
                raise ValueError(f"{env} and {file}: set one of them")
        if self.others_reach and not (self.token_env or self.token_file or self.read_token_env or self.read_token_file):
            how = f"host {self.host}" if not self.is_loopback else f"hosts {', '.join(self.hosts)}"
            raise ValueError(f"{how} is reachable from outside: set token_env or token_file, or use 127.0.0.1 alone")
        if self.trusted_proxies and not self.others_reach:
            raise ValueError("trusted_proxies: set hosts to the names by which the proxy is reached")
        if bool(self.tls_cert_file) != bool(self.tls_key_file):
            raise ValueError("tls_cert_file and tls_key_file: set both or none")
        return self
