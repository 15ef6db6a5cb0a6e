"""The divers of a team, each with a dive of one's own: the file, with what the diver's own table gives in its place."""

from __future__ import annotations

from typing import Any

from leadline.dive_file.schema import Cylinder, Dive, Loop, TeamDiver


def divers(dive: Dive) -> tuple[tuple[str, Dive], ...]:
    """Name and dive of every diver, in the order of the dive file. Without [[team]] it is the dive, of no name.

    The dive of one diver has no team. In a team of loops and open circuit, the gas of a level and the oxygen breaks are
    those of the open-circuit divers.
    """
    if not dive.team:
        return (("", dive),)
    mixed = any(loop_of(dive, diver) is None for diver in dive.team)
    return tuple((diver.name, _own_dive(dive, diver, mixed)) for diver in dive.team)


def loop_of(dive: Dive, diver: TeamDiver) -> Loop | None:
    """The loop that a diver is on; None on open circuit."""
    if diver.circuit == "open":
        return None
    return diver.loop if diver.loop is not None else dive.loop


def cylinders_of(dive: Dive, diver: TeamDiver) -> tuple[tuple[int, Cylinder], ...]:
    """What a diver carries, each with its number in the list it stands in: the diver's own, or else the file's.

    What feeds a loop is left out of the file's for a diver who is on open circuit.
    """
    if diver.cylinders is not None:
        return tuple(enumerate(diver.cylinders))
    fed = loop_of(dive, diver) is not None or diver.circuit is None
    return tuple((i, c) for i, c in enumerate(dive.cylinders) if fed or c.use not in ("diluent", "oxygen"))


def _own_dive(dive: Dive, diver: TeamDiver, mixed: bool) -> Dive:
    loop = loop_of(dive, diver)
    model, breathing = dive.model, dive.diver
    if diver.gradient_factors is not None:
        model = model.model_copy(update={"gradient_factors": diver.gradient_factors})
    keys = ("rmv_bottom", "rmv_deco", "rmv_stressed", "stressed_for", "rmv_bailout")
    rmv = {key: given for key in keys if (given := getattr(diver, key)) is not None}
    own: dict[str, Any] = {
        "model": model,
        "diver": breathing.model_copy(update=rmv),
        "loop": loop,
        "cylinders": tuple(cylinder for _, cylinder in cylinders_of(dive, diver)),
        "team": (),
        "previous": tuple(earlier.dived_by(diver.name) for earlier in dive.previous),
    }
    if loop is not None and mixed:
        own["levels"] = tuple(level.model_copy(update={"gas": None}) for level in dive.levels)
        own["stops"] = dive.stops.model_copy(update={"oxygen_breaks": None})
    return dive.model_copy(update=own)
