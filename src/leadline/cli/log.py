"""`leadline log`: the commands of the dive log."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from leadline.cli.output import BAD_INPUT, GO, INTERRUPTED, compiling, print_json, refuse

if TYPE_CHECKING:
    from leadline.dive_file import Dive
    from leadline.logbook.database.store import Logbook
    from leadline.logbook.dived import Dived, KeptPlan
    from leadline.units import System

BROKEN = 1
"""Exit status of an import of which some dives are broken."""

log_app = typer.Typer(no_args_is_help=True, help="The dive log: what was dived, kept with its plan.")


class Units(StrEnum):
    """How depths, pressures and temperatures are shown."""

    METRIC = "metric"
    IMPERIAL = "imperial"

    @property
    def system(self) -> System:
        """The units themselves."""
        from leadline.units import SYSTEMS

        return SYSTEMS[self.value]


LONGEST_NAME = 30


def _name(given: str | None) -> str | None:
    """A diver's name, without blanks around it."""
    name = given.strip() if given is not None else None
    if name and len(name) > LONGEST_NAME:
        raise typer.BadParameter(f"a name is at most {LONGEST_NAME} letters long, as in a dive file")
    if name and not name.isprintable():
        raise typer.BadParameter("a name is made of letters and signs that print")
    return name


def _time(given: str) -> datetime:
    """A time on the clock of the place."""
    try:
        found = datetime.fromisoformat(given.strip())
    except ValueError:
        found = None
    if found is None or found.tzinfo is not None or len(given.strip()) < len("2026-05-31 10:20"):
        raise typer.BadParameter(f'{given!r} is not a time on the clock of the place; write "2026-05-31 10:20"')
    return found


Number = Annotated[int, typer.Argument(metavar="N", min=1, help="the dive's number")]
DiveFile = Annotated[Path, typer.Argument(metavar="FILE", help="the dive file (TOML; docs/dive-file.md)")]
Database = Annotated[
    str | None,
    typer.Option(
        "--database",
        metavar="URL",
        help="where the log is, such as sqlite:///dives.db; if not given LEADLINE_DATABASE, or your own log",
    ),
]
Shown = Annotated[Units, typer.Option("--units", help="of the depths and pressures shown")]
AsJson = Annotated[bool, typer.Option("--json", help="as JSON, metric")]


@log_app.command("list")
def list_command(
    diver: Annotated[
        str | None, typer.Option("--diver", metavar="NAME", callback=_name, help="only the dives of one diver")
    ] = None,
    as_json: AsJson = False,
    units: Shown = Units.METRIC,
    database: Database = None,
) -> None:
    """List the dives by when they began, the last at the end."""
    with _logbook(database) as log:
        entries, divers, where = log.entries(diver), log.divers(), log.name
    if diver and not entries:
        refuse(f"the log has no dive of {diver}; it has those of {', '.join(divers) or 'nobody by name'}")
    if as_json:
        from leadline.logbook.data import entries_as_data

        print_json(entries_as_data(entries))
    else:
        from leadline.terminal.log import show_entries

        show_entries(entries, where, units.system)


@log_app.command("show")
def show_command(
    number: Number, as_json: AsJson = False, units: Shown = Units.METRIC, database: Database = None
) -> None:
    """Show a dive: its figures, its profile, what was carried and breathed."""
    with _logbook(database) as log:
        logged = log.dive(number)
    if as_json:
        from leadline.logbook.data import dive_as_data

        print_json(dive_as_data(logged))
    else:
        from leadline.terminal.log import show_dive

        show_dive(logged, units.system)


@log_app.command("add")
def add_command(
    file: DiveFile,
    began: Annotated[
        datetime,
        typer.Option(
            "--began",
            parser=_time,
            metavar="TIME",
            help='when the surface was left, on the clock of the place: "2026-05-31 10:20"',
        ),
    ],
    diver: Annotated[
        str,
        typer.Option(
            "--diver", metavar="NAME", callback=_name, help="whose dive it was; one of the team, if the file has one"
        ),
    ] = "",
    database: Database = None,
) -> None:
    """Log a dive that nothing recorded as if it had been dived exactly as its file plans it."""
    with _logbook(database) as log:
        dive, kept = _dive_file(file, database)
        with compiling():
            dived = replace(_as_planned(dive, file, began, diver), plan=kept)
        number = log.add(dived)
    typer.echo(f"Dive {number}: {dived.title}, as planned, {began:%Y-%m-%d %H:%M}")


@log_app.command("import")
def import_command(
    files: Annotated[list[Path], typer.Argument(metavar="FILE...", help="UDDF or CSV; docs/log.md")],
    diver: Annotated[
        str, typer.Option("--diver", metavar="NAME", callback=_name, help="the diver of dives whose file names none")
    ] = "",
    plan: Annotated[
        Path | None,
        typer.Option("--plan", metavar="FILE", help="the dive file that they were dived by; kept with them"),
    ] = None,
    began: Annotated[
        datetime | None,
        typer.Option(
            "--began", parser=_time, metavar="TIME", help="when a dive of a CSV file began that does not say it itself"
        ),
    ] = None,
    database: Database = None,
) -> None:
    """Bring in recorded dives. What is in the log already is not brought in twice.

    Exit status 0 if all are in the log now, 1 if a dive was broken, 2 for a file that cannot be read.
    """
    from leadline.dive_file.errors import DiveFileError
    from leadline.logbook.exchange.files import read_file
    from leadline.logbook.exchange.incoming import import_dives
    from leadline.terminal.log import progress

    tally: Counter[str] = Counter()
    new: list[int] = []
    interrupted = False
    with _logbook(database) as log, progress() as told:
        kept = _dive_file(plan, database)[1] if plan is not None else None
        try:
            for file in files:
                try:
                    reading = read_file(file, began)
                    told.begins(file.name, reading.total)
                    for one in import_dives(log, reading.dives, diver, kept):
                        told.advances()
                        if one.number is None:
                            told.says(f"{file.name}: dive {one.place}: {one.why}")
                            tally["broken"] += 1
                        elif one.new:
                            new.append(one.number)
                        else:
                            tally["known"] += 1
                except DiveFileError as error:
                    for line in error.lines():
                        told.says(line)
                    tally["unread"] += 1
        except KeyboardInterrupt:
            interrupted = True
    typer.echo(_brought_in(new, tally))
    if interrupted:
        typer.echo("leadline: interrupted; what came in is whole. The same command brings in the rest.", err=True)
        raise typer.Exit(INTERRUPTED)
    raise typer.Exit(BAD_INPUT if tally["unread"] else BROKEN if tally["broken"] else GO)


def _brought_in(new: Sequence[int], tally: Mapping[str, int]) -> str:
    """What came of an import: "2 dives came in, 7 to 8; 1 was in the log already; 3 are broken"."""
    from leadline.logbook.database.store import spans

    count = {0: "no dive came in", 1: "1 dive came in"}.get(len(new), f"{len(new)} dives came in")
    said = [f"{count}, {spans(sorted(new))}" if new else count]
    if known := tally["known"]:
        said.append(f"{known} {'was' if known == 1 else 'were'} in the log already")
    if broken := tally["broken"]:
        said.append(f"{broken} {'is' if broken == 1 else 'are'} broken")
    text = "; ".join(said)
    return text[0].upper() + text[1:]


@log_app.command("export")
def export_command(
    output: Annotated[
        Path, typer.Option("-o", "--output", metavar="FILE", help="where to: .uddf, or .csv for one dive")
    ],
    numbers: Annotated[
        list[int] | None, typer.Argument(metavar="[N]...", min=1, help="the dives' numbers; all if none is given")
    ] = None,
    database: Database = None,
) -> None:
    """Write dives to a file that others can read."""
    from leadline.logbook.exchange.files import write_file
    from leadline.terminal.log import progress

    with _logbook(database) as log, progress() as told:
        wanted = list(dict.fromkeys(numbers or [entry.number for entry in log.entries()]))
        if not wanted:
            refuse(f"there is no dive in {log.name} to export")
        told.begins(output.name, len(wanted))
        dives: list[Dived] = []
        for number in wanted:
            dives.append(log.dive(number).dived)
            told.advances()
    write_file(dives, output)
    typer.echo(output)


@log_app.command("plan")
def plan_command(number: Number, file: DiveFile, database: Database = None) -> None:
    """Keep a dive file as the plan that a dive was dived by."""
    with _logbook(database) as log:
        log.keep_plan(number, _dive_file(file, database)[1])
    typer.echo(f"Dive {number}: {file.name} is kept as its plan")


@log_app.command("diver")
def diver_command(
    number: Number,
    name: Annotated[str, typer.Argument(metavar="NAME", callback=_name, help="the diver")],
    database: Database = None,
) -> None:
    """Say whose a dive was."""
    if not name:
        refuse("the name of the diver is blank")
    with _logbook(database) as log:
        log.name_diver(number, name)
    typer.echo(f"Dive {number} is {name}'s")


@log_app.command("remove")
def remove_command(
    number: Number,
    yes: Annotated[bool, typer.Option("--yes", help="without asking")] = False,
    database: Database = None,
) -> None:
    """Take a dive out of the log, for good."""
    from leadline.logbook.database import store

    with _logbook(database) as log:
        dived = log.dive(number).dived
        which = store.which(dived.began, dived.title, dived.diver)
        if not yes and not typer.confirm(f"Remove dive {number} ({which}) for good?"):
            typer.echo("It stays.")
            return
        log.remove(number)
    typer.echo(f"Dive {number} ({which}) is removed")


def _logbook(url: str | None) -> Logbook:
    from leadline.logbook.database.store import Logbook

    return Logbook.open(url)


def _dive_file(file: Path, database: str | None) -> tuple[Dive, KeptPlan]:
    """A dive file, read, and as it is kept. Dives of the log that it names are those of the same log."""
    from leadline.dive_file import read_dive
    from leadline.logbook.dived import KeptPlan
    from leadline.logbook.residual import from_log

    return read_dive(file, from_log(database)), KeptPlan(file.name, file.read_text(encoding="utf-8-sig"))


def _as_planned(dive: Dive, file: Path, began: datetime, diver: str) -> Dived:
    """The dive of one diver of a file, dived as planned."""
    from leadline.logbook.as_planned import dived_as_planned
    from leadline.plan.team import plan_team

    team = plan_team(dive, file.name)
    named = {member.name: member for member in team.members}
    if not dive.team:
        member = team.members[0]
    elif diver in named:
        member = named[diver]
    else:
        said = f"has no diver {diver!r}" if diver else "is of a team: say with --diver whose dive to log"
        refuse(f"{file.name} {said}; its team is {', '.join(named)}")
    if member.plan.no_go:
        typer.echo(f"{file.name}: this plan is a no-go; it is logged as dived all the same", err=True)
    return dived_as_planned(member.plan, began, diver)
