"""Draws the pictures of the README from an example dive: `python docs/pictures.py`."""

from pathlib import Path

from leadline import plan, read_dive
from leadline.sheets import content
from leadline.sheets.write import picture_pages

HERE = Path(__file__).parent


def main() -> None:
    """Write docs/images/: both panels of the slate, and the briefing."""
    images = HERE / "images"
    images.mkdir(exist_ok=True)
    example = plan(read_dive(HERE.parent / "examples" / "marigold-loop.toml"))
    panels = picture_pages("slate", content.slate(example), 110)
    for name, png in zip(("slate-plan.png", "slate-bailout.png"), panels, strict=True):
        (images / name).write_bytes(png)
    (images / "briefing.png").write_bytes(picture_pages("briefing", content.briefing(example), 100)[0])


if __name__ == "__main__":
    main()
