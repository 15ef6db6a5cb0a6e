"""Leadline plans decompression dives: schedule, gas, bailout and slates from one dive file.

A planning aid, not training. No decompression model is proof against decompression sickness. Defer to your training
agency, local codes and licensed medical and diving practice; cross-check every plan with an independent source;
analyse every gas.
"""

from leadline.dive_file import BriefError, Dive, parse_dive, read_dive
from leadline.plan import Finding, Plan, plan
from leadline.plan.team import Team, plan_team

__all__ = ["BriefError", "Dive", "Finding", "Plan", "Team", "parse_dive", "plan", "plan_team", "read_dive"]
__version__ = "0.3.0"
