"""Draws the pictures of the README from an example dive: `python docs/pictures.py`."""

from pathlib import Path

from leadline import read_dive
from leadline.plan.solve import frontier
from leadline.plan.team import plan_team
from leadline.sheets import content
from leadline.sheets.frontier import draw_frontier
from leadline.sheets.write import picture_pages

HERE = Path(__file__).parent


def main() -> None:
    """Write docs/images/: the slate with the plan, what can go wrong and the bailout, the briefing, and the limits."""
    images = HERE / "images"
    images.mkdir(exist_ok=True)
    team = plan_team(read_dive(HERE.parent / "examples" / "marigold-loop.toml"))
    [member] = team.members
    pages = picture_pages("slate", content.slate(team, member), 110)
    for name, png in (("plan", pages[0]), ("what-if", pages[1]), ("bailout", pages[-1])):
        (images / f"slate-{name}.png").write_bytes(png)
    briefing = picture_pages("briefing", content.briefing(team, member), 100)
    for name, png in zip(("briefing", "briefing-gas"), briefing, strict=True):
        (images / f"{name}.png").write_bytes(png)
    around = frontier(read_dive(HERE.parent / "examples" / "marigold-trimix.toml"))
    (images / "limits.png").write_bytes(draw_frontier(around, "png"))


if __name__ == "__main__":
    main()
