"""What is to be said about a plan: every judgement is a finding, never silence.

A no-go is a plan that must not be dived. A caution is for the diver to weigh. A note is for the diver to know.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

Severity = Literal["no-go", "caution", "note"]
SEVERITIES: tuple[Severity, ...] = ("no-go", "caution", "note")


@dataclass(frozen=True)
class Finding:
    """One judgement: a code that stays the same, how grave, one plain sentence, the numbers, and where in the dive."""

    code: str
    severity: Severity
    message: str
    values: dict[str, float | str] = field(default_factory=dict, hash=False)
    run_time_min: float | None = None
    depth_m: float | None = None


def in_order(findings: list[Finding]) -> tuple[Finding, ...]:
    """Gravest first, otherwise in the order of the dive."""
    return tuple(sorted(findings, key=lambda finding: SEVERITIES.index(finding.severity)))
