"""The command line: reads, calls, prints; decides nothing.

Heavy imports wait until a command needs them, so that help and refusals are quick.
"""

from __future__ import annotations

import json
import os
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from leadline.plan import Plan

GO, NO_GO, BAD_INPUT = 0, 1, 2
"""Exit status."""

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Plans decompression dives from a dive file. A planning aid, not training; no model is proof against "
    "decompression sickness; cross-check every plan; analyse every gas.",
)
File = Annotated[Path, typer.Argument(metavar="FILE", help="the dive file (TOML; docs/dive-file.md)")]


@app.command("plan")
def plan_command(
    file: File, as_json: Annotated[bool, typer.Option("--json", help="the whole plan as JSON, metric")] = False
) -> None:
    """Plan a dive: verdict, schedule, gas, bailout. Exit status 0 without a no-go, 1 with one, 2 for bad input."""
    plan = _plan(file)
    if as_json:
        from leadline.plan.report import as_data

        sys.stdout.write(json.dumps(as_data(plan), indent=1, ensure_ascii=False, allow_nan=False) + "\n")
    else:
        from leadline.terminal import show

        show(plan)
    raise typer.Exit(NO_GO if plan.no_go else GO)


@app.command("sheets")
def sheets_command(
    file: File,
    output: Annotated[Path, typer.Option("-o", "--output", metavar="DIR", help="where the PDFs go")] = Path("sheets"),
) -> None:
    """Write the slates, wet-note pages and briefing of a dive as PDFs at true size."""
    plan = _plan(file)
    from leadline.sheets import write_sheets

    for path in write_sheets(plan, output):
        typer.echo(path)
    if plan.no_go:
        typer.echo("NO-GO: this plan must not be dived; its sheets say so across every page.", err=True)
    raise typer.Exit(NO_GO if plan.no_go else GO)


def _plan(file: Path) -> Plan:
    """Read and plan, saying what takes so long when the kernel has still to be compiled."""
    said = "Compiling the planning kernel for this machine: once only, up to half a minute ..."
    waiting = threading.Timer(3.0, lambda: typer.echo(said, err=True))
    waiting.daemon = True
    waiting.start()
    try:
        from leadline.brief import read_dive
        from leadline.plan import plan

        return plan(read_dive(file), file.name)
    finally:
        waiting.cancel()


def run() -> None:
    """The `leadline` command. Nothing that can go wrong with files or input reaches the user as a traceback."""
    from leadline.brief.errors import BriefError

    try:
        app()
    except BriefError as error:
        for line in error.lines():
            typer.echo(line, err=True)
        sys.exit(BAD_INPUT)
    except BrokenPipeError:
        # Whoever read the plan has seen enough; nothing more may be written, not even at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(GO)
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        typer.echo(f"leadline: {where}{error.strerror or error}", err=True)
        sys.exit(BAD_INPUT)
    except KeyboardInterrupt:
        typer.echo("leadline: interrupted", err=True)
        sys.exit(130)
