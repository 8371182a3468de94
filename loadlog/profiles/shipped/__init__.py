"""Profiles that come with the package, of the project's own simulated instruments only; written from the manual of the simulator."""

from __future__ import annotations

from importlib import resources

from loadlog.config import nearest
from loadlog.model.errors import ConfigError


def shipped_names() -> tuple[str, ...]:
    """The names that may stand behind ``shipped:``."""
    return tuple(sorted(f.name.removesuffix(".toml") for f in resources.files(__name__).iterdir() if f.name.endswith(".toml")))


def shipped(name: str) -> str:
    """The text of the profile ``name``.

    Raises:
        ConfigError: there is none of that name; says which there are.
    """
    names = shipped_names()
    if name not in names:
        raise ConfigError(
            f"there is no shipped profile {name!r}{nearest(name, names)}; there are {', '.join(names)}", where=f"shipped:{name}"
        )
    return (resources.files(__name__) / f"{name}.toml").read_text(encoding="utf-8")
