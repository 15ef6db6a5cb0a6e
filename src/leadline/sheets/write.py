"""Sets the sheets of a plan with Typst and puts them into a directory, all or none."""

from __future__ import annotations

import errno
import json
import os
import secrets
from importlib.resources import as_file, files
from pathlib import Path
from typing import Any

import font_source_sans_pro
import typst

from leadline.plan import Plan
from leadline.sheets import content

SHEETS = {"slate.pdf": content.slate, "wetnotes.pdf": content.wetnotes, "briefing.pdf": content.briefing}
"""The files, and what each of them says."""


def write_sheets(plan: Plan, directory: Path) -> list[Path]:
    """Write slate.pdf, wetnotes.pdf and briefing.pdf of a plan. Returns their paths.

    The directory is made if it is not there. Every sheet is set before the first one is written, and takes its place
    in one step: a reader never finds half a file. Raises OSError if the directory cannot be written. The same plan
    gives the same bytes.
    """
    pages = {name: set_sheet(name.removesuffix(".pdf"), text(plan)) for name, text in SHEETS.items()}
    directory.mkdir(parents=True, exist_ok=True)
    targets = [directory / name for name in pages]
    for target in targets:
        if target.is_dir():
            raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(target))
    mark = secrets.token_hex(4)
    waiting = [directory / f".{name}.{mark}.part" for name in pages]
    try:
        for part, pdf in zip(waiting, pages.values(), strict=True):
            with part.open("xb") as file:
                file.write(pdf)
        for part, target in zip(waiting, targets, strict=True):
            part.replace(target)
    finally:
        for part in waiting:
            part.unlink(missing_ok=True)
    return targets


def set_sheet(template: str, data: dict[str, Any]) -> bytes:
    """One sheet as a PDF. `data` reaches the template as JSON: its texts are never read as markup."""
    pdf: bytes = _set(template, data, format="pdf")
    return pdf


def picture_pages(template: str, data: dict[str, Any], ppi: float) -> list[bytes]:
    """The pages of one sheet as PNG pictures."""
    pages = _set(template, data, format="png", ppi=ppi)
    return pages if isinstance(pages, list) else [pages]


def _set(template: str, data: dict[str, Any], **output: Any) -> Any:
    with as_file(files("leadline.sheets") / "templates") as templates:
        return typst.compile(
            str(templates / f"{template}.typ"),
            root=str(templates),
            font_paths=[str(font_source_sans_pro.font_directory)],
            ignore_system_fonts=True,
            sys_inputs={"sheet": json.dumps(data, ensure_ascii=False)},
            timestamp=0,
            **output,
        )
