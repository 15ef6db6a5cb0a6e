"""What the diver asks for: the dive file's schema, its reader, its errors."""

from leadline.dive_file.errors import DiveFileError, Problem
from leadline.dive_file.reader import parse_dive, read_dive
from leadline.dive_file.schema import Cylinder, Dive, Level, Loop
from leadline.dive_file.team import divers

__all__ = ["Cylinder", "Dive", "DiveFileError", "Level", "Loop", "Problem", "divers", "parse_dive", "read_dive"]
