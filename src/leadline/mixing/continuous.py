"""Continuous blending: oxygen and helium flow into the air that a compressor takes in, and analysers tell how much.

Air, oxygen and helium are mixed at one atmosphere, where they are ideal gases to 0.1 %; what is pumped is that mix, to
the end of the fill. An oxygen analyser stands behind each gas: after oxygen it reads the nitrox that is made, after
helium that nitrox thinned.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from leadline.mixing.contents import Contents, mix_of
from leadline.mixing.doses import MATCH
from leadline.physics.mix import AIR_O2, Mix

MOST_O2 = 0.40
"""As much oxygen as goes through a compressor that is built for air. Common practice, no source."""


@dataclass(frozen=True)
class Continuous:
    """The mix that is pumped, and what the analysers read."""

    stream: Mix | None = None
    air: float = 0.0
    """Its share of what is pumped; oxygen and helium have the rest."""
    oxygen: float = 0.0
    helium: float = 0.0
    oxygen_reading: float = 0.0
    """Fraction of oxygen after it flows in, before helium does."""
    final_reading: float = 0.0
    """Fraction of oxygen after helium flows in too."""
    to_bar: float = 0.0
    """While filling, on the gauge."""
    refused: str = ""
    """Why it cannot be blended so; empty if it can."""


def blend_continuously(start: Contents, wanted: Contents, gases: Sequence[Mix], filling_celsius: float) -> Continuous:
    """What to pump into a cylinder with something in it, so that it holds what is wanted."""
    o2, he, n2 = wanted.o2 - start.o2, wanted.he - start.he, wanted.n2 - start.n2
    whole = wanted.mol - start.mol
    if whole <= 1e-6 * wanted.mol:
        return Continuous(refused="it is full")
    first = o2 / (o2 + max(n2, 0.0)) if o2 > 0.0 else 0.0
    if first > MOST_O2:
        said = f"the compressor would take in {100 * first:.1f} % of oxygen"
        return Continuous(refused=f"{said}, over {100 * MOST_O2:.0f} %; blend by partial pressure")
    if min(o2, he, n2) < -MATCH * wanted.mol:
        return Continuous(refused="what is in it is in the way")
    o2, he, n2 = max(o2, 0.0), max(he, 0.0), max(n2, 0.0)
    air = n2 / (1.0 - AIR_O2)
    oxygen = o2 - AIR_O2 * air
    if oxygen < -MATCH * wanted.mol:
        return Continuous(refused="air alone brings more oxygen than the mix has")
    oxygen = max(oxygen, 0.0)
    if he < MATCH * wanted.mol:
        he = 0.0
    if oxygen < MATCH * wanted.mol:
        oxygen = 0.0
    missing = [name for name, there in _at_hand(gases, oxygen, he).items() if not there]
    if missing:
        return Continuous(refused=f"no {' and no '.join(missing)} at hand")
    whole = air + oxygen + he
    if air <= 0.0:
        return Continuous(refused="there is no air in it")
    first = (AIR_O2 * air + oxygen) / (air + oxygen)
    try:
        to_bar = wanted.bar(filling_celsius)
    except ValueError:
        return Continuous(refused="no pressure so high can be worked out")
    stream = mix_of(AIR_O2 * air + oxygen, he, (1.0 - AIR_O2) * air)
    return Continuous(stream, air / whole, oxygen / whole, he / whole, first, stream.o2, to_bar)


def _at_hand(gases: Sequence[Mix], oxygen: float, helium: float) -> dict[str, bool]:
    return {
        "air": any(abs(gas.o2 - AIR_O2) < MATCH and gas.he < MATCH for gas in gases),
        "oxygen": oxygen <= 0.0 or any(gas.o2 > 0.99 for gas in gases),
        "helium": helium <= 0.0 or any(gas.he > 0.99 for gas in gases),
    }
