"""What the diver asks for: the dive file's schema, its reader, its errors."""

from leadline.dive_file.errors import BriefError, Problem
from leadline.dive_file.reader import parse_dive, read_dive
from leadline.dive_file.schema import Cylinder, Dive, Level, Loop
from leadline.dive_file.team import divers

__all__ = ["BriefError", "Cylinder", "Dive", "Level", "Loop", "Problem", "divers", "parse_dive", "read_dive"]
