"""The published figures, by topic, each table beside its source.

Every table says how far its figures can be trusted, by one of three keys: `confirmed` (how), `worked_out` (how: by hand
from a law or a definition, or by the independent planner) or `from_memory = true`, for figures written down from memory
of the publication they name. There a disagreement is a question, not yet a proof.
"""

from __future__ import annotations

import tomllib
from functools import cache
from importlib.resources import files
from typing import Any

from leadline.verify.check import CheckSource, Standing

Table = dict[str, Any]


@cache
def load(topic: str) -> Table:
    """The tables of a topic. FileNotFoundError if there is none of that name."""
    return tomllib.loads((files("leadline.verify") / "data" / f"{topic}.toml").read_text(encoding="utf-8"))


def source_of(table: Table) -> CheckSource:
    """A table's source. ValueError unless it says how far its figures can be trusted, once."""
    keys: dict[str, Standing] = {
        "confirmed": "confirmed", "worked_out": "worked out", "from_memory": "from memory"
    }  # fmt: skip
    given = [key for key in keys if table.get(key)]
    if len(given) != 1:
        raise ValueError(f"{table.get('source')}: says {given or 'nothing'} of {', '.join(keys)}; one of them is right")
    how = "" if given == ["from_memory"] else table[given[0]]
    return CheckSource(table["source"], keys[given[0]], how, table.get("note", ""))
