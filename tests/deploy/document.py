"""The blocks of deploy/README.md, as the reader runs them."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
GUIDE = ROOT / "deploy" / "README.md"
_HEADING = re.compile(r"^## (.+)$", re.M)
_BLOCK = re.compile(r"^```sh\n(.*?)^```$", re.M | re.S)


def blocks(text: str) -> dict[str, str]:
    """Heading -> the commands below it, in the document's order; a heading without commands is left out."""
    parts = _HEADING.split(text)
    found = {heading: "".join(_BLOCK.findall(body)) for heading, body in zip(parts[1::2], parts[2::2], strict=True)}
    return {heading: commands for heading, commands in found.items() if commands}


class StepError(Exception):
    """A step of the guide failed, or did not have the effect that the guide promises."""
