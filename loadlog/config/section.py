"""What every table of the configuration file shares: unknown keys are refused, values are frozen, names fit everywhere.

A name is part of file names, addresses and line protocol: letters, digits, ``.``, ``_`` and ``-`` only. So no name needs an escape there,
and none ends in a backslash, which line protocol cannot carry in a tag (InfluxData, "Line protocol", special characters).
"""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,62}")
NAME_PATTERN = rf"^{NAME.pattern}$"
NAME_WORDS = "letters, digits, '.', '_' and '-', a letter or digit first, at most 63 characters"
Name = Annotated[str, Field(pattern=NAME_PATTERN)]


class Section(BaseModel):
    """A table of the file: unknown keys refused, types not bent (a number in quotes is a text), numbers finite (TOML has ``nan`` and
    ``inf``), values frozen. A traceback shows no values: a password may stand where none belongs."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False, hide_input_in_errors=True)
