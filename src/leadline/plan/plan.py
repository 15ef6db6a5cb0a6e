"""Runs the planning in the order a diver asks: when, on what, how much, what if; and what is to be said of it."""

from __future__ import annotations

from dataclasses import dataclass

from leadline.brief.schema import Dive
from leadline.plan import breathing as breathing_
from leadline.plan import contingency
from leadline.plan import oxygen as oxygen_
from leadline.plan import supply as supply_
from leadline.plan.findings import Finding, in_order
from leadline.plan.schedule import Schedule, lay_out, schedule


@dataclass(frozen=True)
class Plan:
    """A dive, planned. The same dive gives the same plan to the last bit."""

    dive: Dive
    schedule: Schedule
    oxygen: oxygen_.Oxygen
    breathing: tuple[breathing_.Breathed, ...]
    supply: tuple[supply_.CylinderUse, ...]
    loop: supply_.LoopUse | None
    bailout: contingency.Bailout | None
    findings: tuple[Finding, ...]

    @property
    def no_go(self) -> bool:
        """Whether the plan must not be dived."""
        return any(finding.severity == "no-go" for finding in self.findings)


def plan(dive: Dive, source: str = "dive") -> Plan:
    """The plan of a dive.

    Raises BriefError (naming the dive file as `source`) where the dive cannot be planned as written: no breathable gas
    at some depth, a level left before its stops are done, a stop that never clears.
    """
    layout = lay_out(dive, source)
    found = schedule(dive, layout, source)
    where = dive.site.environment
    exposure = oxygen_.oxygen(found.legs, where)
    breathed = breathing_.breathed(dive, found.legs)
    cylinders, loop = supply_.supply(dive, found.legs)
    bailout = contingency.bailout(dive, layout, found, source)
    findings = [
        *supply_.judge(dive, cylinders, loop),
        *contingency.judge(dive, bailout),
        *oxygen_.judge(exposure),
        *breathing_.judge(dive, breathed, found.legs),
    ]
    return Plan(dive, found, exposure, breathed, cylinders, loop, bailout, in_order(findings))
