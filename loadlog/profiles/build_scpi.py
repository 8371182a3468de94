"""A checked SCPI profile file to a `Profile`: answers, decoders, commands; contradictions refused."""

from __future__ import annotations

from collections.abc import Sequence

from loadlog.model.wire import LinkTraits, ScpiCommand
from loadlog.profiles import checks, decode
from loadlog.profiles.profile import Answer, Encoder, IdentityPoint, Order, Point, Profile
from loadlog.profiles.schema_scpi import ScpiChannel, ScpiIdentity, ScpiProfile, ScpiStatus, ScpiWriteTable
from loadlog.profiles.scpi_numbers import parse_string

_PLACEHOLDER = "{value}"


def build_scpi(table: ScpiProfile, where: str, sha256: str) -> Profile:
    """The profile; ``where`` and ``sha256`` of its text are taken over.

    Raises:
        ValueError: entries contradict each other; one line that begins with the key.
    """
    checks.check_names([c.name for c in table.channel], [s.name for s in table.status])
    points = (*(_channel(c, table.ratings.get(c.name)) for c in table.channel), *(_status(s) for s in table.status))
    specs = [p.spec for p in points]
    _check_answers(points, len(table.channel), table.timing.longest_message)
    checks.check_roles(table.roles, specs)
    checks.check_cycle(s.every for s in specs)
    checks.check_ratings(table.ratings, table.channel)
    orders = {}
    for name, entry in table.writes.items():
        read_back = checks.check_write(name, entry.read_back, specs)
        orders[name] = Order(name, _encoder(name, entry), read_back, entry.page)
    timing = table.timing
    return Profile(
        name=table.name,
        protocol="scpi",
        roles=tuple(table.roles),
        points=points,
        identity=tuple(_identity(name, entry) for name, entry in table.identity.items()),
        orders=orders,
        ratings=dict(table.ratings),
        traits=LinkTraits(timing.quiet_s, timing.timeout_s, timing.processing_s, timing.gap_s, terminator=table.quirks.terminator),
        where=where,
        sha256=sha256,
        description=table.description,
        manual=table.manual,
        longest_message=timing.longest_message,
        echo=table.quirks.echo,
    )


def _channel(entry: ScpiChannel, rating: float | None) -> Point:
    assert entry.resolution is not None  # the schema insists
    quantise = decode.quantiser(entry.scale, entry.offset, entry.resolution, [float(s) for s in entry.sentinels])
    place = Answer(entry.query, entry.field, entry.join)
    return Point(checks.number_spec(entry, True, (), rating), (place,), decode.number_text_decoder(entry.suffix, quantise), entry.page)


def _status(entry: ScpiStatus) -> Point:
    if entry.bits is not None:
        return _bit_field(entry)
    assert entry.query is not None  # the schema insists
    place = Answer(entry.query, entry.field, entry.join)
    if entry.values is not None:
        numbers = {value: value for value in entry.values.values() if isinstance(value, int)}
        free = (n for n in range(len(entry.values) + len(numbers)) if n not in numbers)
        codes = {value: next(free) for value in entry.values.values() if isinstance(value, str)}
        names = {codes[v] if isinstance(v, str) else v: name for name, v in entry.values.items()}
        spec = checks.status_spec(entry.name, "enum", entry.every, names)
        return Point(spec, (place,), decode.enum_text_decoder(codes, numbers), entry.page)
    if entry.bit is not None:
        decoder = decode.bit_text_decoder(entry.bit, entry.inverted)
    else:
        decoder = decode.boolean_text_decoder(entry.on, entry.off, entry.inverted)
    return Point(checks.status_spec(entry.name, "bool", entry.every, {}), (place,), decoder, entry.page)


def _bit_field(entry: ScpiStatus) -> Point:
    places: dict[Answer, int] = {}
    bits = []
    for named in entry.bits or []:
        query = named.query or entry.query
        assert query is not None  # the schema insists
        index = places.setdefault(Answer(query, entry.field, entry.join), len(places))
        bits.append((index, decode.bit_text_decoder(named.bit, named.inverted)))
    names = {position: named.name for position, named in enumerate(entry.bits or [])}
    return Point(checks.status_spec(entry.name, "bits", entry.every, names), tuple(places), decode.field_decoder(bits), entry.page)


def _identity(name: str, entry: ScpiIdentity) -> IdentityPoint:
    def text(answer: str) -> str | None:
        found = parse_string(answer)
        return found if found.isascii() and found.isprintable() else None

    return IdentityPoint(name, Answer(entry.query, entry.field, entry.join), text, entry.expect or "", entry.page)


def _check_answers(points: Sequence[Point], channels: int, longest_message: int) -> None:
    seen: dict[tuple[str, int], str] = {}
    for index, point in enumerate(points):
        key = f"{'channel' if index < channels else 'status'}[{point.spec.name}]"
        for place in point.places:
            assert isinstance(place, Answer)
            if len(place.query) > longest_message:
                raise ValueError(f"{key}.query: longer than timing.longest_message = {longest_message}")
            other = seen.setdefault((place.query.upper(), place.field), key)
            if other != key and (key.startswith("channel") or other.startswith("channel")):
                raise ValueError(f"{key}.query: {place} is asked by {other} already; a query or a field is wrong")


def _encoder(name: str, entry: ScpiWriteTable) -> Encoder:
    key = f"writes.{name}"
    checks.check_range(name, entry.range)
    if name == "setpoint":
        if _PLACEHOLDER not in entry.command:
            raise ValueError(f"{key}.command: {entry.command!r} has no {_PLACEHOLDER} where the number is to stand")
        return lambda value: ScpiCommand(entry.command.replace(_PLACEHOLDER, f"{checks.within(value, entry.range):.9g}"))
    if _PLACEHOLDER in entry.command:
        raise ValueError(f"{key}.command: only the set-point takes {_PLACEHOLDER}")
    if entry.range is not None:
        raise ValueError(f"{key}.range: the command takes no value")

    def switch(value: float | None) -> ScpiCommand:
        if value is not None:
            raise ValueError("takes no value")
        return ScpiCommand(entry.command)

    return switch
