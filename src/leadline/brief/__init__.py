"""What the diver asks for: the dive file's schema, its reader, its errors."""

from leadline.brief.errors import BriefError, Problem
from leadline.brief.reader import parse_dive, read_dive
from leadline.brief.schema import Cylinder, Dive, Level, Loop

__all__ = ["BriefError", "Cylinder", "Dive", "Level", "Loop", "Problem", "parse_dive", "read_dive"]
