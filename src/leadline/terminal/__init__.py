"""The terminal: a plan, verdict first, as Rich sets it."""

from leadline.terminal.plan import show

__all__ = ["show"]
