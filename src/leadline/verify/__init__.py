"""Every published figure that Leadline is held to, computed anew on this machine and put beside it."""

from leadline.verify.check import Outcome, Point, Row, Series, Source
from leadline.verify.report import Machine, Report, as_data, verify

__all__ = ["Machine", "Outcome", "Point", "Report", "Row", "Series", "Source", "as_data", "verify"]
