"""From the text of a profile file to a `Profile`, or to one line that says what is wrong with it."""

from __future__ import annotations

import hashlib

from pydantic import ValidationError

from loadlog.config import explain, nearest, read_toml
from loadlog.model.errors import ConfigError
from loadlog.profiles.build_modbus import build_modbus
from loadlog.profiles.build_scpi import build_scpi
from loadlog.profiles.profile import Profile
from loadlog.profiles.schema_modbus import ModbusProfile
from loadlog.profiles.schema_scpi import ScpiProfile

_MODELS: dict[str, type[ModbusProfile] | type[ScpiProfile]] = {"modbus": ModbusProfile, "scpi": ScpiProfile}


def load_profile(text: str, where: str) -> Profile:
    """The profile in ``text``; ``where`` is the file's name for messages.

    Raises:
        ConfigError: one line with file, key, what is wrong, what is allowed and the nearest known key.
    """
    data = read_toml(text, where)
    protocol = data.get("protocol")
    model = _MODELS.get(protocol) if isinstance(protocol, str) else None
    if model is None:
        said = "missing" if protocol is None else f"{protocol!r} is unknown{nearest(str(protocol), _MODELS)}"
        raise ConfigError(f"protocol: {said}; allowed: {', '.join(_MODELS)}", where=where)
    try:
        table = model.model_validate(data)
    except ValidationError as exc:
        raise ConfigError(explain(exc, model, data), where=where) from exc
    sha256 = hashlib.sha256(text.encode()).hexdigest()
    try:
        return build_modbus(table, where, sha256) if isinstance(table, ModbusProfile) else build_scpi(table, where, sha256)
    except ValueError as exc:
        raise ConfigError(str(exc), where=where) from exc
