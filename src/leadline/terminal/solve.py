"""An answer of `leadline solve` in the terminal, and what is said while it is sought."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager

from rich.console import Console, Group, RenderableType
from rich.table import Table
from rich.text import Text

from leadline.cautions import CAUTIONS
from leadline.plan.breathing import hard_density_g_l
from leadline.plan.flying import UNPUBLISHED, hours
from leadline.plan.rows import up
from leadline.plan.standard import described
from leadline.solve.bottom import BEHIND, BEYOND_DEPTHS, BEYOND_MIN, Reach, bottom_time
from leadline.solve.cylinders import CylindersAnswer
from leadline.solve.data import Answer
from leadline.solve.deco import DecoAnswer, gases_named
from leadline.solve.gas import GasAnswer, GasChoice
from leadline.solve.interval import CONFIRMED_MIN, LEAST_MIN, IntervalAnswer
from leadline.solve.mix import MixAnswer
from leadline.solve.verdict import Bound, Told, Verdict
from leadline.terminal.layout import add_row, rich_table
from leadline.units import SYSTEMS, System


@contextmanager
def progress(console: Console | None = None) -> Iterator[Told]:
    """A line on the terminal's standard error that says what is being tried; silent where that is no terminal."""
    console = console or Console(stderr=True, highlight=False)
    if not console.is_terminal:
        yield lambda said: None
        return
    count = 0
    with console.status("Planning ... (Ctrl-C stops with what is known so far)") as status:

        def told(said: str) -> None:
            nonlocal count
            count += 1
            status.update(Text(f"Plan {count}: {said} (Ctrl-C stops with what is known so far)"))

        yield told


def show_answer(answer: Answer, console: Console | None = None) -> None:
    """Print an answer."""
    console = console or Console(highlight=False)
    console.print(render_answer(answer), soft_wrap=False)


def render_answer(answer: Answer) -> RenderableType:
    """An answer as Rich sees it."""
    system = SYSTEMS[answer.dive.units]
    parts: list[RenderableType] = [Text(answer.dive.title, style="bold")]
    if not answer.complete:
        parts.append(Text(" INCOMPLETE  Stopped before the end. What is known so far: ", style="bold reverse"))
    if isinstance(answer, Reach):
        parts += _reach(answer, system)
    elif isinstance(answer, MixAnswer):
        parts += _mix(answer, system)
    elif isinstance(answer, IntervalAnswer):
        parts += _interval(answer)
    elif isinstance(answer, DecoAnswer):
        parts += _deco(answer, system)
    elif isinstance(answer, GasAnswer):
        parts += _gas(answer, system)
    else:
        parts += _cylinders(answer, system)
    if answer.nearest_miss and answer.complete:
        parts.append(Text(answer.nearest_miss))
    parts += [Text(""), *(Text(line, style="dim") for line in CAUTIONS)]
    return Group(*parts)


def _numbers(found: Verdict) -> str:
    """The main numbers of a plan."""
    assert found.run_time_min is not None
    assert found.tts_min is not None
    way_up = f", bailout from the worst moment {up(found.way_up_min)} min" if found.way_up_min is not None else ""
    return (
        f"Run time {up(found.run_time_min)} min, TTS {up(found.tts_min)} min{way_up}, "
        f"CNS {up(found.cns_percent or 0.0)} %, {up(found.otu or 0.0)} OTU."
    )


def _why(bound: Bound) -> str:
    return bound.limits[0].message


def _failing(bounds: Iterable[Bound]) -> Table:
    table = rich_table([("Fails", False), ("Why", False)])
    for bound in bounds:
        add_row(table, bound.name, _why(bound))
    return table


# --- Bottom time and depth --------------------------------------------------------------------------------------------


def _reach(answer: Reach, system: System) -> list[RenderableType]:
    unit = "min" if answer.sought == "time" else system.depth_unit
    if answer.best is None:
        return _nowhere(answer, system, unit)
    at = f"at {system.at(answer.dive.deepest_m)}" if answer.sought == "time" else f"for {bottom_time(answer.dive)} min"
    what = "Longest bottom time" if answer.sought == "time" else "Deepest depth"
    holds = {True: ", which holds", False: ", which does not hold", None: ""}[answer.given_holds]
    parts: list[RenderableType] = [
        Text(f"{what} {at}: {answer.best} {unit}", style="bold"),
        Text(f"The dive file says {answer.given} {unit}{holds}."),
    ]
    if answer.verdict is not None:
        parts.append(Text(_numbers(answer.verdict)))
    step = {"min": "minute", "m": "metre", "ft": "foot"}[unit]
    table = rich_table([("Limit", False), (f"Holds to {unit}", True), (f"At the next {step}", False)])
    for bound in answer.binding:
        add_row(table, f"binds: {bound.name}", f"{bound.holds_to}", _why(bound), style="bold")
    for bound in answer.behind:
        add_row(table, bound.name, f"{bound.holds_to}", _why(bound))
    if answer.binding:
        parts.append(table)
    if answer.behind:
        said = "Each limit behind the one that binds holds to its number were those before it lifted."
        parts.append(Text(said, style="dim"))
    if answer.complete and not answer.binding:
        parts.append(Text(f"Nothing fails up to {answer.looked_to} {unit}, as far as was looked."))
    elif answer.complete and len(answer.behind) < BEHIND:
        beyond = BEYOND_MIN if answer.sought == "time" else BEYOND_DEPTHS[answer.dive.units]
        said = f"No further limit shows up to {answer.looked_to} {unit}; looked for at most {beyond} {unit} past it,"
        parts.append(Text(f"{said} or to where nothing can be planned."))
    if answer.gaps:
        said = ", ".join(f"{value}" for value in answer.gaps)
        parts.append(Text(f"Below it these do not hold: {said} {unit}. Plan what you dive.", style="bold"))
    return parts


def _nowhere(answer: Reach, system: System, unit: str) -> list[RenderableType]:
    looked = f"{answer.looked_from} {unit}"
    if answer.looked_to > answer.looked_from:
        looked = f"{answer.looked_from} to {answer.looked_to} {unit}"
    what = (
        f"No bottom time of {looked} holds at {system.at(answer.dive.deepest_m)}."
        if answer.sought == "time"
        else f"No depth of {looked} holds for {bottom_time(answer.dive)} min."
    )
    if not answer.complete:
        what = f"Nothing that holds was found among {looked}."
    parts: list[RenderableType] = [Text(what, style="bold")]
    if answer.binding:
        parts += [Text(f"At {answer.looked_from} {unit}:"), _failing(answer.binding)]
    if answer.nearest:
        parts.append(Text(answer.nearest))
    return parts


# --- The surface interval ---------------------------------------------------------------------------------------------


def _interval(answer: IntervalAnswer) -> list[RenderableType]:
    earlier = answer.dive.previous[-1]
    if answer.best is None:
        return _no_interval(answer)
    oxygen = f", {earlier.oxygen:g} min of it on oxygen" if earlier.oxygen else ""
    holds = {True: ", which holds", False: ", which does not hold", None: ""}[answer.given_holds]
    parts: list[RenderableType] = [
        Text(f"Shortest surface interval after {earlier.title}: {hours(answer.best)}{oxygen}", style="bold"),
        Text(f"The dive file says {hours(answer.given_min)}{holds}."),
    ]
    if answer.verdict is not None:
        parts.append(Text(_numbers(answer.verdict)))
    assert answer.model_min is not None
    if answer.model_min < answer.best:
        said = f"By the model {hours(answer.model_min)}; {LEAST_MIN} min is the least that is given as an answer"
        parts.append(Text(f"{said} (common practice, no source)."))
    if answer.model_min == answer.looked_from:
        least = (
            "with no surface interval at all" if answer.model_min == 0 else "as soon as the oxygen has been breathed"
        )
        parts.append(Text(f"It holds {least}: nothing of the model binds."))
    else:
        fails = "One minute less:" if answer.model_min == answer.best else f"At {hours(answer.model_min - 1)}:"
        parts += [Text(fails), _failing(answer.binding)]
    parts.append(Text(UNPUBLISHED, style="bold"))
    said = f"Every minute of the next {CONFIRMED_MIN} was looked at, and longer ones at wide steps: all hold."
    parts.append(Text(said, style="dim"))
    if answer.holds_below:
        shorter = ", ".join(hours(minutes) for minutes in answer.holds_below)
        parts.append(Text(f"These shorter ones hold too, with some that do not after them: {shorter}.", style="bold"))
    return parts


def _no_interval(answer: IntervalAnswer) -> list[RenderableType]:
    if not answer.complete:
        return [Text("No surface interval that is long enough has been found yet.", style="bold")]
    said = f"No surface interval up to {answer.looked_to // 1440} days is long enough."
    return [Text(said, style="bold"), Text("After the longest:"), _failing(answer.binding)]


# --- Mix, deco gases, cylinders ---------------------------------------------------------------------------------------


def _mix(answer: MixAnswer, system: System) -> list[RenderableType]:
    at, unit = system.at(answer.depth_m), system.depth_unit
    parts: list[RenderableType] = []
    if answer.found:
        parts.append(Text(f"Best mix for {at}: {answer.choices[0].mix.name}", style="bold"))
    elif answer.complete:
        parts.append(Text(f"No mix {'of [solve] gases ' if answer.listed else ''}holds at {at}.", style="bold"))
    table = rich_table(
        [("Mix", False), ("Holds", False), ("Cautions", True), ("Run time", True), ("ppO2", True),
         (f"END {unit}", True), ("g/L", True), ("What fails", False)]
    )  # fmt: skip
    for choice in answer.choices:
        run_time_min = choice.verdict.run_time_min
        add_row(
            table,
            choice.mix.name,
            "yes" if choice.verdict.holds else "no",
            f"{len(choice.verdict.cautions)}" if run_time_min is not None else "",
            up(run_time_min) if run_time_min is not None else "",
            f"{choice.ppo2_bar:.2f}",
            system.depth(round(choice.end_m / system.depth_m) * system.depth_m),
            f"{choice.density_g_l:.1f}",
            " ".join(limit.message for limit in choice.verdict.limits),
            style="bold" if choice.verdict.holds and choice is answer.choices[0] else "",
        )
    if answer.choices:
        parts.append(table)
    best, quickest = (answer.choices[0], answer.quickest) if answer.found else (None, None)
    if best is not None and quickest is not None and best.verdict.cautions:
        parts.append(Text(f"To weigh: {' '.join(best.verdict.cautions)}"))
    if best is not None and quickest is not None and quickest.mix != best.mix:
        more = [caution for caution in quickest.verdict.cautions if caution not in best.verdict.cautions]
        said = f"{quickest.mix.name} would be the quickest, with more cautions: {' '.join(more)}"
        parts.append(Text(said))
    return [*parts, *_free(answer, system)]


def _free(answer: MixAnswer, system: System) -> list[RenderableType]:
    free, at = answer.free, system.at(answer.depth_m)
    if free is None:
        said = f"No blend of oxygen, nitrogen and helium is within END and density at {at}."
        return [Text(f"{said} The lightest within ppO2 is {answer.lightest.name}.")]
    said = (
        f"Free to blend for {at}: {free.mix.name}, ppO2 {free.ppo2_bar:.2f}, END "
        f"{system.at(round(free.end_m / system.depth_m) * system.depth_m)}, {free.density_g_l:.1f} g/L."
    )
    if not free.recommended:
        said += " The recommended density cannot be met; this is within the hard limit."
    if free.least_for:
        said += f" With 1 % less helium it is over the limit of {free.least_for}."
    if free.hard is not None and free.hard != free.mix:
        said += f" For the hard limit of {hard_density_g_l(answer.dive):g} g/L: {free.hard.name}."
    return [Text(said), *([Text(free.hypoxic)] if free.hypoxic else [])]


def _deco(answer: DecoAnswer, system: System) -> list[RenderableType]:
    parts: list[RenderableType] = []
    if answer.best is not None:
        parts.append(Text(f"Best deco gases: {gases_named(answer.best.gases, system)}", style="bold"))
        parts.append(Text(_numbers(answer.best.verdict)))
    elif answer.complete:
        parts.append(Text(f"None of the {answer.choices} choices of deco gases holds.", style="bold"))
    if answer.runner_up is not None:
        numbers = _numbers(answer.runner_up.verdict)
        parts.append(Text(f"Runner-up: {gases_named(answer.runner_up.gases, system)}. {numbers}"))
    elif answer.best is not None and answer.complete:
        parts.append(Text("No other choice holds."))
    return parts


def _cylinders(answer: CylindersAnswer, system: System) -> list[RenderableType]:
    if not answer.found:
        parts: list[RenderableType] = []
        if answer.limits:
            said = "Not even the largest of [solve] cylinders everywhere suffice."
            parts = [Text(said, style="bold"), _failing(answer.limits)]
        return parts
    parts = [Text("Smallest cylinders that suffice", style="bold")]
    if answer.verdict is not None:
        parts.append(Text(_numbers(answer.verdict)))
    table = rich_table(
        [("Cylinder", False), ("Gas", False), ("Use", False), ("Smallest", False), ("The next smaller fails", False)]
    )
    for fitted in answer.fitted:
        why = " ".join(limit.message for limit in fitted.smaller_breaks[:1])
        if fitted.smaller is None:
            why = "none is smaller"
        elif why:
            why = f"{described(fitted.smaller, system.name)}: {why}"
        add_row(
            table,
            f"{fitted.diver}: {fitted.cylinder.name}" if fitted.diver else fitted.cylinder.name,
            fitted.cylinder.gas.name,
            fitted.cylinder.use,
            described(fitted.chosen, system.name),
            why,
        )
    return [*parts, table, Text("For each, all the others are as found.", style="dim")]


def _gas(answer: GasAnswer, system: System) -> list[RenderableType]:
    if answer.complete and not answer.found:
        return [Text(f"None of the {answer.gas_sets} choices of gases holds in any cylinder.", style="bold")]
    parts: list[RenderableType] = []
    if answer.found:
        best = answer.choices[0]
        parts += [Text(f"Least gas: {_carried_names(best, system)}", style="bold"), Text(_numbers(best.verdict))]
    if answer.found and answer.dive.loop is not None:
        parts.append(Text(f"Diluent {answer.choices[0].mix.name}; what feeds the loop keeps its size."))
    table = rich_table([(f"Carried {system.gas_unit}", True), ("Gases and cylinders", False), ("Run time", True),
                    ("Bailout", True), ("Cautions", True)])  # fmt: skip
    for choice in answer.choices:
        found = choice.verdict
        add_row(
            table,
            system.gas(choice.carried_l),
            _carried_names(choice, system),
            up(found.run_time_min or 0.0),
            up(found.way_up_min) if found.way_up_min is not None else "",
            f"{len(found.cautions)}",
            style="bold" if choice is answer.choices[0] else "",
        )
    if answer.choices:
        parts.append(table)
    if answer.found and answer.choices[0].verdict.cautions:
        parts.append(Text("To weigh with the first:"))
        parts += [Text(f"  {caution}") for caution in answer.choices[0].verdict.cautions]
    if answer.fewest_cautions is not None:
        fewest = answer.fewest_cautions
        said = f"With the fewest cautions, {len(fewest.verdict.cautions)}: {_carried_names(fewest, system)}"
        parts.append(Text(f"{said}; {system.gas(fewest.carried_l)} {system.gas_unit}. {_numbers(fewest.verdict)}"))
    if answer.found:
        said = (
            "Carried is water volume times pressure. Gases and sizes that [solve] does not list are the standard ones."
        )
        parts.append(Text(said, style="dim"))
    return parts


def _carried_names(choice: GasChoice, system: System) -> str:
    named = [
        f"{carried.cylinder.gas.name} in {carried.size}"
        + (f" from {system.at(carried.switch_m)}" if carried.switch_m is not None else "")
        for carried in choice.cylinders
    ]
    return "; ".join(named)
