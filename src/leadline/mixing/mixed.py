"""All that `leadline mix` answers of a dive: its fills, and what was analysed after them."""

from __future__ import annotations

from dataclasses import dataclass

from leadline.dive_file.schema import Dive
from leadline.mixing.analysis import Replanned, replanned
from leadline.mixing.fills import FillPlan, plan_fills


@dataclass(frozen=True)
class Mixed:
    """Fills and analyses of a dive."""

    dive: Dive
    fills: FillPlan | None
    """None where the file names no sources, and only says what was analysed."""
    analysed: Replanned | None
    """None where nothing was analysed."""

    @property
    def good(self) -> bool:
        """Whether every cylinder can be filled as asked, and the plan holds with what was analysed."""
        return (self.fills is None or self.fills.done) and (self.analysed is None or self.analysed.holds)


def mix(dive: Dive, source: str = "dive") -> Mixed:
    """The fills of a dive, and its plan with the gases that were analysed.

    Raises DiveFileError (naming the dive file as `source`) where [fills] names what is not there, or nothing at all.
    """
    found = plan_fills(dive, source)
    return Mixed(dive, found if dive.fills.sources else None, replanned(dive, source))
