"""Sets the sheets of a team with Typst and puts them into a directory, all or none."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import re
import secrets
import unicodedata
from collections.abc import Iterable
from importlib.resources import as_file, files
from pathlib import Path
from typing import Any

import font_source_sans_pro
import typst

from leadline.dive_file.errors import expect
from leadline.plan.day import Day
from leadline.plan.team import Team
from leadline.sheets import content
from leadline.sheets.day import day_sheet

SHEETS = {"slate.pdf": content.slate, "wetnotes.pdf": content.wetnotes, "briefing.pdf": content.briefing}
"""The files, and what each of them says."""
_RESERVED = {"con", "prn", "aux", "nul", *(f"{port}{i}" for port in ("com", "lpt") for i in range(10))}
"""Not to be had as a folder's name everywhere."""


def write_sheets(team: Team, directory: Path, day: Day | None = None) -> list[Path]:
    """Write slate.pdf, wetnotes.pdf and briefing.pdf of every diver, and day.pdf where the dive comes after others.
    Returns their paths, diver by diver.

    A diver without a name has them in the directory, a named one in a folder there. Every sheet is set before the
    first one is written, all or none, by `put`. The same plan gives the same bytes.
    """
    expect(team, Team, "write_sheets", "a Team, as plan_team gives")
    pages: dict[Path, bytes] = {}
    for member, own in zip(team.members, folder_names(team), strict=True):
        for name, text in SHEETS.items():
            pages[directory / own / name] = set_sheet(name.removesuffix(".pdf"), text(team, member))
        if day is not None and len(day.dives) > 1:
            pages[directory / own / "day.pdf"] = set_sheet("day", day_sheet(day, member))
    return put(pages)


def put(pages: dict[Path, bytes]) -> list[Path]:
    """Write files, all or none, and return their paths. Folders that are not there are made.

    Each takes its place in one step: a reader never finds half a file. Raises OSError, and leaves everything as it was,
    if one of them cannot be written.
    """
    made: list[Path] = []
    mark = secrets.token_hex(4)
    waiting = {target: target.with_name(f".{target.name}.{mark}.part") for target in pages}
    try:
        for folder in dict.fromkeys(target.parent for target in pages):
            for missing in _missing(folder):
                missing.mkdir()
                made.append(missing)
            folder.mkdir(exist_ok=True)
        for target in pages:
            if target.is_dir():
                raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(target))
        for target, pdf in pages.items():
            try:
                with waiting[target].open("xb") as file:
                    file.write(pdf)
                    file.flush()
                    os.fsync(file.fileno())
            except OSError as error:
                raise OSError(error.errno, error.strerror, str(target)) from None
        for target, part in waiting.items():
            part.replace(target)
        made = []
    finally:
        for part in waiting.values():
            with contextlib.suppress(NotADirectoryError):  # nothing was written into a folder that is none
                part.unlink(missing_ok=True)
        for folder in reversed(made):
            with contextlib.suppress(OSError):  # somebody else has put something there
                folder.rmdir()
    return list(pages)


def _missing(folder: Path) -> list[Path]:
    """A folder and those above it that are not there yet, from above down."""
    return [one for one in (folder, *folder.parents) if not one.exists()][::-1]


def folder_names(team: Team) -> list[str]:
    """A folder for every diver."""
    return folders([member.name for member in team.members])


def folders(divers: Iterable[str]) -> list[str]:
    """A folder for every name: of letters, digits and dashes; numbered where two would be the same.

    Empty for a diver without a name.
    """
    found: list[str] = []
    taken: set[str] = set()
    for diver in divers:
        wanted = safe(diver) if diver else ""
        name, number = wanted, 2
        while name.casefold() in taken:
            name, number = f"{wanted}-{number}", number + 1
        taken.add(name.casefold())
        found.append(name)
    return found


def safe(name: str) -> str:
    """A name that can be a folder on every system, whatever was written: never empty, hidden or a way up."""
    made = re.sub(r"[\W_]+", "-", unicodedata.normalize("NFC", name)).strip("-")
    return f"diver-{made}".rstrip("-") if not made or made.casefold() in _RESERVED else made


def set_sheet(template: str, data: dict[str, Any]) -> bytes:
    """One sheet as a PDF. `data` reaches the template as JSON: its texts are never read as markup."""
    pdf: bytes = typeset(template, data, format="pdf")
    return pdf


def picture_pages(template: str, data: dict[str, Any], ppi: float) -> list[bytes]:
    """The pages of one sheet as PNG pictures."""
    pages = typeset(template, data, format="png", ppi=ppi)
    return pages if isinstance(pages, list) else [pages]


def _beyond_own_font(text: str) -> bool:
    """Whether a text has letters that are not Latin, Greek or Cyrillic, nor signs that go with them."""
    return any(sign > "\u052f" and not "\u1e00" <= sign <= "\u2bff" for sign in text)


def typeset(template: str, data: dict[str, Any], **output: Any) -> Any:
    """A template filled with data, as Typst puts it out.

    In Leadline's own font on every machine; letters that it lacks are set in one of the machine's.
    """
    text = json.dumps(data, ensure_ascii=False)
    with as_file(files("leadline.sheets") / "templates") as templates:
        return typst.compile(
            str(templates / f"{template}.typ"),
            root=str(templates),
            font_paths=[str(font_source_sans_pro.font_directory)],
            ignore_system_fonts=not _beyond_own_font(text),
            sys_inputs={"sheet": text},
            timestamp=0,
            **output,
        )
