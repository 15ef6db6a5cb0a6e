"""docs/validation.md is what docs/validation.py writes, on every machine."""

from __future__ import annotations

import runpy
from pathlib import Path

DOCS = Path(__file__).parents[2] / "docs"


def test_the_page_is_what_is_computed() -> None:
    written = runpy.run_path(str(DOCS / "validation.py"))["document"]()
    kept = (DOCS / "validation.md").read_text(encoding="utf-8")
    assert written.splitlines() == kept.splitlines(), "run python docs/validation.py"
    assert "{{" not in kept
