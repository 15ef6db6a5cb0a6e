"""The command line: reads, calls, prints; decides nothing.

Heavy imports wait until a command needs them, so that help and refusals are quick.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from leadline.cli.log import log_app
from leadline.cli.output import (
    BAD_INPUT,
    ENGINE_FAULT,
    GO,
    INTERRUPTED,
    NO_GO,
    UNFINISHED,
    compiling,
    end_unread,
    print_json,
    ready_to_print,
    refuse,
)

if TYPE_CHECKING:
    from leadline.dive_file import Dive
    from leadline.dive_file.reader import DiveFile
    from leadline.dive_file.schema import Kept
    from leadline.plan.day import Day
    from leadline.solve import Frontier
    from leadline.tissue.coefficients import SetName

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Plans decompression dives from a dive file. A planning aid, not training; no model is proof against "
    "decompression sickness; cross-check every plan; analyse every gas.",
)
app.add_typer(log_app, name="log")
File = Annotated[Path, typer.Argument(metavar="FILE", help="the dive file (TOML; docs/dive-file.md)")]


@app.command("plan")
def plan_command(
    file: File, as_json: Annotated[bool, typer.Option("--json", help="the whole plan as JSON, metric")] = False
) -> None:
    """Plan a dive: verdict, schedule, gas, contingencies.

    Exit status 0 without a no-go, 1 with one, 2 for bad input.
    """
    day = _plan(file)
    if as_json:
        from leadline.show.plan_data import day_as_data

        print_json(day_as_data(day))
    else:
        from leadline.terminal import show

        show(day.asked_for.team, day=day)
    raise typer.Exit(NO_GO if day.no_go else GO)


@app.command("sheets")
def sheets_command(
    file: File,
    output: Annotated[Path, typer.Option("-o", "--output", metavar="DIR", help="where the PDFs go")] = Path("sheets"),
) -> None:
    """Write the slates, wet-note pages and briefing of a dive as PDFs at true size; and the day, of dives in a row."""
    day = _plan(file)
    team = day.asked_for.team
    from leadline.sheets import write_sheets

    for path in write_sheets(team, output, day):
        typer.echo(path)
    if team.no_go:
        typer.echo("NO-GO: this plan must not be dived; its sheets say so across every page.", err=True)
    raise typer.Exit(NO_GO if day.no_go else GO)


@app.command("serve")
def serve_command(
    file: Annotated[
        Path | None, typer.Argument(metavar="[FILE]", help="a dive file to open; an example if none is given")
    ] = None,
    host: Annotated[
        str, typer.Option("--host", help="the address to listen at; other machines need the token that is printed")
    ] = "127.0.0.1",
    port: Annotated[int, typer.Option("--port", min=1, max=65535, help="the port to listen at")] = 8360,
    database: Annotated[
        str | None, typer.Option("--database", metavar="URL", help="where the dive log is; if not given your own")
    ] = None,
) -> None:
    """Plan a dive in the browser, on this machine and without a network. Ctrl-C ends it."""
    text = ""
    if file is not None:
        from leadline.dive_file.reader import MAX_BYTES

        with file.open("rb") as opened:
            content = opened.read(MAX_BYTES + 1)
        try:
            text = content.decode("utf-8-sig") if len(content) <= MAX_BYTES else ""
        except UnicodeDecodeError:
            typer.echo(f"{file.name}: is not text; a dive file is TOML in UTF-8", err=True)
            raise typer.Exit(BAD_INPUT) from None
        if len(content) > MAX_BYTES:
            typer.echo(f"{file.name}: is over {MAX_BYTES // 1000} kB, too large for a dive file", err=True)
            raise typer.Exit(BAD_INPUT)
    from leadline.app.server import serve

    serve(text, host, port, database)


@app.command("mix")
def mix_command(
    file: File,
    as_json: Annotated[bool, typer.Option("--json", help="fills and analyses as JSON, metric")] = False,
    output: Annotated[
        Path | None,
        typer.Option("-o", "--output", metavar="FILE", help="also a label for every analysed cylinder, .pdf"),
    ] = None,
) -> None:
    """Fill the cylinders of a dive, and plan it again with what was analysed.

    Exit status 0 if all can be filled and the plan holds, 1 if not, 2 for bad input.
    """
    if output is not None and output.suffix.lower() != ".pdf":
        refuse(f"{output.name}: the file name must end in .pdf")
    dive = _read(file)
    if output is not None and not dive.fills.analysed:
        typer.echo(f"{file.name}: nothing was analysed, and a label carries only what was", err=True)
        raise typer.Exit(BAD_INPUT)
    with compiling():
        from leadline.mixing import mix

        mixed = mix(dive, file.name)
    if as_json:
        from leadline.mixing.data import mix_as_data

        print_json(mix_as_data(mixed))
    else:
        from leadline.terminal.mix import show_mix

        show_mix(mixed)
    if output is not None and mixed.analysed is not None:
        from leadline.sheets.label import write_labels

        write_labels(dive, mixed.analysed.analysed, output)
        typer.echo(output, err=as_json)
    raise typer.Exit(GO if mixed.good else NO_GO)


@app.command("ensemble")
def ensemble_command(
    file: File, as_json: Annotated[bool, typer.Option("--json", help="the whole ensemble as JSON, metric")] = False
) -> None:
    """Draw dives around a plan, as its \\[ensemble] says: does the gas last, how long is the way up, what drives it?

    Exit status 0, 1 if the plan itself is a no-go, 2 for bad input, 130 if stopped.
    """
    dive = _read(file)
    with compiling():
        from leadline.ensemble.robustness import ready, run_ensemble
        from leadline.terminal.ensemble import progress, show_ensemble

        ready()
    with progress() as told:
        found = run_ensemble(dive, file.name, told)
    if as_json:
        from leadline.ensemble.data import ensembles_as_data

        print_json(ensembles_as_data(found))
    else:
        show_ensemble(found)
    raise typer.Exit(NO_GO if any(one.plan.no_go for one in found) else GO)


@app.command("compare")
def compare_command(
    file: File, as_json: Annotated[bool, typer.Option("--json", help="both columns as JSON, metric")] = False
) -> None:
    """Compare two models, or two settings, on a dive: side by side, as its \\[\\[compare]] says.

    Exit status 0, or 2 for bad input: a comparison has no verdict.
    """
    with compiling():
        from leadline.plan.compare import compare_settings, compared_as_data

        found = compare_settings(_read(file), file.name)
    if as_json:
        print_json(compared_as_data(found))
    else:
        from leadline.terminal.compare import show_compared

        show_compared(found)


@app.command("tables")
def tables_command(
    file: File,
    output: Annotated[
        Path | None, typer.Option("-o", "--output", metavar="DIR", help="where the PDFs go; tables if not given")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="the set as JSON, metric; PDFs too only with -o")] = False,
) -> None:
    """Print a table set around a dive, depth by bottom time, as its \\[tables] says: slates, tables, no-stop limits.

    Exit status 0 if some dive of it may be dived, 1 if none, 2 for bad input, 130 if stopped.
    """
    dive, name = _read(file), file.name
    written = output is not None or not as_json
    with compiling():
        from leadline.sheets.table_set import said_of, write_table_set
        from leadline.tables.data import table_set_as_data
        from leadline.tables.table_set import plan_table_set
        from leadline.terminal.table_set import progress
    try:
        with progress() as told:
            found = plan_table_set(dive, name, told)
        with progress() as told:
            paths = write_table_set(found, output or Path("tables"), told) if written else []
    except KeyboardInterrupt:
        typer.echo("leadline: stopped before the end; no half of a file is left", err=True)
        raise typer.Exit(INTERRUPTED) from None
    if as_json:
        print_json(table_set_as_data(found))
    for path in paths:
        typer.echo(path, err=as_json)
    if said := said_of(found):
        typer.echo(said, err=True)
    raise typer.Exit(GO if found.any_go else NO_GO)


@app.command("verify")
def verify_command(
    every: Annotated[bool, typer.Option("--all", help="every check value, not only how many are right")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="every check value as JSON")] = False,
    output: Annotated[
        Path | None, typer.Option("-o", "--output", metavar="FILE", help="also a page to keep, .pdf")
    ] = None,
) -> None:
    """Compute every published check value anew on this machine, beside the published figure.

    Exit status 0 if all are right, 2 for bad input, 3 if any is not: then nothing planned here may be dived.
    """
    if output is not None and output.suffix.lower() != ".pdf":
        refuse(f"{output.name}: the file name must end in .pdf")
    with compiling():
        from leadline.verify import as_data, verify

        report, date = verify(), datetime.now().astimezone().date().isoformat()
    if as_json:
        print_json(as_data(report, date))
    else:
        from leadline.terminal.verify import show_verify

        show_verify(report, date, every)
    if output is not None:
        from leadline.sheets.verify import write_verify

        write_verify(report, date, output)
        typer.echo(output, err=as_json)
    raise typer.Exit(GO if report.passed else ENGINE_FAULT)


@app.command("debrief")
def debrief_command(
    number: Annotated[int, typer.Argument(metavar="N", min=1, help="the dive's number in the log")],
    plan: Annotated[
        Path | None,
        typer.Option("--plan", metavar="FILE", help="the dive file to hold it against; if not given its own"),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="the whole debrief as JSON, metric")] = False,
    output: Annotated[
        Path | None,
        typer.Option("-o", "--output", metavar="FILE", help="also a page, .pdf, or the picture alone, .png or .svg"),
    ] = None,
    database: Annotated[
        str | None, typer.Option("--database", metavar="URL", help="where the log is; if not given your own")
    ] = None,
) -> None:
    """Hold a dive of the log against its plan: what went otherwise, what was breathed, which sheet applied.

    Exit status 0 without a caution, 1 with one, 2 for bad input.
    """
    if output is not None:
        from leadline.sheets.debrief import debrief_format

        try:
            debrief_format(output)
        except ValueError as error:
            refuse(str(error))
    with compiling():
        from leadline.logbook.debrief.recall import debrief_of

        found = debrief_of(number, plan, database)
    if as_json:
        from leadline.logbook.debrief.data import debrief_as_data

        print_json(debrief_as_data(found))
    else:
        from leadline.terminal.debrief import show_debrief

        show_debrief(found)
    if output is not None:
        from leadline.sheets.debrief import write_debrief

        write_debrief(found, output)
        typer.echo(output, err=as_json)
    raise typer.Exit(NO_GO if found.caution else GO)


class Sought(StrEnum):
    """What `solve` is asked for."""

    TIME = "time"
    DEPTH = "depth"
    MIX = "mix"
    DECO = "deco"
    CYLINDERS = "cylinders"
    GAS = "gas"
    INTERVAL = "interval"


@app.command("solve")
def solve_command(
    file: File,
    sought: Annotated[
        Sought,
        typer.Option(
            "--for",
            help="the longest bottom time, the deepest depth, the best mix, the best deco gases, the smallest "
            "cylinders, the least gas (mix, deco gases and cylinders together), or the shortest surface interval "
            "before it, at which the plan and every contingency hold; what to choose from stands in \\[solve]",
        ),
    ] = Sought.TIME,
    as_json: Annotated[bool, typer.Option("--json", help="the answer as JSON, metric, the frontier with it")] = False,
    output: Annotated[
        Path | None,
        typer.Option(
            "-o", "--output", metavar="FILE", help="also draw bottom time against depth for every limit, .png or .svg"
        ),
    ] = None,
) -> None:
    """From limits back to the dive. Exit status 0 with an answer, 1 if nothing holds, 2 for bad input, 130 if stopped.

    Ctrl-C stops with what is known so far.
    """
    pictured = sought in (Sought.TIME, Sought.DEPTH)
    if output is not None:
        _drawable(output, pictured)
    dive, name = _read(file), file.name
    with compiling():
        from leadline import solve
        from leadline.terminal.solve import progress, show_answer

        solve.judge_dive(dive, name)  # compiles the kernel, where it has still to be
    around: Frontier | None = None
    with progress() as told:
        bottoms = solve.Bottoms(dive, name, told)
        answer = solve.solve_for(sought.value, dive, name, told, bottoms)
    if not as_json:
        show_answer(answer)
    if answer.complete and pictured and (as_json or output is not None):
        with progress() as told:
            around = solve.limits_frontier(dive, name, told, solve.Bottoms(dive, name, told, bottoms.verdicts))
    if as_json:
        print_json(solve.answer_as_data(answer, around))
    if output is not None and around is not None and around.curves:
        from leadline.sheets.frontier import write_frontier

        write_frontier(around, output)
        typer.echo(output, err=as_json)
    if not answer.complete or (around is not None and not around.complete):
        typer.echo("leadline: stopped before the end; this is what is known so far", err=True)
        raise typer.Exit(INTERRUPTED)
    raise typer.Exit(GO if answer.found else NO_GO)


@app.command("sweep")
def sweep_command(
    file: File,
    output: Annotated[
        Path, typer.Option("-o", "--output", metavar="FILE", help="the result, .parquet or .csv: a row a dive")
    ] = Path("sweep.parquet"),
    scheduler: Annotated[
        str | None,
        typer.Option("--workers", metavar="URL", help="a Dask scheduler, tcp://...; if not given, this machine alone"),
    ] = None,
) -> None:
    """Plan many dives: all that \\[sweep] makes of a dive file.

    Ctrl-C stops it; the same command goes on. Exit status 0 when it is done, 1 if it could not be finished, 2 for bad
    input, 130 if stopped.
    """
    with compiling():
        from leadline.sweep import run
        from leadline.terminal.sweep import progress, show_done

        try:
            run.result_ending(output)
        except ValueError as error:
            refuse(str(error))
        sweep = run.read_sweep(_read_file(file))
        run.compile_for(sweep)
    began = time.monotonic()
    try:
        with progress() as watch:
            done = run.run_sweep(sweep, output, scheduler, watch.told, watch.say)
    except run.Stopped as stopped:
        typer.echo(f"leadline: {stopped}", err=True)
        raise typer.Exit(INTERRUPTED if stopped.interrupted else UNFINISHED) from None
    show_done(done, sweep.file.dive.title, time.monotonic() - began)


def _drawable(output: Path, pictured: bool) -> None:
    """Refuse, before anything long begins, a picture that cannot be drawn."""
    from leadline.sheets.frontier import picture_format

    said = ""
    try:
        picture_format(output)
    except ValueError as error:
        said = str(error)
    if not pictured:
        said = "-o draws bottom time against depth; it goes with --for time or --for depth"
    if said:
        refuse(said)


def _read(file: Path) -> Dive:
    """Read a dive file, with the dives before it; the log is asked only if the file names a dive of it."""
    return _read_file(file).dive


def _read_file(file: Path) -> DiveFile:
    """Read a dive file, with what is written in it."""
    from leadline.dive_file.reader import read_file

    def log(number: int, coefficients: SetName, diver: str, interval_min: float) -> Kept:
        from leadline.logbook.residual import from_log

        return from_log()(number, coefficients, diver, interval_min)

    return read_file(file, log)


def _plan(file: Path) -> Day:
    """Read and plan, for every diver, with the dives before it."""
    with compiling():
        from leadline.plan.day import plan_day
        from leadline.solve.cures import cured

        found = plan_day(_read(file), file.name)
    asked_for = found.asked_for
    if not asked_for.team.no_go:
        return found
    from leadline.terminal.solve import progress

    with progress() as told:
        return replace(
            found, dives=(*found.dives[:-1], replace(asked_for, team=cured(asked_for.team, file.name, told)))
        )


def run() -> None:
    """The `leadline` command. Nothing that can go wrong with files or input reaches the user as a traceback."""
    from leadline.dive_file.errors import DiveFileError
    from leadline.tissue.fault import EngineFault

    ready_to_print()
    out = sys.stdout
    try:
        app()
    except SystemExit as ended:
        if isinstance(ended.__context__, BrokenPipeError):  # Typer and Rich end with 1, which would be a no-go
            end_unread(out)
        raise
    except DiveFileError as error:
        for line in error.lines():
            typer.echo(line, err=True)
        sys.exit(BAD_INPUT)
    except EngineFault as error:
        typer.echo(f"leadline: {error}", err=True)
        sys.exit(ENGINE_FAULT)
    except BrokenPipeError:
        end_unread(out)
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        typer.echo(f"leadline: {where}{error.strerror or error}", err=True)
        sys.exit(BAD_INPUT)
    except KeyboardInterrupt:
        typer.echo("leadline: interrupted", err=True)
        sys.exit(INTERRUPTED)
