"""Cylinder labels: true size, and what was analysed on them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader

from leadline.dive_file import parse_dive
from leadline.mixing.analysis import replanned
from leadline.sheets.label import labels, write_labels
from tests.sheets.paper import KEEL, text_of, without_blanks

MM = 72 / 25.4


def written(folder: Path, *entries: dict[str, Any], **more: Any) -> Path:
    dive = parse_dive(KEEL | {"fills": {"analysed": list(entries)}} | more)
    found = replanned(dive)
    assert found is not None
    path = folder / "labels.pdf"
    write_labels(dive, found.analysed, path)
    return path


TWIN = {"cylinder": "twin set", "o2": 18.4, "he": 44.2, "pressure": 228, "by": "Ann", "date": "2026-05-31"}
OXYGEN = {"cylinder": "right stage", "o2": 99.6}


def test_one_label_a_page_at_true_size(tmp_path: Path) -> None:
    pages = PdfReader(written(tmp_path, TWIN, OXYGEN)).pages
    assert len(pages) == 2
    for page in pages:
        assert float(page.mediabox.width) == pytest.approx(100 * MM, abs=0.1)
        assert float(page.mediabox.height) == pytest.approx(60 * MM, abs=0.1)


def test_what_was_analysed_is_on_it(tmp_path: Path) -> None:
    twin, oxygen = text_of(written(tmp_path, TWIN, OXYGEN))
    # 1.4 / 0.184 - 1.01325 = 6.595 bar: 65 m.
    for piece in ("twin set", "18.4/44.2", "MOD", "65 m", "ppO2 1.4", "Ann", "2026-05-31", "228 bar"):
        assert piece.replace(" ", "") in without_blanks([twin])
    for piece in ("right stage", "99.6 %", "6 m", "ppO2 1.6", "RICH: open slowly", "Analyse again before the dive"):
        assert piece.replace(" ", "") in without_blanks([oxygen])


def test_no_larger_text_than_mix_and_mod(tmp_path: Path) -> None:
    sizes: dict[str, float] = {}

    def seen(text: str, cm: Any, tm: Any, font: Any, size: float) -> None:
        for word in text.split():
            sizes[word] = max(sizes.get(word, 0.0), abs(tm[3]) * size)

    PdfReader(written(tmp_path, TWIN)).pages[0].extract_text(visitor_text=seen)
    mod = max(size for word, size in sizes.items() if word.startswith("65"))
    assert mod == max(sizes.values())
    assert mod >= 40.0  # points: digits of 10 mm
    assert sizes["18.4/44.2"] >= 20.0


def test_the_longest_texts_stay_on_one_page(tmp_path: Path) -> None:
    name = "twin set of the long name, with valves W"
    long = {"cylinder": name, "o2": 10.5, "he": 70.5, "by": "W" * 30, "pressure": "228.4 bar", "date": "2026-12-31"}
    cylinders = [KEEL["cylinders"][0] | {"name": name, "gas": "10/70"}, *KEEL["cylinders"][1:]]
    pages = text_of(written(tmp_path, long, cylinders=cylinders))
    assert len(pages) == 1
    # 0.18 / 0.105 - 1.01325 = 0.701 bar: 8 m.
    assert "HYPOXICshallowerthan8m" in without_blanks(pages)


def test_imperial_labels(tmp_path: Path) -> None:
    text = without_blanks(text_of(written(tmp_path, TWIN | {"pressure": 3300}, units="imperial", levels=[
        {"depth": 190, "leave_at": 20}])))  # fmt: skip
    # 65.95 m: 216 ft.
    assert "216ft" in text
    assert "3300psi" in text


def test_typst_reads_no_name_as_markup(tmp_path: Path) -> None:
    name = "#panic[x] *y* $z$"
    cylinders = [KEEL["cylinders"][0] | {"name": name}, *KEEL["cylinders"][1:]]
    assert name.replace(" ", "") in without_blanks(
        text_of(written(tmp_path, TWIN | {"cylinder": name}, cylinders=cylinders))
    )


def test_no_label_of_what_was_not_analysed() -> None:
    with pytest.raises(ValueError, match="nothing was analysed"):
        labels(parse_dive(KEEL), ())


def test_nothing_half_written(tmp_path: Path) -> None:
    folder = tmp_path / "labels.pdf"
    folder.mkdir()
    with pytest.raises(IsADirectoryError):
        written(tmp_path, OXYGEN)
    assert list(tmp_path.iterdir()) == [folder]
