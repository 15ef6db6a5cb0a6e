"""Every published figure that Leadline is held to, computed anew on this machine and put beside it."""

from leadline.verify.check import CheckRow, CheckSource, Outcome, Point, Series
from leadline.verify.report import Machine, Report, as_data, verify

__all__ = ["CheckRow", "CheckSource", "Machine", "Outcome", "Point", "Report", "Series", "as_data", "verify"]
