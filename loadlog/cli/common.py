"""What all commands share: options, output as text or JSON, and nearest-name suggestions."""

from __future__ import annotations

import dataclasses
import json
import math
import re
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

import click

from loadlog.config import nearest
from loadlog.model.duration import LONGEST_S, parse_duration
from loadlog.model.errors import UsageError

F = TypeVar("F", bound=Callable[..., Any])

DEFAULT_CONFIG = "config/bench.toml"
_BEYOND_JSON = re.compile(r"[\x7f-\x9f]")  # control characters that JSON does not ask to be escaped


def config_option(command: F) -> F:
    """``--config FILE``, from `$LOADLOG_CONFIG` or the default place."""
    return click.option(
        "--config",
        "config_path",
        type=click.Path(path_type=Path),
        envvar="LOADLOG_CONFIG",
        default=DEFAULT_CONFIG,
        show_default=True,
        help="Configuration file (also $LOADLOG_CONFIG).",
    )(command)


def json_option(command: F) -> F:
    """``--json``: standard output holds JSON alone."""
    return click.option("--json", "as_json", is_flag=True, help="Print JSON: one object, or one object a line for lists.")(command)


class Suggesting(click.Group):
    """A group that names the nearest command for one that does not exist."""

    def resolve_command(self, ctx: click.Context, args: list[str]) -> tuple[str | None, click.Command | None, list[str]]:
        """As click's, with a suggestion in the refusal."""
        try:
            return super().resolve_command(ctx, args)
        except click.UsageError as exc:
            raise click.UsageError(f"there is no command {args[0]!r}{nearest(args[0], self.commands)}", ctx) from exc


def plain(value: Any) -> Any:
    """JSON-able form of frozen records, paths and sets; a number that JSON does not have (NaN, infinity) is null."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, dict):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(v) for v in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return str(value) if isinstance(value, Path) else value


def print_json(value: Any) -> None:
    """One object on one line."""
    text = json.dumps(plain(value), ensure_ascii=False, allow_nan=False)
    click.echo(_BEYOND_JSON.sub(lambda found: f"\\u{ord(found[0]):04x}", text))


def shown(text: str) -> str:
    """Text from instruments, servers and people as a terminal may have it: no control characters but line feeds, which it would carry out
    (ECMA-48: ESC, CSI)."""
    return text if text.isprintable() else "".join(c if c.isprintable() or c == "\n" else "\N{REPLACEMENT CHARACTER}" for c in text)


def say(text: str, *, err: bool = False) -> None:
    """Print text that may hold what others wrote."""
    click.echo(shown(text), err=err)


def say_left_out(lines: Iterable[str]) -> None:
    """Which recordings could not be read, a line each, on standard error: a list, for programs too, lacks what stands in them."""
    for line in lines:
        say(f"loadlog: left out: {line}", err=True)


def print_table(title: str, columns: Sequence[str], rows: Iterable[Sequence[Any]], right: Sequence[int] = ()) -> None:
    """A table for people; as wide as the terminal, or unwrapped when the output is a file or pipe."""
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(title=Text(title) if title else None, title_justify="left", box=None, pad_edge=False, header_style="bold")
    for index, column in enumerate(columns):
        table.add_column(column, justify="right" if index in right else "left", overflow="fold")
    for row in rows:
        table.add_row(*(Text("" if cell is None else shown(str(cell))) for cell in row))
    Console(file=sys.stdout, width=None if sys.stdout.isatty() else 200).print(table)


@contextmanager
def progress_bar(what: str, total: int) -> Iterator[Callable[[int], None]]:
    """A bar on standard error while the block runs, quiet when that is no terminal; the block calls what it gets with how much is done."""
    if not sys.stderr.isatty():
        yield lambda done: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.percentage:>3.0f} %"), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=total)
        yield lambda done: bar.update(task, completed=done)


def pick(name: str, known: Iterable[str], what: str) -> str:
    """``name`` when it is known.

    Raises:
        UsageError: it is not; names the nearest, or all that there are.
    """
    names = list(known)
    if name not in names:
        close = nearest(name, names)
        hint = "" if close else f"known: {', '.join(names)}" if names else "none is configured"
        raise UsageError(f"there is no {what} {name!r}{close}", hint=hint)
    return name


class Duration(click.ParamType[float]):
    """Click's view of `parse_duration`."""

    name = "duration"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Seconds."""
        if isinstance(value, float):
            return value
        try:
            seconds = parse_duration(str(value))
        except UsageError as exc:
            self.fail(exc.what, param, ctx)
        if not 0 < seconds <= LONGEST_S:
            self.fail(f"{value!r} is not between 0 and ten years", param, ctx)
        return seconds


class Number(click.FloatRange):
    """Click's range of numbers without those that are none: comparisons let ``nan`` through every range."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """A finite number of the range."""
        number: float = super().convert(value, param, ctx)
        if not math.isfinite(number):
            self.fail(f"{value!r} is no number such as 24.01", param, ctx)
        return number
