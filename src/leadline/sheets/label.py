"""Cylinder labels: what was analysed, in a PDF of one label a page, at true size."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from leadline.atomic_write import write_whole
from leadline.dive_file.schema import Dive
from leadline.mixing.analysis import Analysed
from leadline.mixing.depths import mod_shown, ppo2_shown
from leadline.mixing.doses import MATCH
from leadline.mixing.fill import percents
from leadline.mixing.safety import OXYGEN_CLEAN_OVER
from leadline.sheets.write import set_sheet
from leadline.units import SYSTEMS

WIDTH_MM, HEIGHT_MM = 100.0, 60.0
CAUTION = "Analyse again before the dive. Breathe it only where its MOD allows."


def write_labels(dive: Dive, analysed: Sequence[Analysed], path: Path) -> None:
    """Write a label for every analysed cylinder into a PDF, whole or not at all. OSError if it fails."""
    write_whole(path, set_sheet("label", labels(dive, analysed)))


def labels(dive: Dive, analysed: Sequence[Analysed]) -> dict[str, Any]:
    """What the labels say. ValueError if nothing was analysed: a label never carries a gas that was not."""
    if not analysed:
        raise ValueError("nothing was analysed; a label carries only what was")
    return {
        "title": dive.title,
        "width": WIDTH_MM,
        "height": HEIGHT_MM,
        "caution": [CAUTION],
        "no_go": "",
        "labels": [_label(dive, one) for one in analysed],
    }


def _label(dive: Dive, one: Analysed) -> dict[str, Any]:
    system = SYSTEMS[dive.units]
    bar = one.bar if one.read_bar is None else one.read_bar
    return {
        "cylinder": f"{one.diver}: {one.cylinder}" if one.diver else one.cylinder,
        "mix": name(one),
        "mod": mod_shown(dive, one.mod_m),
        "at": f"ppO2 {ppo2_shown(dive, one.mix, one.mod_m, one.ppo2_limit_bar)}",
        "by": one.by,
        "date": one.date,
        "pressure": "" if one.read_bar is None else f"{system.pressure(bar)} {system.pressure_unit}",
        "cautions": list(_cautions(dive, one)),
    }


def name(one: Analysed) -> str:
    """The mix as it was analysed, to a tenth of a percent: "18.2/44.6", "50.3 %"; helium only where there is any."""
    return percents(one.mix) if one.mix.he >= MATCH / 2 else f"{100 * one.mix.o2:.1f} %"


def _cautions(dive: Dive, one: Analysed) -> list[str]:
    """Short, for a label is read in passing."""
    system = SYSTEMS[dive.units]
    said = []
    if one.mix.o2 > OXYGEN_CLEAN_OVER:
        said.append("RICH: open slowly")
    if one.least_m > 0.0:
        least = math.ceil(one.least_m / system.depth_m - 1e-6)
        said.append(f"HYPOXIC shallower than {least} {system.depth_unit}")
    if one.use == "inflation":
        said.append("NOT FOR BREATHING")
    return said
