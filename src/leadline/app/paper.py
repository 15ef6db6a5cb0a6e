"""What is taken away from the page: the sheets as PDF, and a briefing in one HTML file that opens anywhere."""

from __future__ import annotations

import base64
from html import escape
from pathlib import Path

from leadline.app import tables
from leadline.cautions import CAUTIONS
from leadline.plan.rows import givings
from leadline.plan.team import Team
from leadline.sheets.write import SHEETS, picture_pages, set_sheet
from leadline.show.sentences import remarks

STATIC = Path(__file__).parent / "static"
PPI = 150.0
"""Of the sheets in the HTML briefing: sharp on a phone, and small enough to send."""


def sheet_pdf(team: Team, member: int, name: str) -> bytes:
    """One sheet of one diver: "slate.pdf", "wetnotes.pdf" or "briefing.pdf"."""
    return set_sheet(name.removesuffix(".pdf"), SHEETS[name](team, team.members[member]))


def html_briefing(team: Team, member: int) -> str:
    """The whole plan of one diver as one file without a network: verdict, tables that fit a phone, and the sheets."""
    diver = team.members[member]
    plan = diver.plan
    title = escape(f"{plan.dive.title}{', ' + diver.name if diver.name else ''}")
    word, line, grave = tables.verdict(team)
    cells = "".join(f'<span class="figure">{name} <b>{value}</b></span>' for name, value in tables.figures(plan))
    sheets = "".join(
        f"<h2>{heading}</h2>" + "".join(_picture(png, f"{heading}, page {i + 1}") for i, png in enumerate(pages))
        for heading, pages in (
            ("Slate", picture_pages("slate", SHEETS["slate.pdf"](team, diver), PPI)),
            ("Briefing", picture_pages("briefing", SHEETS["briefing.pdf"](team, diver), PPI)),
        )
    )
    head = '<meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">'
    style = (STATIC / "page.css").read_text(encoding="utf-8")
    found = tables.findings(remarks(team.findings, team.dive.units))
    return (
        f'<!doctype html><html lang="en"><head>{head}<title>{title}</title><style>{style}</style></head>'
        f'<body class="shared"><header class="strip"><div class="inside">'
        f'<span class="verdict-word{grave}">{word}</span><span>{line}</span>{cells}</div></header>'
        f'<main class="leadline"><h1>{title}</h1><p>{" ".join(escape(caution) for caution in CAUTIONS)}</p>'
        f"{found}{tables.schedule(plan)}{tables.gas(plan)}{tables.turning(plan)}"
        f"{tables.breathing(plan)}{tables.contingencies(plan)}"
        f"{tables.bailouts(plan, givings(team, diver))}{sheets}</main></body></html>"
    )


def _picture(png: bytes, said: str) -> str:
    return f'<p><img alt="{escape(said)}" src="data:image/png;base64,{base64.b64encode(png).decode()}"></p>'
