"""The SCPI half of the profile format: queries, commands, mnemonics. Source: SCPI-99 volume 1; IEEE 488.2-1992, chapters 7 and 8."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, model_validator

from loadlog.profiles.schema import Common, PlainName, Quantity, StatusBase, Table, TimingTable, check_one_way, check_value_names


def _query(text: str) -> str:
    if not text.isascii() or any(c in text for c in "\r\n;") or "?" not in text:
        raise ValueError(f"{text!r} is no single query: ASCII with a question mark, without ';' (several are joined by join = true)")
    return text.strip()


def _command(text: str) -> str:
    if not text.isascii() or any(c in text for c in "\r\n") or "?" in text or not text.strip():
        raise ValueError(f"{text!r} is no command: ASCII, one line, without a question mark")
    return text.strip()


Query = Annotated[str, AfterValidator(_query)]
Command = Annotated[str, AfterValidator(_command)]
Field1 = Annotated[int, Field(ge=1, le=100)]


class ScpiTiming(TimingTable):
    """See `TimingTable`."""

    longest_message: int = Field(default=120, ge=16, le=4096)


class ScpiQuirks(Table):
    """``echo``: the instrument gives back each character. ``terminator``: end of a message, both ways."""

    echo: bool = False
    terminator: Literal["\n", "\r\n", "\r"] = "\n"


class Asked(Table):
    """How something is asked for. ``field``: which of several comma-separated answers, counted from 1. ``join``: the query may share a
    message with others."""

    query: Query
    field: Field1 = 1
    join: bool = False


class ScpiChannel(Quantity, Asked):
    """One number from an answer in NR1, NR2, NR3 or ``#H``. ``suffix``: a unit that the instrument appends against IEEE 488.2."""

    suffix: str = ""

    @model_validator(mode="after")
    def _step_is_known(self) -> ScpiChannel:
        if self.resolution is None:
            raise ValueError("resolution is missing: the step with which readings are kept, e.g. the last digit of the answer")
        return self


class ScpiBit(Table):
    """One bit of a bit field. ``query`` defaults to that of the status."""

    name: PlainName
    bit: int = Field(ge=0, le=31)
    query: Query | None = None
    inverted: bool = False


class ScpiStatus(StatusBase):
    """One status: ON/OFF/1/0 (or the mnemonics ``on`` and ``off``), one ``bit`` of a number, ``values`` or a bit field (``bits``)."""

    query: Query | None = None
    field: Field1 = 1
    join: bool = False
    bit: int | None = Field(default=None, ge=0, le=31)
    inverted: bool = False
    on: str | None = Field(default=None, min_length=1)
    off: str | None = Field(default=None, min_length=1)
    values: dict[str, Any] | None = None
    bits: list[ScpiBit] | None = Field(default=None, min_length=1, max_length=63)

    @property
    def kind(self) -> str:
        """``bool``, ``enum`` or ``bits``."""
        return "bits" if self.bits is not None else "enum" if self.values is not None else "bool"

    @model_validator(mode="after")
    def _one_way(self) -> ScpiStatus:
        check_one_way(self, self.kind, self.__dict__)
        if (self.on is None) != (self.off is None) or (self.on is not None and self.on == self.off):
            raise ValueError("give both on and off, and let them differ; leave both out for ON, OFF, 1 and 0")
        if self.kind != "bits" and self.query is None:
            raise ValueError("query is missing")
        if self.values is not None:
            check_value_names(self.name, self.values)
            for name, value in self.values.items():
                if isinstance(value, bool) or not isinstance(value, int | str) or value == "":
                    raise ValueError(f"values.{name}: {value!r} is neither a mnemonic such as 'CURRent' nor a whole number")
        seen: set[str] = set()
        for named in self.bits or []:
            if named.name in seen:
                raise ValueError(f"bits: {named.name!r} is given twice")
            seen.add(named.name)
            if named.query is None and self.query is None:
                raise ValueError(f"bits: {named.name}: query is missing")
        return self


class ScpiIdentity(Asked):
    """Something that tells one instrument from another, e.g. the third field of ``*IDN?``. ``expect``: what this model answers."""

    expect: str | None = None
    page: str = ""


class ScpiWriteTable(Table):
    """One order: a command in which ``{value}`` stands for the number. ``range``: what may be ordered."""

    command: Command
    range: Annotated[list[float], Field(min_length=2, max_length=2)] | None = None
    read_back: str = ""
    page: str = ""


class ScpiProfile(Common):
    """The whole file of a SCPI instrument."""

    protocol: Literal["scpi"]
    timing: ScpiTiming = ScpiTiming()
    quirks: ScpiQuirks = ScpiQuirks()
    channel: list[ScpiChannel] = Field(min_length=1)
    status: list[ScpiStatus] = Field(default_factory=list)
    identity: dict[PlainName, ScpiIdentity] = Field(default_factory=dict)
    writes: dict[str, ScpiWriteTable] = Field(default_factory=dict)
