"""What several divers share: whose rules, turn pressures, who gives to whom, what each must carry."""

from __future__ import annotations

import math

from leadline.plan.rows import up
from leadline.plan.team import Team, TeamBailout
from leadline.show.gas import amount, capacity
from leadline.show.outcome import in_words
from leadline.show.table import Column, Line, Table
from leadline.units import SYSTEMS, clock


def divers_table(team: Team) -> Table:
    """The divers side by side."""
    columns = (
        Column("diver", "", figures=False), Column("circuit", "Circuit", figures=False),
        Column("gf", "GF", figures=False), Column("alone", "Alone", "min"), Column("team", "Team", "min"),
        Column("said", "", figures=False),
    )  # fmt: skip
    lines = []
    for member in team.members:
        low, high = member.plan.dive.model.gradient_factors
        said = [*(["NO-GO"] if member.plan.no_go else []), *(
            ["most demanding"] if member.name == team.demanding else []
        )]  # fmt: skip
        lines.append(
            Line(
                {
                    "diver": member.name,
                    "circuit": "closed" if member.plan.dive.loop is not None else "open",
                    "gf": f"{low:g}/{high:g}",
                    "alone": up(member.alone_min),
                    "team": up(member.plan.schedule.run_time_min),
                    "said": ", ".join(said),
                }
            )
        )
    return Table("Divers", columns, tuple(lines))


def turns_table(team: Team) -> Table:
    """Turn pressures: by everyone's own rule, and matched."""
    system = SYSTEMS[team.dive.units]
    own = {(m.name, turn.cylinder): turn.turn_bar for m in team.members for turn in m.plan.turns}
    columns = (
        Column("diver", "", figures=False), Column("cylinder", "Cylinder", figures=False),
        Column("own", "Own", system.pressure_unit), Column("team", "Team", system.pressure_unit),
    )  # fmt: skip
    lines = tuple(
        Line(
            {
                "diver": turn.diver, "cylinder": turn.cylinder, "team": system.pressure_up(turn.turn_bar),
                "own": system.pressure_up(alone_bar) if alone_bar is not None else "",
            }
        )
        for turn in team.turns
        for alone_bar in (own.get((turn.diver, turn.cylinder)),)
    )  # fmt: skip
    note = "Team: everyone turns when the one with the least to breathe has breathed it."
    return Table("Turn pressure", columns, lines, (note,))


def carries_table(team: Team) -> Table:
    """What each cylinder must give, so that every team bailout is met."""
    system = SYSTEMS[team.dive.units]
    usable = {(member.name, use.name): use.usable_l for member in team.members for use in member.plan.supply}
    columns = (
        Column("diver", "", figures=False), Column("cylinder", "Cylinder", figures=False),
        Column("gas", "Gas", figures=False), Column("asked", "Asked", system.gas_unit),
        Column("carried", "Carried", system.gas_unit), Column("short", "", figures=False),
    )  # fmt: skip
    lines = []
    for carry in team.carries:
        carried_l = usable.get((carry.diver, carry.cylinder), 0.0)
        short = carry.litres > carried_l + 1e-6
        asked, carried = capacity(carry.litres, carried_l, system)
        cells = {"diver": carry.diver, "cylinder": carry.cylinder, "gas": carry.mix.name, "asked": asked}
        cells |= {"carried": carried, "short": "SHORT" if short else ""}
        lines.append(Line(cells, "fails" if short else "", ("short",) if short else ()))
    return Table("To carry, above the reserve", columns, tuple(lines)).with_used_columns("short")


def bailout_line(team: Team, bailout: TeamBailout) -> str:
    """A diver off the loop: where, how far it is, what comes of it."""
    found, where = bailout.contingency, ""
    if found.leaves_at_min is not None and found.depth_m is not None:
        at = SYSTEMS[team.dive.units].at(found.depth_m)
        where = f", off the loop at {clock(found.leaves_at_min)} min, {at}"
    return f"{bailout.diver}{where}: {up(found.tts_min)} min up, {'; '.join(in_words(found))}."


def handover_lines(team: Team, bailout: TeamBailout) -> list[str]:
    """Who gives what when, and how much of it is breathed; one line where nobody need."""
    system, made = SYSTEMS[team.dive.units], list[str]()
    for given in bailout.handovers:
        when = f"{math.floor(given.run_time_min + 1e-6)} min, {system.at(given.depth_m)}"
        breathed = f"{amount(system, given.litres)} of it breathed"
        made.append(f"{when}: {given.giver} gives {given.cylinder} ({given.mix.name}), {breathed}.")
    return made or ["on own gas alone."]
