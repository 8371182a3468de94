"""The shipped profiles against the byte vectors worked by hand from the simulated instruments' manual.

What a vector's reply means must come out of the profile, whichever registers its request happens to read: for each vector the channels
that lie inside of the request are decoded from the reply's bytes, and compared with what the vector says, exactly.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from loadlog.model.quantity import Scale
from loadlog.profiles import Profile, load_profile, shipped
from loadlog.profiles.profile import Answer, Place, Registers
from loadlog.profiles.scpi_numbers import matches_mnemonic, split

VECTORS = Path(__file__).parents[2] / "vectors"
PROFILE_OF = {
    "load_modbus": "simulated-load",
    "thermocouples_modbus": "simulated-thermocouples",
    "load_scpi": "simulated-scpi-load",
    "meter_scpi": "simulated-scpi-meter",
}
# The vectors name things as the manual does, the profile as channels are named.
NAME_IN_PROFILE = {f"ch{n}_c": f"temperature_{n}_c" for n in range(1, 5)} | {"model_code": "model"}


def _vectors() -> list[tuple[str, dict[str, Any]]]:
    found = []
    for file in PROFILE_OF:
        for vector in tomllib.loads((VECTORS / f"{file}.toml").read_text(encoding="utf-8"))["vector"]:
            if "decoded" in vector:
                found.append((file, vector))
    return found


@pytest.mark.parametrize(("file", "vector"), _vectors(), ids=lambda x: x if isinstance(x, str) else x["name"].replace(" ", "-"))
def test_the_profile_decodes_what_the_vector_says(file: str, vector: dict[str, Any]) -> None:
    profile = load_profile(shipped(PROFILE_OF[file]), file)
    pieces = _scpi_pieces(profile, vector) if profile.protocol == "scpi" else _modbus_pieces(profile, vector)
    for name, meant in vector["decoded"].items():
        if name.startswith("open_"):  # the module's single flags are one bit field of the profile
            _check_flag(profile, pieces, name, meant)
        elif not _is_order(vector):
            assert _decoded(profile, pieces, NAME_IN_PROFILE.get(name, name)) == meant, name


def test_every_file_of_vectors_has_something_to_say() -> None:
    assert {file for file, _ in _vectors()} == set(PROFILE_OF)


def _is_order(vector: dict[str, Any]) -> bool:
    """A read-back of the registers for orders, which the profile writes and does not read."""
    request = vector["request"].replace(" ", "")
    return (
        "framing" in vector and int(request[-12:-8] if vector["framing"] == "rtu" else request[16:20], 16) >= 0x40 and request[2:4] == "03"
    )


def _decoded(profile: Profile, pieces: dict[Place, Any], name: str) -> Any:
    if name == "identity":  # the whole answer to *IDN?
        return ",".join(text for i in profile.identity if (text := i.decode(pieces[i.place])) is not None)
    for identity in profile.identity:
        if identity.name == name:
            text = identity.decode(pieces[identity.place])
            return int(text) if text is not None and name == "model" and text.isdigit() else text
    point = profile.point(name)
    assert point is not None, f"no channel {name}"
    found = point.decode(*(pieces[place] for place in point.places))
    if isinstance(found, str):
        return {"sentinel": "nan", "not_a_number": "overflow" if "9.9E37" in str(pieces[point.places[0]]) else "nan"}.get(found, found)
    spec = point.spec
    match spec.kind:
        case "bool":
            return bool(found)
        case "enum":
            return spec.names[found].upper()
        case "bits":
            return [spec.names[bit] for bit in range(16) if found >> bit & 1]
    if name == "setpoint":  # kept with the profile's resolution, not with all 24 bits of the float
        return _Near(spec.scale, found)
    return spec.scale.value(found)


class _Near:
    """Equal to every number whose nearest count is ours."""

    def __init__(self, scale: Scale, count: int) -> None:
        self.scale, self.count = scale, count

    def __eq__(self, other: object) -> bool:
        return isinstance(other, float) and self.scale.count(other) == self.count

    def __hash__(self) -> int:
        return self.count


def _check_flag(profile: Profile, pieces: dict[Place, Any], name: str, meant: bool) -> None:
    point = profile.point("thermocouple_open")
    assert point is not None
    (bit,) = (b for b, n in point.spec.names.items() if n == name)
    place = point.places[bit]
    assert pieces[place] == ((1,) if meant else (0,))
    pieces = {p: pieces.get(p, (0,)) for p in point.places}
    found = point.decode(*(pieces[p] for p in point.places))
    assert isinstance(found, int)
    assert bool(found >> bit & 1) == meant


def _modbus_pieces(profile: Profile, vector: dict[str, Any]) -> dict[Place, tuple[int, ...]]:
    """What stands at each place of the profile that the vector's request reads."""
    request, reply = bytes.fromhex(vector["request"]), bytes.fromhex(vector["reply"])
    if vector["framing"] == "tcp":
        request, reply = request[6:], reply[6:]
    function, first, count = request[1], int.from_bytes(request[2:4], "big"), int.from_bytes(request[4:6], "big")
    assert reply[1] == function
    data = reply[3 : 3 + reply[2]]
    if function in (1, 2):
        words = [data[n // 8] >> n % 8 & 1 for n in range(count)]
    else:
        words = [int.from_bytes(data[n : n + 2], "big") for n in range(0, 2 * count, 2)]
    places = [p for point in profile.points for p in point.places] + [i.place for i in profile.identity]
    return {
        p: tuple(words[p.address - first : p.end - first])
        for p in places
        if isinstance(p, Registers) and p.function == function and first <= p.address and p.end <= first + count
    }


def _scpi_pieces(profile: Profile, vector: dict[str, Any]) -> dict[Place, str]:
    """The answer to each query of the vector's message, under the profile's place that asks the same by its long form."""
    queries, answers = vector["request"].strip().split(";"), split(vector["reply"].removesuffix("\n"), ";")
    places = [p for point in profile.points for p in point.places] + [i.place for i in profile.identity]
    pieces: dict[Place, str] = {}
    path: list[str] = []
    for query, answer in zip(queries, answers, strict=True):
        header = query.strip().rstrip("?")
        parts = header.lstrip(":").split(":")
        path = parts if header[0] in ":*" or not path else [*path[:-1], *parts]
        if path == ["READ"]:  # the manual: READ? and MEASure:VOLTage:DC? ask for the same
            path = ["MEASure", "VOLTage", "DC"]
        for place in places:
            if isinstance(place, Answer) and _same(path, place.query.rstrip("?").split(":")):
                pieces[place] = split(answer, ",")[place.field - 1]
    return pieces


def _same(path: list[str], wanted: list[str]) -> bool:
    return len(path) == len(wanted) and all(matches_mnemonic(p, w) for p, w in zip(path, wanted, strict=True))
