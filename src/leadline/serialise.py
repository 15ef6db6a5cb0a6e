"""Plans and what is made of them as plain data: metric, nothing rounded, keys that stay the same (docs/json.md)."""

from __future__ import annotations

from importlib import import_module
from typing import Any

_SERIALISERS = {
    "Plan": ("leadline.show.plan_data", "as_data"),
    "Team": ("leadline.show.plan_data", "team_as_data"),
    "Day": ("leadline.show.plan_data", "day_as_data"),
    "TableSet": ("leadline.tables.data", "table_set_as_data"),
    "Mixed": ("leadline.mixing.data", "mix_as_data"),
    "Debrief": ("leadline.logbook.debrief.data", "debrief_as_data"),
    "Frontier": ("leadline.solve.data", "frontier_as_data"),
}
_OF_SEVERAL = {
    "EnsembleResult": ("leadline.ensemble.data", "ensembles_as_data"),
    "Comparison": ("leadline.plan.compare", "compared_as_data"),
}
_ANSWERS = ("CylindersAnswer", "DecoAnswer", "GasAnswer", "IntervalAnswer", "MixAnswer", "Reach")


def to_dict(result: object) -> dict[str, Any]:
    """Give a result of Leadline as plain data.

    Parameters
    ----------
    result : Plan, Team, Day, TableSet, Mixed, Debrief, Frontier, an answer of `solve_for`, or the tuple that
        `run_ensemble` or `compare_settings` returns
        What was planned or worked out.

    Returns
    -------
    dict
        The same as the command prints with ``--json``: metric units, nothing rounded.

    Raises
    ------
    TypeError
        If it is none of these.

    Examples
    --------
    >>> import leadline
    >>> dive = leadline.read_dive("examples/marigold-trimix.toml")
    >>> leadline.to_dict(leadline.plan_dive(dive))["no_go"]
    False
    """
    of = type(result)
    several = isinstance(result, tuple) and result and {type(one).__name__ for one in result} <= set(_OF_SEVERAL)
    name = type(result[0]).__name__ if several and isinstance(result, tuple) else of.__name__
    ours = (type(result[0]) if several and isinstance(result, tuple) else of).__module__.startswith("leadline.")
    if ours and name in _ANSWERS:
        home = ("leadline.solve.data", "answer_as_data")
    elif ours and name in (_OF_SEVERAL if several else _SERIALISERS):
        home = (_OF_SEVERAL if several else _SERIALISERS)[name]
    else:
        wanted = ", ".join([*_SERIALISERS, "an answer of solve_for"])
        raise TypeError(f"to_dict wants a result of Leadline ({wanted}, ...), not {of.__name__}")
    made: dict[str, Any] = getattr(import_module(home[0]), home[1])(result)
    return made


def to_dataframe(plan: object) -> Any:
    """Give the rows of a planned dive as a data frame, of pandas or else of Polars.

    Parameters
    ----------
    plan : Plan
        Of one diver.

    Returns
    -------
    pandas.DataFrame or polars.DataFrame
        A row for each that a diver reads: `kind`, `depth_m`, `minutes`, `arrive_min`, `leave_min`, `tts_min`, `gas`,
        `changed`. Whichever of both is installed; pandas if both are.

    Raises
    ------
    TypeError
        If it is no plan.
    ImportError
        If neither pandas nor Polars is there.
    """
    from leadline.plan.planned import Plan
    from leadline.plan.rows import planned_rows

    if not isinstance(plan, Plan):
        raise TypeError(f"to_dataframe wants a Plan, as plan_dive gives, not {type(plan).__name__}")
    keys = ("kind", "depth_m", "minutes", "arrive_min", "leave_min", "tts_min", "changed")
    rows = [{**{key: getattr(row, key) for key in keys}, "gas": row.source.name} for row in planned_rows(plan)]
    for library in ("pandas", "polars"):
        try:
            return import_module(library).DataFrame(rows)
        except ModuleNotFoundError:
            continue
    raise ImportError("to_dataframe needs pandas or Polars, and neither is installed")
