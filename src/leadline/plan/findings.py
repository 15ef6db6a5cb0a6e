"""What is to be said about a plan: every judgement is a finding, never silence.

A no-go is a plan that must not be dived. A caution is for the diver to weigh. A note is for the diver to know.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, Literal, Protocol, TypeVar

Severity = Literal["no-go", "caution", "note"]
SEVERITIES: tuple[Severity, ...] = ("no-go", "caution", "note")

EVERYONE = "Everyone"
"""Whose a finding is that is the same for every diver."""
BEFORE = "day"
"""The code of a no-go that is a dive before this one."""

_GRAVEST_FIRST: tuple[tuple[str, ...], ...] = (
    ("bailout-none", "bailout-first-breath"),
    ("no-gas",),
    ("gas-short", "mate-gas-short", "turn", "minimum-gas"),
    ("stops", "surface-gf"),
)
"""Codes by what kills first: nothing to breathe, gas that runs out, stops that are not met; then all exposure."""


@dataclass(frozen=True)
class Finding:
    """One judgement: a code that stays the same, how grave, the values behind it, and where in the dive.

    What is said of it, in whose units, is `leadline.show.sentences`."""

    code: str
    severity: Severity
    values: dict[str, Any] = field(default_factory=dict, hash=False)
    run_time_min: float | None = None
    depth_m: float | None = None
    diver: str = ""
    """Whose it is, in a team."""
    cure: str = ""
    """What would fix it, as it was tried: "2 × 11 L at 232 bar, or leave the bottom at 17 min"; empty if not asked."""
    grave: bool = False
    """Whether an exposure is over its no-go limit or the published one, whatever its severity."""

    @property
    def alike(self) -> tuple[object, ...]:
        """Equal for findings of which the same is said."""
        return self.code, self.severity, tuple((key, _rounded(value)) for key, value in self.values.items())

    @property
    def of_what(self) -> tuple[str, object]:
        """Code, and the gas or cylinder that it is about."""
        return self.code, self.values.get("gas", self.values.get("cylinder"))

    @property
    def how_much(self) -> float:
        """The exposure that is judged, in the unit of its code; 0 of anything else."""
        return next((float(self.values[key]) for key in _EXPOSURES if key in self.values), 0.0)


_EXPOSURES = ("density_g_l", "end_m", "cns_percent", "otu", "minutes", "ppo2_bar")
_DOSES = ("cns", "cns-day", "otu", "otu-days", "scrubber")
MUCH_WORSE = 1.1
"""A dose that is over its limit in a plan is told again of a contingency that takes so many times as much."""


def as_planned(finding: Finding, planned: Iterable[Finding]) -> bool:
    """Whether a plan's findings say of it what one of a contingency's says."""
    dose = finding.grave and finding.code in _DOSES
    return any(
        one.of_what == finding.of_what and (not dose or finding.how_much <= MUCH_WORSE * one.how_much)
        for one in planned
    )


class Judgement(Protocol):
    """What can be put in order: a finding, or one in words."""

    @property
    def code(self) -> str:
        """Of the finding."""

    @property
    def severity(self) -> Severity:
        """How grave."""

    @property
    def grave(self) -> bool:
        """Whether an exposure is over its no-go limit or the published one."""


Judged = TypeVar("Judged", bound=Judgement)


def in_order(findings: Iterable[Judged]) -> tuple[Judged, ...]:
    """Gravest first, otherwise in the order of the dive."""
    return tuple(sorted(findings, key=_gravity))


def _gravity(finding: Judgement) -> tuple[int, bool, int]:
    rank = next((i for i, codes in enumerate(_GRAVEST_FIRST) if finding.code in codes), len(_GRAVEST_FIRST))
    graded = rank if finding.severity == "no-go" else 0
    return SEVERITIES.index(finding.severity), not finding.grave and finding.severity == "caution", graded


def _rounded(value: object) -> object:
    """A value as far as it is read, so that what differs in the last bits is the same."""
    if isinstance(value, float):
        return float(f"{value:.6g}")
    return tuple(map(_rounded, value)) if isinstance(value, tuple) else value
