"""What the tests of the sheets share: dives, and the text of a PDF."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from pypdf import PdfReader


def cylinder(name: str, gas: str, use: str, size: float = 24, pressure: float = 220) -> dict[str, Any]:
    return {"name": name, "gas": gas, "size": f"{size} L", "pressure": f"{pressure} bar", "use": use}


def text_of(path: Path) -> list[str]:
    """The text of every page, every run of white space one blank and no soft places."""
    return [" ".join(page.extract_text().replace("\u200b", "").split()) for page in PdfReader(path).pages]


def without_blanks(pages: list[str]) -> str:
    """All pages, without blanks: readers of PDFs differ in where they see them."""
    return "".join(" ".join(pages).split())


KEEL: dict[str, Any] = {
    "title": "Marigold, keel",
    "units": "metric",
    "levels": [{"depth": 60, "leave_at": 20}],
    "cylinders": [
        cylinder("twin set", "18/45", "bottom", 30, 230),
        cylinder("left stage", "50", "deco", 11, 200),
        cylinder("right stage", "oxygen", "deco", 7, 200),
    ],
}
LOOP: dict[str, Any] = {
    "title": "Marigold, foredeck",
    "units": "imperial",
    "levels": [{"depth": 150, "leave_at": 35}],
    "loop": {"diluent": "21/25", "setpoint": 1.3, "scrubber": 180, "flushes": 2},
    "gas": {"drysuit": "0.3 cuft", "fill_temperature": 95},
    "cylinders": [
        cylinder("diluent", "21/25", "diluent", 3, 200),
        cylinder("oxygen", "oxygen", "oxygen", 3, 200),
        {
            "name": "deep bailout",
            "gas": "21/25",
            "size": 80,
            "working_pressure": 3000,
            "pressure": 3400,
            "use": "bailout",
        },
        {
            "name": "shallow bailout",
            "gas": "50",
            "size": 80,
            "working_pressure": 3000,
            "pressure": 3400,
            "use": "bailout",
        },
    ],
}
