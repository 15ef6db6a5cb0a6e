"""Writes docs/validation.md: `python docs/validation.py`. The prose is validation.md.in's, the figures are computed."""

from collections.abc import Iterator
from pathlib import Path
from textwrap import fill

from leadline.verify import CheckRow, Outcome, Report, verify
from leadline.verify.unchecked import UNCHECKED
from leadline.verify.words import grids, label, shown

HERE = Path(__file__).parent
MARK = "<!-- Written by docs/validation.py; the prose is in validation.md.in. -->\n\n"
ACROSS = 11
"""As many figures as stand in a line."""


def document() -> str:
    """The page, with every check value computed now."""
    report = verify()
    if not report.passed:
        raise SystemExit("leadline verify fails: mend that first")
    text = (HERE / "validation.md.in").read_text(encoding="utf-8")
    parts = {"standing": standing(report), "check values": check_values(report), "not checked": not_checked()}
    for name, part in parts.items():
        text = text.replace(f"{{{{ {name} }}}}", part)
    return MARK + text


def standing(report: Report) -> str:
    """How many check values there are of each kind."""
    counted = report.standings
    return (
        f"{report.figures} check values: {counted['confirmed']} confirmed, {counted['worked out']} worked out, "
        f"{counted['from memory']} from memory."
    )


def check_values(report: Report) -> str:
    """Every series with its figures, topic by topic."""
    return "\n\n".join(
        "\n\n".join([f"### {topic}", *(series(one) for one in outcomes)]) for topic, outcomes in report.topics
    )


def series(one: Outcome) -> str:
    """A series: what is allowed and why, the source, the figures."""
    of, source = one.series, one.series.source
    unit = f" ({of.unit})" if of.unit else ""
    how = f"{source.standing}: {source.how}" if source.how else source.standing
    note = f" {source.note}" if source.note else ""
    head = (
        f"**{of.name}**{unit}. {of.tolerance_text[0].upper()}{of.tolerance_text[1:]}: {of.why}. {source.text} ({how})."
    )
    return "\n\n".join([fill(head + note, 125, break_on_hyphens=False), *tables(one)])


def tables(one: Outcome) -> Iterator[str]:
    """The figures, lines with the same heads in one table."""
    for at, found in grids(one, ACROSS):
        lines = [[one.series.axis, "", *at], ["---"] * (2 + len(at))]
        for part, rows in found:
            lines += pair(one, part, rows)
        yield "\n".join(f"| {' | '.join(line)} |".replace("|  ", "| ") for line in lines)


def pair(one: Outcome, part: str, rows: list[CheckRow]) -> Iterator[list[str]]:
    """The published figures, and Leadline's below them."""
    published, ours = zip(*(shown(one.series, row) for row in rows), strict=True)
    yield [part, label(one.series.source), *published]
    yield ["", "Leadline", *ours]


def not_checked() -> str:
    """What no check reaches, as a list."""
    return "\n".join(f"- **{what}.** {why}" for what, why in UNCHECKED)


if __name__ == "__main__":
    (HERE / "validation.md").write_text(document(), encoding="utf-8")
