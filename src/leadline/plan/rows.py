"""A schedule as the rows a diver reads, on paper or on a screen: levels, changes of gas, stops, the surface."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from leadline.dive_file.schema import OPEN_CIRCUIT_USES
from leadline.physics.mix import Mix
from leadline.plan.contingency import Contingency, Handover
from leadline.plan.gases import Source
from leadline.plan.planned import Plan
from leadline.plan.schedule import Leg, Stop
from leadline.plan.supply import CylinderUse, open_circuit_cylinders
from leadline.plan.team import Member, Team
from leadline.units import SYSTEMS, SystemName, clock

Kind = Literal["start", "leave", "level", "sort out", "change", "stop", "take", "give", "surface"]


@dataclass(frozen=True)
class Row:
    """One line of a schedule.

    `leave_min` is a whole minute except where a gas is changed in passing, a cylinder handed over, the plan left, and
    at the surface; `tts_min` is TTS then, and None on the way down. `changed`: the source is taken up here. `minutes`
    are a stop's, a begun one counted. `handed` is the cylinder that a mate gives ("take") or is given ("give"), `mate`
    who that is.
    """

    kind: Kind
    depth_m: float
    minutes: int | None
    arrive_min: float
    leave_min: float
    tts_min: float | None
    source: Source
    changed: bool
    handed: str = ""
    mate: str = ""
    whose: str = ""
    """Whose gas it is, where a diver out of gas breathes a mate's."""

    @property
    def breathed(self) -> str:
        """What is breathed, and whose it is: "50 %", "Oto's 21/35"."""
        return f"{self.whose}'s {self.source.name}" if self.whose else self.source.name


def planned_rows(plan: Plan) -> tuple[Row, ...]:
    """The schedule of the planned dive. TTS at a run time is that of leaving then, as if it ended the dive."""
    return schedule_rows(plan.schedule.legs, plan.tts_at)


def contingency_rows(plan: Plan, found: Contingency) -> tuple[Row, ...]:
    """The schedule of a contingency, from where it leaves the plan; empty if it cannot be planned to the surface.

    TTS is that of its own way up: none at a level before the last. A cylinder that a mate gives has a row.
    """
    if not found.legs:
        return ()
    first = found.legs[0].source
    begins_min = found.leaves_at_min
    before = None
    if begins_min is None:
        begins_min = found.scenario.dive.levels[-1].leave_at
    elif any(switch.run_time_min == begins_min for switch in found.switches[:1]):
        before = next(source for source in plan.schedule.track.sources if source != first)  # whichever: it is left

    def tts_at(at_min: float) -> float | None:
        return found.run_time_min - at_min if at_min >= begins_min - 1e-6 else None

    made = schedule_rows(found.legs, tts_at, before)
    if found.leaves_at_min is not None:
        made = _sorted_out(made)
    return _with_handovers(made, found.handovers, "take")


def _sorted_out(made: Sequence[Row]) -> tuple[Row, ...]:
    """Rows from where a plan is left: the time to sort it out is no level of the dive."""
    return tuple(replace(row, kind="sort out") if i == 0 and row.kind == "level" else row for i, row in enumerate(made))


def mates_rows(found: Contingency, receiver: str, mate: str) -> tuple[Row, ...]:
    """The schedule of a contingency as it is for a mate: the common stops, on what the mate breathes, and every
    cylinder that he gives, or takes where he is the one on others' gas. Empty if it has no way up for him."""
    kind: Literal["take", "give"]
    if found.scenario.whose and found.scenario.whose == mate:  # on the bailout of the diver whose contingency it is
        legs, whose, kind = found.legs, _whose(found, receiver), "take"
        handed = list(found.handovers)
    else:
        way = next((way for way in found.mates if way.name == mate), None)
        legs, kind = way.legs if way is not None else (), "give"
        whose = dict.fromkeys(way.given, receiver) if way is not None else {}
        handed = [replace(one, receiver=one.receiver or receiver) for one in found.handovers if one.giver == mate]
    if not legs:
        return ()
    made = schedule_rows(legs, lambda at_min: legs[-1].end_min - at_min)
    made = tuple(_on_the_gas_of(whose, row, row is made[0]) for row in made)
    return _with_handovers(_sorted_out(made) if found.leaves_at_min is not None else made, handed, kind)


def _whose(found: Contingency, receiver: str) -> dict[Mix, str]:
    """Whose each gas is that is breathed on a diver's bailout: his where he carries it, else who gives it."""
    given, cylinders = found.scenario.given, open_circuit_cylinders(found.scenario.dive)
    others = {handover.mix: handover.giver for handover in found.handovers}
    return others | {cylinder.gas: receiver for cylinder in cylinders if cylinder.name not in given}


def _on_the_gas_of(whose: Mapping[Mix, str], row: Row, first: bool) -> Row:
    """A row of a diver out of gas: what he breathes of another's is marked so."""
    if row.kind == "surface" or row.source.circuit != "open" or row.source.mix not in whose:
        return row
    return replace(row, whose=whose[row.source.mix], changed=row.changed or first)


@dataclass(frozen=True)
class Giving:
    """What happens to a mate, as a diver dives it: on the common stops, giving gas where it is asked for."""

    receiver: str
    contingency: Contingency
    """The mate's."""
    rows: tuple[Row, ...]
    units: SystemName
    rows_of: str = ""
    """The one before it, of the same mate, with the same rows but for what is given; empty: it has rows of its own."""

    @property
    def name(self) -> str:
        """Of the mate's contingency."""
        return self.contingency.name

    @property
    def gives(self) -> bool:
        """Whether the diver gives gas."""
        return any(row.kind == "give" for row in self.rows)

    @property
    def what(self) -> str:
        """Whose it is and what, with when and where: "Mira: bailout (20 min, 60 m)"."""
        at, left_at = "", self.contingency.left_at
        if left_at is not None:
            at = f" ({clock(left_at[0])} min, {SYSTEMS[self.units].at(left_at[1])})"
        return f"{self.receiver}: {self.name}{at}"

    @property
    def heading(self) -> str:
        """As it heads the rows: "Mira: bailout (20 min, 60 m). You stay on your loop."; of the diver who is out of gas
        "Oto: Ida out of gas (22 min, 50 m). You breathe Oto's 21/35, 50 % from 21 m."."""
        if any(row.whose for row in self.rows):
            at, said = SYSTEMS[self.units].at, list[str]()
            for row in (one for one in self.rows if one.kind not in ("take", "give", "surface")):
                if not said or row.changed:
                    what = row.breathed if row.whose else f"your own {row.source.name}"
                    said.append(f"{what} from {at(row.depth_m)}" if said else what)
            return f"{self.what}. You breathe {', '.join(dict.fromkeys(said))}."
        on_the_loop = all(row.source.circuit == "closed" for row in self.rows if row.kind != "give")
        return f"{self.what}. You {'stay on your loop' if on_the_loop else 'breathe your own gas'}."


def givings(team: Team, member: Member) -> tuple[Giving, ...]:
    """Every mate's contingency in which the team comes up otherwise than planned, in the order of the divers: what
    happens to one and takes time of all."""
    made: list[Giving] = []
    for other in team.members:
        first = {_alike(planned_rows(member.plan)): "the plan"}
        for found in other.plan.contingencies:
            of_mate = mates_rows(found, other.name, member.name)
            if not of_mate or found.failure.happens_to_all:
                continue
            rows_of = first.setdefault(_alike(of_mate), found.name)
            made.append(Giving(other.name, found, of_mate, team.dive.units, "" if rows_of == found.name else rows_of))
    return tuple(made)


def _alike(made: Sequence[Row]) -> tuple[tuple[object, ...], ...]:
    """Alike for rows that read the same but for what is handed over."""
    return tuple((row.kind, row.depth_m, leave(row), row.breathed) for row in made if row.kind not in ("take", "give"))


def _with_handovers(
    found: Sequence[Row], handovers: Iterable[Handover], kind: Literal["take", "give"]
) -> tuple[Row, ...]:
    """Rows with those of handovers among them, each before the row that is left after it."""
    made = list(found)
    for given in handovers:
        place = next((i for i, row in enumerate(made) if row.leave_min > given.run_time_min + 1e-6), len(made))
        row = Row(
            kind, given.depth_m, None, given.run_time_min, given.run_time_min, None, Source(given.mix), True,
            given.cylinder, given.giver if kind == "take" else given.receiver,
        )  # fmt: skip
        made.insert(place, row)
    return tuple(made)


def breathed_then(supply: Sequence[CylinderUse], row: Row) -> list[CylinderUse]:
    """The cylinders a level or a stop is breathed from, if it is on open circuit.

    All of the mix; where mates give theirs, those that are drawn on by then.
    """
    if row.kind not in ("level", "sort out", "stop") or row.source.circuit != "open":
        return []
    alike = [use for use in supply if use.use in OPEN_CIRCUIT_USES and use.mix == row.source.mix]
    drawn = [
        use for use in alike if any(abs(leg.end_min - row.leave_min) < 1e-6 and leg.litres > 1e-6 for leg in use.legs)
    ]
    return drawn or alike


def schedule_rows(
    legs: Sequence[Leg], tts_at: Callable[[float], float | None], before: Source | None = None
) -> tuple[Row, ...]:
    """Every line of a schedule, in the order of the dive; the first says what it begins on.

    `tts_at` gives TTS at a run time, or none; `before` is what was breathed before the first leg, if something else.
    """
    found: list[Row] = []
    first = legs[0]
    if first.start_m == 0.0 and first.start_min == 0.0:
        found.append(Row("start", 0.0, None, 0.0, 0.0, None, first.source, False))
    elif first.kind not in ("level", "stop") and before is None:
        tts_min = tts_at(first.start_min)
        found.append(Row("leave", first.start_m, None, first.start_min, first.start_min, tts_min, first.source, False))
    for leg in legs:
        changed = before is not None and not leg.source.is_same(before)
        before = leg.source
        stays = leg.kind in ("level", "stop")
        if not stays and not changed:
            continue
        kind: Kind = "change" if not stays else "level" if leg.kind == "level" else "stop"
        leave_min = leg.end_min if stays else leg.start_min
        minutes = Stop(leg.end_m, leg.start_min, leg.end_min, leg.source).minutes if kind == "stop" else None
        tts_min = None if leg.kind == "descent" else tts_at(leave_min)
        found.append(Row(kind, leg.start_m, minutes, leg.start_min, leave_min, tts_min, leg.source, changed))
    end = legs[-1]
    found.append(Row("surface", 0.0, None, end.end_min, end.end_min, 0.0, end.source, False))
    return tuple(found)


# --- In words ---------------------------------------------------------------------------------------------------------


def up(minutes: float) -> str:
    """Whole minutes, a begun one counted."""
    return f"{math.ceil(minutes - 1e-6)}"


def leave(row: Row) -> str:
    """The run time at which a row is left, as it is printed.

    Where the plan is left that may be within a minute; a cylinder is handed over by the minute before it is needed.
    """
    if row.kind in ("take", "give"):
        return f"{math.floor(row.leave_min + 1e-6)}"
    return clock(row.leave_min) if row.kind in ("level", "sort out", "leave") else up(row.leave_min)


def handed(row: Row) -> str:
    """A cylinder that changes hands: "TAKE MIRA'S 50 % (shallow bailout)"."""
    whose = f"TAKE {row.mate.upper()}'S" if row.kind == "take" else f"GIVE {row.mate.upper()} YOUR"
    return f"{whose} {row.source.name} ({row.handed})"
