"""The planning, one module per question, in the order a diver asks them."""

from leadline.plan.findings import Finding
from leadline.plan.planned import Plan, plan_dive
from leadline.plan.schedule import Schedule, Stop, Switch

__all__ = ["Finding", "Plan", "Schedule", "Stop", "Switch", "plan_dive"]
