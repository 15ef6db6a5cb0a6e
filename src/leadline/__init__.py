"""Leadline plans decompression dives: schedule, gas, bailout and slates from one dive file.

A planning aid, not training. No decompression model is proof against decompression sickness. Defer to your training
agency, local codes and licensed medical and diving practice; cross-check every plan with an independent source;
analyse every gas.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from leadline.dive_file import Dive, DiveFileError, parse_dive, read_dive
    from leadline.ensemble.robustness import run_ensemble
    from leadline.plan.day import plan_day
    from leadline.plan.findings import Finding
    from leadline.plan.planned import Plan, plan_dive
    from leadline.plan.team import Team, plan_team
    from leadline.serialise import to_dataframe, to_dict
    from leadline.sheets.write import write_sheets
    from leadline.solve import solve_for
    from leadline.sweep.run import read_sweep, run_sweep
    from leadline.tables.table_set import plan_table_set

__version__ = "0.3.0"

_HOME = {
    "Dive": "leadline.dive_file", "DiveFileError": "leadline.dive_file", "Finding": "leadline.plan.findings",
    "Plan": "leadline.plan.planned", "Team": "leadline.plan.team", "parse_dive": "leadline.dive_file",
    "plan_day": "leadline.plan.day", "plan_dive": "leadline.plan.planned",
    "plan_table_set": "leadline.tables.table_set", "plan_team": "leadline.plan.team",
    "read_dive": "leadline.dive_file", "read_sweep": "leadline.sweep.run",
    "run_ensemble": "leadline.ensemble.robustness", "run_sweep": "leadline.sweep.run",
    "solve_for": "leadline.solve", "to_dataframe": "leadline.serialise", "to_dict": "leadline.serialise",
    "write_sheets": "leadline.sheets.write",
}  # fmt: skip
"""Where each name of the public interface is: imported when it is first asked for (PEP 562)."""

__all__ = [
    "Dive", "DiveFileError", "Finding", "Plan", "Team", "parse_dive", "plan_day", "plan_dive", "plan_table_set",
    "plan_team", "read_dive", "read_sweep", "run_ensemble", "run_sweep", "solve_for", "to_dataframe", "to_dict",
    "write_sheets",
]  # fmt: skip


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'leadline' has no attribute {name!r}")
    if name in ("plan_dive", "plan_team", "plan_day"):
        import_module("leadline.show.notebook").in_notebooks()
    return getattr(import_module(_HOME[name]), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
