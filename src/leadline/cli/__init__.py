"""The command line."""

from leadline.cli.main import app, run

__all__ = ["app", "run"]
