"""Dives in and out of files: UDDF 3.2 and CSV."""
