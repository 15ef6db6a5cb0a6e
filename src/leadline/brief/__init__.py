"""What the diver asks for: the dive file's schema, its reader, its errors."""

from leadline.brief.errors import BriefError, Problem
from leadline.brief.reader import parse_dive, read_dive
from leadline.brief.schema import Cylinder, Dive, Level, Loop
from leadline.brief.team import divers

__all__ = ["BriefError", "Cylinder", "Dive", "Level", "Loop", "Problem", "divers", "parse_dive", "read_dive"]
