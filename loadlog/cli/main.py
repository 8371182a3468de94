"""The top of the command line: the group, and the one place where errors become a line and an exit status.

Exit status: 0 done; 1 failed or a limit was missed; 2 usage or configuration; 3 device, bus or port; 4 store; 130 interrupted.
"""

from __future__ import annotations

import os
import sys
import traceback

import click

from loadlog.cli.accuracy import accuracy
from loadlog.cli.afterwards import replay, review
from loadlog.cli.bench import check, read
from loadlog.cli.common import Suggesting, say
from loadlog.cli.dashboards import dashboards
from loadlog.cli.export import export
from loadlog.cli.forward import forward
from loadlog.cli.instruments import registers, scan
from loadlog.cli.notify import notify
from loadlog.cli.records import ack, events
from loadlog.cli.runs import run as run_group
from loadlog.cli.service import demo, serve, simulate
from loadlog.cli.store import store
from loadlog.detectors import COMPILED
from loadlog.model.errors import LoadlogError
from loadlog.process.priority import give_way
from loadlog.version import __version__

_READING = {"events", "review", "replay", "export", "store"}  # minutes of work on what is recorded, while more is being recorded
_MADE = " (compiled detectors)" if COMPILED else ""


@click.group(cls=Suggesting, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="loadlog", message=f"%(prog)s, version %(version)s{_MADE}")
@click.option("-v", "--verbose", is_flag=True, help="More in the logs; errors with their traceback.")
@click.pass_context
def cli(ctx: click.Context, verbose: bool) -> None:
    """Log unattended tests with DC electronic loads: poll, detect, keep, show."""
    ctx.obj = verbose


_COMMANDS = (
    demo, check, serve, read, scan, registers, run_group, events, ack, review, replay, export, accuracy, store, forward, dashboards,
    notify, simulate,
)  # fmt: skip
for _command in _COMMANDS:
    cli.add_command(_command)


def run(arguments: list[str], *, own_process: bool = False) -> int:
    """Carry out one command line; returns the exit status. Every error is one line on standard error. ``own_process``: there is
    nothing else in this one, so a command that reads recordings may give way to who writes them."""
    verbose = "-v" in arguments or "--verbose" in arguments
    try:
        # -v may stand anywhere: people add it at the end of a command that failed.
        rest = [a for a in arguments if a not in ("-v", "--verbose")]
        if own_process and rest[:1] and rest[0] in _READING:
            give_way()
        status = cli.main(["-v", *rest] if verbose else rest, prog_name="loadlog", standalone_mode=False)
        return status if isinstance(status, int) else 0
    except LoadlogError as exc:
        return _report(str(exc), exc.exit_status, verbose)
    except click.exceptions.NoArgsIsHelpError as exc:
        click.echo(exc.format_message(), err=True)
        return 2
    except click.ClickException as exc:
        line = exc.format_message().replace("\n", " ").removesuffix(".")
        context = exc.ctx if isinstance(exc, click.UsageError) else None
        return _report(f"{line} (see: {context.command_path} --help)" if context and "(" not in line else line, 2, verbose)
    except (click.Abort, KeyboardInterrupt):
        return 130
    except BrokenPipeError:
        # The reader of our output is gone (| head): nothing to report, and nothing more to flush.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0


def _report(line: str, status: int, verbose: bool) -> int:
    say(f"loadlog: {line}", err=True)
    if verbose:
        traceback.print_exc(file=sys.stderr)
    return status
