"""Table sets on paper: every number against a plan of a file of its own, rounded by hand; sizes, marks and room."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader

from leadline.dive_file import parse_dive
from leadline.plan import Plan, plan_dive
from leadline.sheets.table_set import ENTERED, ROWS_ON_A_CARD, book, depth_down, matrices, said_of, write_table_set
from leadline.show.outcome import in_brief
from leadline.tables.table_set import TableSet, plan_table_set
from leadline.units import FOOT_M, FREE_CUBIC_FOOT_L, IMPERIAL, METRIC, PSI_BAR
from tests.dives import headed
from tests.sheets.paper import KEEL, LOOP, cylinder, text_of, without_blanks

MILLIMETRES = 25.4 / 72.0
SMALL = {"depths": [54, 60], "times": [10, 20, 30], "second_depths": [15], "surface_intervals": [60, "1.5 h"]}


def a_set(given: dict[str, Any], **written: Any) -> TableSet:
    return plan_table_set(parse_dive({**given, "tables": written}))


def apart(given: dict[str, Any], depth: float, minutes: int) -> Plan:
    """The plan of a file of its own."""
    return plan_dive(parse_dive({**given, "levels": [{"depth": depth, "leave_at": minutes}]}))


def up(number: float) -> int:
    return math.ceil(number - 1e-6)


@pytest.fixture(scope="module")
def keel() -> TableSet:
    return a_set(KEEL, **SMALL)


@pytest.fixture(scope="module")
def loop() -> TableSet:
    return a_set(LOOP, depths=[130, 150, 170], times=[25, 45], parts=["slates", "gas", "bailout"])


@pytest.fixture(scope="module")
def printed(keel: TableSet, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    return {path.name: path for path in write_table_set(keel, tmp_path_factory.mktemp("paper"))}


def by_cell(found: TableSet, path: Path) -> dict[tuple[float, int], str]:
    """The text of the slates of every cell, those of one together."""
    joined: dict[tuple[float, int], str] = {}
    for card, text in zip(book(found, "")["pages"], text_of(path), strict=True):
        key = float(card["depth"]), int(card["time"])
        joined[key] = f"{joined.get(key, '')} {text}"
    return joined


def page(found: TableSet, heading: str, diver: str = "") -> dict[str, Any]:
    [one] = [one for one in matrices(found, diver)["pages"] if one["heading"].startswith(heading)]
    return dict(one)


def cells_of(found: TableSet, heading: str) -> list[dict[str, Any]]:
    return [cell for row in page(found, heading)["rows"] for cell in row["cells"]]


# --- Numbers ----------------------------------------------------------------------------------------------------------


def test_run_time_tts_and_stops_are_the_plans(keel: TableSet) -> None:
    for cell, shown in zip(keel.cells, cells_of(keel, "Run time"), strict=True):
        schedule = apart(KEEL, cell.depth_m, cell.minutes).schedule
        assert shown["main"] == f"{up(schedule.run_time_min)}"
        stops = sum(up(stop.leave_min - stop.arrive_min) for stop in schedule.stops)
        assert shown["subs"] == [f"TTS {up(schedule.run_time_min - cell.minutes)}", f"stops {stops}"]


def test_every_stop_stands_in_its_cell_with_the_gas_changed_to(keel: TableSet) -> None:
    for cell, shown in zip(keel.cells, cells_of(keel, "Stops"), strict=True):
        stops = apart(KEEL, cell.depth_m, cell.minutes).schedule.stops
        start, *items = [item for item in shown["items"] if item["minutes"]]
        assert (start["depth"], start["minutes"], start["gas"]) == ("0", "start", "18/45")
        assert [(item["depth"], item["minutes"]) for item in items] == [
            (f"{stop.depth_m:g}", f"{up(stop.leave_min - stop.arrive_min)}") for stop in stops
        ]
        changed = [item["gas"].replace("\u00a0", " ") for item in shown["items"] if item["gas"]]
        assert changed == ["18/45", "50 %", "oxygen"]


def test_gas_is_rounded_up_and_what_is_left_down(keel: TableSet, loop: TableSet) -> None:
    marks = set()
    for found, given, unit_m, gas_l, bar in (
        (keel, KEEL, 1.0, 1.0, 1.0), (loop, LOOP, FOOT_M, FREE_CUBIC_FOOT_L, PSI_BAR),
    ):  # fmt: skip
        for cell, shown in zip(found.cells, cells_of(found, "Gas"), strict=True):
            supply = [use for use in apart(given, cell.depth_m / unit_m, cell.minutes).supply if use.used_l > 1e-6]
            assert [line["text"].replace("\u00a0", " ") for line in shown["lines"]] == [
                f"{up(use.used_l / gas_l)} / {math.floor(use.left_bar / bar + 1e-6)}" for use in supply
            ]
            for use, line in zip(supply, shown["lines"], strict=True):
                over = use.used_l > use.content_l, use.used_l > use.usable_l
                assert line["mark"] == ("X" if over[0] else "R" if over[1] else "")
                marks.add(line["mark"])
    assert "" in marks


def test_a_cylinder_that_does_not_last_is_marked() -> None:
    small = {**KEEL, "cylinders": [cylinder("twin set", "18/45", "bottom", 15, 230), *KEEL["cylinders"][1:]]}
    found = a_set(small, depths=[60], times=[10, 15, 20, 25, 30], parts=["gas"])
    marks = [shown["lines"][0]["mark"] for shown in cells_of(found, "Gas")]
    uses = [apart(small, 60, cell.minutes).supply[0] for cell in found.cells]
    expected = ["X" if u.used_l > u.content_l else "R" if u.used_l > u.usable_l else "" for u in uses]
    assert marks == expected
    assert set(marks) == {"", "R", "X"}
    notes = " ".join(page(found, "Gas")["notes"])
    assert "R (white on black): breathed into the reserve" in notes
    assert "X (white on black): more than the cylinder holds" in notes


def test_bailout_is_the_longest_and_what_any_takes_at_most(loop: TableSet) -> None:
    for cell, shown in zip(loop.cells, cells_of(loop, "Bailout"), strict=True):
        found = apart(LOOP, cell.depth_m / FOOT_M, cell.minutes)
        bailouts = [one for one in found.contingencies if one.kind == "bailout"]
        assert shown["main"] == f"{up(max(one.tts_min for one in bailouts))}"
        for name, line in zip(("deep bailout", "shallow bailout"), shown["lines"], strict=True):
            most = max(use.used_l for one in bailouts for use in one.supply if use.name == name)
            assert line["text"].split("\u00a0")[0] == f"{up(most / FREE_CUBIC_FOOT_L)}"


def test_minimum_gas_and_turn_pressure_are_the_plans(keel: TableSet) -> None:
    """Rounded up to what a gauge is read to, 5 bar."""
    for cell, shown in zip(keel.cells, cells_of(keel, "Minimum gas"), strict=True):
        [turn] = apart(KEEL, cell.depth_m, cell.minutes).turns
        kept, turn_bar = (math.ceil(bar / 5.0 - 1e-6) * 5 for bar in (turn.kept_bar, turn.turn_bar))
        assert [line["text"].replace("\u00a0", " ") for line in shown["lines"]] == [f"{kept} / {turn_bar}"]


def test_oxygen_is_rounded_up(keel: TableSet) -> None:
    for cell, shown in zip(keel.cells, cells_of(keel, "Oxygen"), strict=True):
        oxygen = apart(KEEL, cell.depth_m, cell.minutes).oxygen
        assert shown["main"] == f"{up(oxygen.cns_percent)} %"
        assert shown["subs"] == [f"{up(oxygen.otu)} OTU"]


def test_no_stop_limits_stand_under_their_gas(keel: TableSet) -> None:
    shown = page(keel, "No-stop")
    assert shown["columns"] == ["18/45 (carried)", "air", "32\u00a0%", "36\u00a0%"]
    for i, row in enumerate(shown["rows"]):
        for column, cell in zip(keel.no_stop, row["cells"], strict=True):
            minutes = column.limits[i].minutes
            if minutes is None:
                assert (cell["main"], cell["subs"]) == ("", [f"– {column.limits[i].why}"])
            else:
                assert cell["main"] == ("240+" if minutes == 240 else f"{minutes}")
    assert any(cell["main"] == "240+" for row in shown["rows"] for cell in row["cells"])


def test_second_dives_stand_in_the_row_of_the_first(keel: TableSet) -> None:
    shown = page(keel, "After a dive")
    assert shown["columns"] == ["1 h", "1 h 30 min"]
    [second] = keel.second
    for cell, row, minutes in zip(keel.cells, shown["rows"], second.minutes, strict=True):
        assert row["head"] == f"{cell.depth_m:g} m, {cell.minutes} min"
        if cell.state == "go":
            assert [one["main"] for one in row["cells"]] == [f"{limit}" for limit in minutes]
        else:
            assert row["span"]
            assert row["cells"][0]["state"] == "no-go"
    assert {row["span"] for row in shown["rows"]} == {True, False}
    assert f"In a rested diver: {second.rested.minutes} min" in shown["reading"]


def test_a_table_covers_no_more_than_its_depth() -> None:
    """45 m are 147.6 ft: the cell is entered as far as 147 ft. 45.72 m are 150 ft."""
    assert depth_down(IMPERIAL, 45.0) == "147"
    assert depth_down(IMPERIAL, 45.72) == "150"
    assert depth_down(METRIC, 45.72) == "45.7"
    assert depth_down(METRIC, 45.0) == "45"


# --- No-gos -----------------------------------------------------------------------------------------------------------


def test_every_no_go_cell_says_so_on_every_table_with_its_reasons(keel: TableSet) -> None:
    for shown in matrices(keel, "")["pages"]:
        if shown["heading"] == "No-stop limits" or shown["heading"].startswith("After"):
            continue
        legend = {one["letter"]: one["text"] for one in shown["legend"]}
        for cell, of_cell in zip(keel.cells, [c for row in shown["rows"] for c in row["cells"]], strict=True):
            assert (of_cell["state"] == "no-go") == apart(KEEL, cell.depth_m, cell.minutes).no_go
            assert bool(of_cell["letters"]) == (of_cell["state"] == "no-go")
            assert all(letter in legend for letter in of_cell["letters"].split())
    assert {cell.state for cell in keel.cells} == {"go", "no-go"}


def test_no_go_is_on_the_slates_of_no_gos_alone_with_its_reason(keel: TableSet, printed: dict[str, Path]) -> None:
    cards = book(keel, "")["pages"]
    for card, text in zip(cards, text_of(printed["slates.pdf"]), strict=True):
        found = apart(KEEL, float(card["depth"]), int(card["time"]))
        # Across the slate and, with the reason, in its head.
        assert len(re.findall("NO-GO", text)) == 2 * found.no_go
        if found.no_go:
            why = next(headed(finding) for finding in found.findings if finding.severity == "no-go")
            assert f"NO-GO{why[0].upper()}{why[1:]}".replace(" ", "") in "".join(text.split())


def test_the_tables_say_no_go_in_words_not_by_shade(keel: TableSet, printed: dict[str, Path]) -> None:
    bad = sum(cell.state == "no-go" for cell in keel.cells)
    texts = text_of(printed["tables.pdf"])
    assert len(texts) == 7
    for text in texts[:5]:
        assert text.count("NO-GO") == bad
    assert texts[6].count("NO-GO") == bad


def test_a_cell_that_cannot_be_planned_says_why_on_its_slate_and_in_the_legend(tmp_path: Path) -> None:
    nitrox = {
        "units": "metric",
        "levels": [{"depth": 30, "leave_at": 15}],
        "cylinders": [cylinder("single", "32", "bottom")],
    }
    found = a_set(nitrox, depths=[30, 45], times=[15], parts=["slates", "times"])
    write_table_set(found, tmp_path)
    _, slate = text_of(tmp_path / "slates.pdf")
    # By hand: 0.32 × (1.013 + 45 × 0.1) = 1.76 bar; 1.6 / 0.32 - 1.013 = 3.99 bar, 39.9 m.
    assert "NOT PLANNED 32 % at 45 m is hyperoxic: ppO2 1.76 bar, its depth limit at 1.6 is 39.9 m" in slate
    assert "[[" not in slate
    [table] = text_of(tmp_path / "tables.pdf")
    assert "not planned a" in table
    assert "a not planned, no gas to breathe there" in table
    assert said_of(found) == "Of 2, 1 dive cannot be planned: their cells and slates say why."


# --- The book ---------------------------------------------------------------------------------------------------------


def test_the_book_goes_by_depth_and_then_by_time(keel: TableSet, printed: dict[str, Path]) -> None:
    texts = text_of(printed["slates.pdf"])
    heads = [re.search(r"(\d+) ?m (?:\d of \d )?(\d+) ?min", text) for text in texts]
    order = [(int(head[1]), int(head[2])) for head in heads if head]
    assert len(order) == len(texts)
    assert list(dict.fromkeys(order)) == [(round(cell.depth_m), cell.minutes) for cell in keel.cells]


def test_every_stop_and_the_gas_needed_are_on_the_slate(keel: TableSet, printed: dict[str, Path]) -> None:
    texts = by_cell(keel, printed["slates.pdf"])
    for cell in keel.cells:
        text, found = texts[cell.depth_m, cell.minutes], apart(KEEL, cell.depth_m, cell.minutes)
        for stop in found.schedule.stops:
            minutes = up(stop.leave_min - stop.arrive_min)
            assert f" {stop.depth_m:g} {minutes} {stop.leave_min:.0f} {stop.source.name}" in text
        assert f"Surface {up(found.schedule.run_time_min)}" in text
        assert f"TTS {up(found.schedule.tts_min)}" in text
        for use in found.supply:
            left = math.floor(use.left_bar + 1e-6)
            assert f"{use.name}, {use.mix.name} {up(use.used_l)} {left}" in text
        assert f"For dives to {cell.depth_m:g} m and {cell.minutes} min" in text


def test_a_loop_dive_has_its_bailout_on_the_slate_behind(loop: TableSet) -> None:
    cards = book(loop, "")["pages"]
    assert [bool(card["bailout"]) for card in cards] == [False, True] * len(loop.cells)
    for plain, bailout in zip(cards[::2], cards[1::2], strict=True):
        assert (plain["depth"], plain["time"]) == (bailout["depth"], bailout["time"])
        plan = apart(LOOP, float(plain["depth"]), int(plain["time"]))
        [found] = [one for one in plan.bailouts if one.scenario.level is not None]
        assert found.leaves_at_min == int(plain["time"])
        stops = [row for row in bailout["rows"] if row["kind"] == "stop"]
        assert [row["leave"] for row in stops] == [f"{stop.leave_min:.0f}" for stop in found.stops]
        assert bailout["bailout"] == ("BAILOUT" if found.holds else in_brief(found).upper())
        used = [(use.name, use.used_l) for one in plan.bailouts for use in one.breathed]
        most = [max(litres for of, litres in used if of == name) for name in dict.fromkeys(name for name, _ in used)]
        assert [line["needed"] for line in bailout["gas"]] == [f"{up(litres / FREE_CUBIC_FOOT_L)}" for litres in most]


LONG = {
    "title": "The Gull Stack, the deep ledge on its seaward side, in autumn",
    "units": "metric",
    "model": {"gradient_factors": [20, 70]},
    "stops": {"last": 6, "gas_switch": 2},
    "levels": [{"depth": 90, "leave_at": 35}],
    "cylinders": [
        cylinder("a twin set with a name of forty letters!", "12/61", "bottom", 60, 300),
        cylinder("travel", "18.5/45.5", "travel", 40),
        cylinder("stage 1", "35/25", "deco", 40),
        cylinder("stage 2, the long one on the left side", "50", "deco", 40),
        cylinder("stage 3", "50", "deco", 40),
        cylinder("stage 4", "80", "deco", 40),
        cylinder("oxygen left", "oxygen", "deco", 40),
        cylinder("oxygen right", "oxygen", "deco", 40),
    ],
}


def test_a_long_dive_on_eight_cylinders_keeps_to_its_paper(tmp_path: Path) -> None:
    found = a_set(LONG, depths=[81, 90, 99], times=[20, 30, 60], parts=["slates", "times", "stops", "gas"])
    assert max(plan.schedule.run_time_min for cell in found.cells if (plan := cell.plan_of(""))) > 300
    write_table_set(found, tmp_path)
    cards = book(found, "")["pages"]
    assert all(len(card["rows"]) <= ROWS_ON_A_CARD for card in cards)
    slates = text_of(tmp_path / "slates.pdf")
    assert len(slates) == len(cards)  # no slate has run over onto a page of its own
    for card, text in zip(cards, slates, strict=True):
        assert all(row["leave"] in text for row in card["rows"])
        assert "Analyse every gas." in text
    numbers = {line["text"].replace("\u00a0", " ") for cell in cells_of(found, "Gas") for line in cell["lines"]}
    paper = without_blanks(text_of(tmp_path / "tables.pdf"))
    assert len(numbers) > 40
    assert all("".join(number.split()) in paper for number in numbers)
    named = {
        one["letter"].replace("\u00a0", " "): one["text"].replace("\u200b", "") for one in page(found, "Gas")["legend"]
    }
    assert named["50 % #2"] == "stage 3"
    assert named["oxygen #1"] == "oxygen left"


def test_nothing_is_set_off_the_page(tmp_path: Path) -> None:
    """Where every run of text begins, in points from the left and the foot of the page."""
    found = a_set(
        LONG, depths={"from": 78, "to": 99, "step": 3}, times={"from": 15, "to": 60, "step": 5}, parts=["gas"]
    )
    write_table_set(found, tmp_path)
    reader = PdfReader(tmp_path / "tables.pdf")
    assert len(reader.pages) > 1  # too much for one page in legible type
    for one in reader.pages:
        places: list[tuple[float, float]] = []

        def seen(text: str, cm: list[float], tm: list[float], font: Any, size: float, places: Any = places) -> None:
            if text.strip():
                x, y = tm[4], tm[5]
                places.append((cm[0] * x + cm[2] * y + cm[4], cm[1] * x + cm[3] * y + cm[5]))

        one.extract_text(visitor_text=seen)
        wide, high = float(one.mediabox.width), float(one.mediabox.height)
        assert len(places) > 50
        assert all(0.0 < x < wide and 0.0 < y < high for x, y in places)


# --- Paper ------------------------------------------------------------------------------------------------------------


def test_the_paper_has_its_true_size(printed: dict[str, Path]) -> None:
    sizes = {"slates.pdf": (90.0, 130.0), "slates-a4.pdf": (210.0, 297.0), "tables.pdf": (297.0, 210.0)}
    assert list(printed) == list(sizes)
    for name, size in sizes.items():
        for one in PdfReader(printed[name]).pages:
            box = one.mediabox
            shown = float(box.width) * MILLIMETRES, float(box.height) * MILLIMETRES
            assert shown == pytest.approx(size, abs=0.01)


def test_four_slates_to_a_sheet_say_what_the_slates_say(keel: TableSet, printed: dict[str, Path]) -> None:
    single, four = text_of(printed["slates.pdf"]), text_of(printed["slates-a4.pdf"])
    assert len(four) == math.ceil(len(single) / 4)
    assert without_blanks(single) == without_blanks(four)


def test_only_the_shipped_typeface_is_used(printed: dict[str, Path]) -> None:
    for path in printed.values():
        for one in PdfReader(path).pages:
            fonts = one["/Resources"]["/Font"].values()  # type: ignore[index]
            assert all("SourceSansPro" in font.get_object()["/BaseFont"] for font in fonts)


def test_how_it_is_entered_and_the_cautions_are_on_every_table(printed: dict[str, Path]) -> None:
    texts = ["".join(text.split()) for text in text_of(printed["tables.pdf"])]
    for text in texts:
        assert "nottraining" in text
        assert "Nomodelisproof" in text
    for text in texts[:5]:
        assert "".join(ENTERED.split()) in text
    assert "Enteratthenextdeeperdepth" in texts[5]
    assert "nextshorterinterval" in texts[6]
    assert "notbubbles" in texts[6]


def test_a_cell_that_a_lesser_dive_asks_more_than_is_marked() -> None:
    """Which they are is compared with the independent planner in tests/sweep."""
    found = a_set(
        KEEL,
        depths={"from": 45, "to": 63, "step": 3},
        times={"from": 8, "to": 26, "step": 2},
        parts=["slates", "times"],
    )
    shown = page(found, "Run time")
    pluses = [cell["plus"] for row in shown["rows"] for cell in row["cells"]]
    assert pluses == [bool(cell.asked_more) for cell in found.cells]
    assert any(pluses)
    assert any(note.startswith("+ ") for note in shown["notes"])
    marked = next(cell for cell in found.cells if cell.asked_more)
    depth, minutes = marked.asked_more[0]
    card = next(
        card
        for card in book(found, "")["pages"]
        if (card["depth"], card["time"]) == (f"{marked.depth_m:g}", f"{marked.minutes}")
    )
    assert f"{depth:g} m, {minutes} min" in card["also"]
    assert "stay the longer" in card["also"]


TEAM = {**KEEL, "team": [{"name": "Ann", "gradient_factors": [30, 70]}, {"name": "Ben"}]}


def test_a_team_has_a_folder_for_every_diver(tmp_path: Path) -> None:
    found = a_set(TEAM, depths=[57], times=[20], parts=["slates", "times", "ndl"])
    paths = write_table_set(found, tmp_path / "new" / "folder")
    assert [path.relative_to(tmp_path / "new" / "folder").as_posix() for path in paths] == [
        f"{name}/{file}" for name in ("Ann", "Ben") for file in ("slates.pdf", "slates-a4.pdf", "tables.pdf")
    ]
    for name in ("Ann", "Ben"):
        folder = tmp_path / "new" / "folder" / name
        assert f"{name} · Marigold, keel" in text_of(folder / "slates.pdf")[0]
        assert "shortest, for the whole team" in text_of(folder / "tables.pdf")[1]
    assert book(found, "Ann")["pages"][0]["marks"] == book(found, "Ben")["pages"][0]["marks"]  # common stops


def test_nothing_is_half_written(keel: TableSet, tmp_path: Path) -> None:
    (tmp_path / "tables.pdf").mkdir()
    with pytest.raises(IsADirectoryError):
        write_table_set(keel, tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["tables.pdf"]


def test_the_same_set_gives_the_same_bytes(keel: TableSet, printed: dict[str, Path], tmp_path: Path) -> None:
    again = write_table_set(keel, tmp_path)
    assert [path.read_bytes() for path in again] == [path.read_bytes() for path in printed.values()]


def test_only_what_is_asked_for_is_written(tmp_path: Path) -> None:
    found = a_set(KEEL, depths=[60], times=[20], parts=["oxygen"])
    assert [path.name for path in write_table_set(found, tmp_path)] == ["tables.pdf"]
    assert len(text_of(tmp_path / "tables.pdf")) == 1
    assert found.second == ()
    assert found.no_stop == ()
