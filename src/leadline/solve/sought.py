"""One way in to every solver, by what is sought."""

from __future__ import annotations

from typing import Literal, get_args

from leadline.dive_file.errors import expect
from leadline.dive_file.schema import Dive
from leadline.solve.bottom import Bottoms, deepest, longest
from leadline.solve.cylinders import smallest_cylinders
from leadline.solve.data import Answer
from leadline.solve.deco import best_deco
from leadline.solve.gas import least_gas
from leadline.solve.interval import shortest_interval
from leadline.solve.mix import best_mix
from leadline.solve.verdict import Told

Sought = Literal["time", "depth", "mix", "deco", "cylinders", "gas", "interval"]
SOUGHT: tuple[Sought, ...] = get_args(Sought)


def solve_for(
    sought: Sought, dive: Dive, source: str = "dive", told: Told | None = None, tried: Bottoms | None = None
) -> Answer:
    """Find the most or the least of one thing at which a plan and every contingency hold.

    Parameters
    ----------
    sought : {"time", "depth", "mix", "deco", "cylinders", "gas", "interval"}
        The longest bottom time, the deepest depth, the best bottom mix or deco gases, the smallest cylinders, the
        least gas in any of these, or the shortest surface interval before the dive.
    dive : Dive
        As `read_dive` gives it.
    source : str
        The dive file's name, for refusals.
    told : callable, optional
        Called with how far it is.
    tried : Bottoms, optional
        Bottom times tried already, of "time" and "depth"; what is tried is added.

    Returns
    -------
    Answer
        With `found`, `complete` (False where it was stopped by Ctrl-C) and what else belongs to what was sought.

    Raises
    ------
    DiveFileError
        If the dive cannot be planned, or leaves nothing to choose from.
    TypeError, ValueError
        If it is no dive, or nothing that can be sought.

    Examples
    --------
    >>> import leadline
    >>> dive = leadline.read_dive("examples/gull-stack-air.toml")
    >>> leadline.solve_for("time", dive).found
    True
    """
    expect(dive, Dive, "solve_for", "a Dive, as read_dive gives")
    match sought:
        case "time":
            return longest(dive, source, told, tried)
        case "depth":
            return deepest(dive, source, told, tried)
        case "mix":
            return best_mix(dive, source, told)
        case "deco":
            return best_deco(dive, source, told)
        case "cylinders":
            return smallest_cylinders(dive, source, told)
        case "gas":
            return least_gas(dive, source, told)
        case "interval":
            return shortest_interval(dive, source, told)
    raise ValueError(f"solve_for wants one of {', '.join(SOUGHT)}, not {sought!r}")
