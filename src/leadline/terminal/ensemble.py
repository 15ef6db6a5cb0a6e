"""An ensemble in the terminal, and how far it is while it is worked out."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager

from rich import box
from rich.console import Console, Group, RenderableType
from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeRemainingColumn
from rich.table import Table
from rich.text import Text

from leadline.cautions import CAUTIONS
from leadline.ensemble import draws
from leadline.ensemble import words as words
from leadline.ensemble.robustness import Ascents, EnsembleResult, Told
from leadline.units import SYSTEMS, System

_BLANK = Text("")


@contextmanager
def progress(console: Console | None = None) -> Iterator[Told]:
    """A bar on the terminal's standard error; silent where that is no terminal."""
    console = console or Console(stderr=True, highlight=False)
    if not console.is_terminal:
        yield lambda what, done, of: None
        return
    columns = (TextColumn("{task.description}"), BarColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, transient=True) as bar:
        tasks: dict[str, TaskID] = {}

        def told(what: str, done: int, of: int) -> None:
            if what not in tasks:
                for task in tasks.values():
                    bar.remove_task(task)
                tasks.clear()
                tasks[what] = bar.add_task(what, total=of)
            bar.update(tasks[what], completed=done)

        yield told


def show_ensemble(found: Sequence[EnsembleResult], console: Console | None = None) -> None:
    """Print the ensemble of every diver."""
    console = console or Console(highlight=False, markup=False)
    console.print(render_ensemble(found), crop=False)  # what a narrow terminal cannot show is wrapped, not lost


def render_ensemble(found: Sequence[EnsembleResult]) -> RenderableType:
    """Ensembles as Rich sees them."""
    parts: list[RenderableType] = []
    for one in found:
        parts += [*_one(one), _BLANK]
    if len(found) > 1:
        parts.append(Text("Stops worked out anew are those of each diver alone; contingencies are the team's."))
    return Group(*parts, Text(words.NOT_A_RISK, style="bold"), *(Text(line, style="dim") for line in CAUTIONS))


def _one(found: EnsembleResult) -> Iterator[RenderableType]:
    plan, system = found.plan, SYSTEMS[found.plan.dive.units]
    yield Text(plan.dive.title + (f", {found.diver}" if found.diver else ""), style="bold")
    if plan.no_go:
        reasons = sum(finding.severity == "no-go" for finding in plan.findings)
        said = f" NO-GO  {reasons} reason{'s' * (reasons != 1)} not to dive the plan itself: see leadline plan "
        yield Text(said, style="bold reverse")
    yield Text(words.sample(found))
    yield _BLANK
    for sentence in words.summary(found):
        yield Text(sentence)
    yield _inputs(found, system)
    for heading, how, ascents in (
        (words.RECOMPUTED, words.HOW_RECOMPUTED, found.recomputed),
        (words.BY_SLATE, words.HOW_BY_SLATE, found.by_slate),
        (words.BY_SLATES, words.HOW_BY_SLATES, found.by_slates),
    ):
        if ascents is not None:
            yield from _ascents(heading, how, ascents, found, system)
    taken = [(slate.name, words.chance(slate.taken)) for slate in found.slates]
    yield _table("Which slate is needed", ("Slate", "Chance"), taken)
    yield Text(words.HOW_COVERED, style="dim")
    yield from _what_ifs(found)
    yield from _drivers(found)


def _table(title: str, head: Sequence[str], rows: Sequence[Sequence[str]], words_in: int = 1) -> Table:
    """A table under a heading; the first so many columns are words, the others figures."""
    table = Table(
        title=f"\n{title}", title_justify="left", title_style="bold", box=box.SIMPLE_HEAD, show_edge=False, padding=0
    )  # fmt: skip
    for i, name in enumerate(head):
        # A figure that is broken in two is misread; names and headings break between words instead.
        least = max((len(line) for row in rows for line in row[i].split("\n")), default=0) if i >= words_in else None
        table.add_column(name, justify="right" if least is not None else "left", overflow="fold", min_width=least)
    for row in rows:
        table.add_row(*(Text(cell) for cell in row))
    return table


def _inputs(found: EnsembleResult, system: System) -> Table:
    rows = [
        (draws.NAMES[one.name], one.in_words(system), words.COMMON if one.common else "as the dive file says")
        for one in found.inputs
    ]
    return _table("What differs", ("Input", "Drawn from", ""), rows, words_in=3)


def _ascents(
    heading: str, how: str, ascents: Ascents, found: EnsembleResult, system: System
) -> Iterator[RenderableType]:  # fmt: skip
    rows = [
        (line.name, line.plan, *(f"{value}\n{interval}" for value, interval in line.quantiles))
        for line in words.lines(ascents, found.plan, system)
    ]
    yield _table(heading, ("", "Plan", *words.SHARES), rows)
    yield Text(how, style="dim")
    if ascents.refused.count:
        refused = words.chance(ascents.refused)
        yield Text(
            f"Cannot be dived as drawn: {refused}; counted below as gas that does not last and over every limit.",
            style="bold",
        )
    lasts = [(one.name, words.chance(one.lasts), words.chance(one.to_empty)) for one in ascents.cylinders]
    if len(lasts) > 1:
        lasts.append(("all of them", words.chance(ascents.all_last), words.chance(ascents.all_to_empty)))
    if lasts:
        yield _table("The gas lasts", ("Cylinder", "above its reserve", "to the last"), lasts)
    yield _table("Limits", ("", "Chance"), [(one.name, words.chance(one.over)) for one in ascents.limits])


def _what_ifs(found: EnsembleResult) -> Iterator[RenderableType]:
    rows = [(one.kind, words.chance(one.gas_short), one.cylinder, words.chance(one.not_met)) for one in found.what_ifs]
    head = ("If this happens", "gas does not last", "mostly", "does not hold, for any reason")
    yield _table(f"Contingencies on {found.planned_whole} of the drawn dives", head, rows)
    if found.not_planned.count:
        yield Text(
            f"Cannot be planned as drawn, and counted as failing: {words.chance(found.not_planned)}.", style="bold"
        )
    yield Text(words.HOW_WHAT_IFS, style="dim")


def _drivers(found: EnsembleResult) -> Iterator[RenderableType]:
    for driven in found.driven:
        if not driven.drivers:
            yield Text(f"What drives {driven.name}: {words.undriven(driven)}.")
            continue
        rows = [
            (draws.NAMES[one.input], words.index(one.first), words.index(one.total)) for one in driven.drivers
        ]  # fmt: skip
        yield _table(f"What drives {driven.name}", ("Input", "alone", "with others"), rows)
    if found.driven:
        yield Text(words.how_driven(found.driven[0]), style="dim")
