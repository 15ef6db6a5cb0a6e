"""The published figures that Leadline is checked against, by topic.

They are the data of `leadline verify`, each beside its source. `from_memory = true` marks figures that were written
down from memory of the publication they name: there a disagreement is a question, not yet a proof.
"""

from __future__ import annotations

import tomllib
from importlib.resources import files
from typing import Any


def _load(topic: str) -> dict[str, Any]:
    return tomllib.loads((files("leadline.verify") / "data" / f"{topic}.toml").read_text(encoding="utf-8"))


def rows(table: dict[str, Any], *columns: str) -> list[tuple[Any, ...]]:
    """A table's columns, row by row, for `pytest.mark.parametrize`."""
    return list(zip(*(table[column] for column in columns), strict=True))


FLYING = _load("flying")
GAS = _load("gas")
LOADING = _load("loading")
OXYGEN = _load("oxygen")
REAL_GAS = _load("real_gas")
WATER = _load("water")
ZHL16 = _load("zhl16")
