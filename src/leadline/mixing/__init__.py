"""Fills: what goes into a cylinder, in which order, to which pressure; and what was analysed in it afterwards."""

from leadline.mixing.mixed import Mixed, mix

__all__ = ["Mixed", "mix"]
