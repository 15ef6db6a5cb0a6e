"""What can go wrong: one record for each kind of contingency, read by everyone who treats kinds apart."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class Failure:
    """A kind of contingency."""

    name: str
    """As a dive file writes it: "lost gas"."""
    line: str
    """What goes wrong, in the documentation."""
    on_the_slate: bool = False
    """Whether it is on the slate where the dive file does not say what is."""
    two: bool = False
    """Whether two things fail at once."""
    may_use_the_reserve: bool = True
    """Whether the gas may be breathed into the reserve: the reserve is carried for it."""
    only_the_worst: bool = False
    """Whether it is worked out for more pairs, or levels, than anyone would carry on paper, and the worst is told."""
    happens_to_all: bool = False
    """Whether it holds up or turns a whole team: each has it among his own, and mates have no rows for it."""
    leaves_the_loop: bool = False
    """Whether the diver of a loop leaves it at once."""
    nothing_left_of: Literal["", "oxygen", "diluent"] = ""
    """What feeds the loop and is gone, whatever the dive took of it."""
    covers: Literal["", "another dive", "lost gas"] = ""
    """Of a dive that was dived otherwise: whether its sheet is the one to come up by, deeper or longer or later, or
    where a gas was never breathed."""


FAILURES = (
    Failure("deeper", "the dive is deeper than planned", True, covers="another dive"),
    Failure("longer", "the dive is longer than planned", True, covers="another dive"),
    Failure("deeper and longer", "both", True, covers="another dive"),
    Failure("delay", "held at depth", happens_to_all=True, covers="another dive"),
    Failure("lost gas", "open circuit: each deco cylinder, gone from the start", True, covers="lost gas"),
    Failure(
        "two gases lost", "open circuit: the worst two of them; two failures", two=True, only_the_worst=True,
        covers="lost gas",
    ),
    Failure("gas found empty", "open circuit: each deco cylinder, found empty where it is changed to"),
    Failure(
        "bottom cylinder lost",
        "open circuit: each of several bottom cylinders of one gas, gone at the end of a level; not those with "
        "`manifold = true`",
        only_the_worst=True,
    ),
    Failure(
        "bailout", "the loop fails at the worst moment", True, may_use_the_reserve=False, leaves_the_loop=True
    ),
    Failure(
        "bailout lost", "the loop fails, and a bailout cylinder is not there; two failures", two=True,
        leaves_the_loop=True,
    ),
    Failure("low setpoint", "the loop stays at the low setpoint for the whole dive"),
    Failure("oxygen gone", "the loop goes on, semi-closed on diluent", nothing_left_of="oxygen"),
    Failure("diluent gone", "the loop goes on, straight to the surface", nothing_left_of="diluent"),
    Failure("slow ascent", "at half the ascent rates"),
    Failure("aborted descent", "turned on the way down, at the worst moment", happens_to_all=True),
    Failure("heavy breathing", "RMV doubled for some minutes; on a loop, off it", leaves_the_loop=True),
    Failure(
        "mate out of gas",
        "open circuit: two stressed divers on the bottom gas from the worst moment; loop: a mate on this bailout",
    ),
)  # fmt: skip
"""In the order in which they are planned and shown."""
FAILURE = {failure.name: failure for failure in FAILURES}
"""By name."""
