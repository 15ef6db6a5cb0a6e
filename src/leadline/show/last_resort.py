"""What is left to try where nothing fit to breathe is at hand, in words."""

from __future__ import annotations

from collections.abc import Iterable

from leadline.plan.contingency import LastResort


def resorts(left: Iterable[LastResort]) -> str:
    """What is left, with its ppO2 there: "diluent on open circuit (1.18 bar) or ..."; "nothing"."""
    said = []
    for resort in left:
        named = {
            "own gas": resort.cylinder, "mate's gas": f"{resort.whose}'s {resort.cylinder}",
            "loop flushed": "the loop, flushed with diluent or semi-closed",
            "diluent on open circuit": "diluent on open circuit",
        }[resort.what]  # fmt: skip
        but = ["over the diver's own limit"] if resort.over_own_limit else []
        but += ["hypoxic further up"] if resort.hypoxic_above else []
        said.append(f"{named} ({resort.ppo2_bar:.2f} bar{''.join(f', {one}' for one in but)})")
    return " or ".join(said) if said else "nothing"
