"""The sheets as they come out: size, completeness, the NO-GO, the caution, and never half a file."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader

from leadline.cautions import CAUTIONS, SHORT
from leadline.dive_file import parse_dive
from leadline.physics.mix import Mix
from leadline.plan import Plan, rows
from leadline.plan.gases import Source
from leadline.plan.team import Team, plan_team
from leadline.sheets import profile, schedules, write, write_sheets
from leadline.units import SYSTEMS, clock
from tests.dives import headed
from tests.sheets.paper import cylinder

MARKUP = "#panic() *x* $y$ <z> @w _v_ [u] \\ `t` // s"
SIZES_MM = {"slate.pdf": (90.0, 130.0), "wetnotes.pdf": (105.0, 148.0), "briefing.pdf": (210.0, 297.0)}

DEEP = {
    "title": "Harbour wall",
    "units": "metric",
    "levels": [{"depth": 60, "leave_at": 20}],
    "cylinders": [
        cylinder("Back gas", "18/45", "bottom", 36),
        cylinder("Stage", "50", "deco"),
        cylinder("Oxygen", "oxygen", "deco"),
    ],
}
LOOP = {
    "title": MARKUP,
    "units": "imperial",
    "levels": [{"depth": 150, "leave_at": 35}],
    "loop": {"diluent": "21/25", "setpoint": 1.3, "scrubber": 180},
    "cylinders": [cylinder(MARKUP[:40], "21/25", "bailout"), cylinder("shallow", "50", "bailout")],
}
LONG = {
    "title": "T" * 80,
    "units": "metric",
    "model": {"gradient_factors": [20, 70]},
    "levels": [{"depth": 75, "leave_at": 35}],
    "stops": {"last": 6, "gas_switch": 2, "oxygen_breaks": {"on": 12, "off": 5}},
    "cylinders": [
        cylinder("Back gas", "16/50", "bottom", 60, 300),
        cylinder("Stage", "50", "deco", 40),
        cylinder("Oxygen", "oxygen", "deco", 40),
    ],
}
SHORT_OF_GAS = {**DEEP, "cylinders": [cylinder("Back gas", "18/45", "bottom", 7), *DEEP["cylinders"][1:]]}  # type: ignore[misc]
NO_STOPS = {
    "units": "metric",
    "levels": [{"depth": 18, "leave_at": 20}],
    "cylinders": [cylinder("Single", "air", "bottom", 15)],
}
LEVELS = {
    "units": "imperial",
    "levels": [{"depth": 130, "leave_at": 30}, {"depth": 70, "leave_at": 70}],
    "cylinders": [cylinder("Back gas", "25/25", "bottom", 60), cylinder("Oxygen", "oxygen", "deco")],
}
DIVES = {
    "deep": DEEP, "loop": LOOP, "long": LONG, "short of gas": SHORT_OF_GAS, "no stops": NO_STOPS, "levels": LEVELS,
}  # fmt: skip


@pytest.fixture(scope="module")
def teams() -> dict[str, Team]:
    """Teams of one."""
    return {name: plan_team(parse_dive(given)) for name, given in DIVES.items()}


@pytest.fixture(scope="module")
def plans(teams: dict[str, Team]) -> dict[str, Plan]:
    return {name: team.members[0].plan for name, team in teams.items()}


@pytest.fixture(scope="module")
def pages(teams: dict[str, Team], tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, str], list[str]]:
    """The text of every page, by dive and sheet, every run of white space one blank."""
    found = {}
    for name, team in teams.items():
        for path in write_sheets(team, tmp_path_factory.mktemp("sheets") / "of" / name):
            reader = PdfReader(path)
            found[name, path.name] = [" ".join(page.extract_text().split()) for page in reader.pages]
    return found


def test_the_dives_of_these_tests_are_what_they_are_named(plans: dict[str, Plan]) -> None:
    assert [name for name, planned in plans.items() if planned.no_go] == ["long", "short of gas"]
    assert len(plans["long"].schedule.stops) >= 25
    assert not plans["no stops"].schedule.stops
    assert [bailout.holds for bailout in plans["loop"].bailouts] == [True, True]


@pytest.mark.parametrize("name", DIVES)
def test_every_page_has_its_true_size(teams: dict[str, Team], tmp_path: Path, name: str) -> None:
    paths = write_sheets(teams[name], tmp_path)
    assert [path.name for path in paths] == list(SIZES_MM)
    for path in paths:
        for page in PdfReader(path).pages:
            box = page.mediabox
            assert (float(box.width) * 25.4 / 72, float(box.height) * 25.4 / 72) == pytest.approx(
                SIZES_MM[path.name], abs=0.01
            )


def test_only_the_shipped_typeface_is_used(teams: dict[str, Team], tmp_path: Path) -> None:
    for path in write_sheets(teams["loop"], tmp_path):
        for page in PdfReader(path).pages:
            fonts = page["/Resources"]["/Font"].values()  # type: ignore[index]
            assert all("SourceSansPro" in font.get_object()["/BaseFont"] for font in fonts)


@pytest.mark.parametrize("name", DIVES)
@pytest.mark.parametrize("sheet", SIZES_MM)
def test_every_stop_is_on_paper(
    plans: dict[str, Plan], pages: dict[tuple[str, str], list[str]], name: str, sheet: str
) -> None:
    planned = plans[name]
    system = SYSTEMS[planned.dive.units]
    text = " ".join(pages[name, sheet])
    for stop in planned.schedule.stops:
        depth, leave = system.depth(stop.depth_m), f"{stop.leave_min:.0f}"
        if sheet == "slate.pdf":
            expected = f" {depth} {stop.minutes} {leave} {stop.source.name}"
        else:
            expected = f" {depth} {stop.minutes} {stop.leave_min - stop.minutes:.0f} {leave} "
        assert expected in text
    assert f"Surface {schedules.up(planned.schedule.run_time_min)}" in text


@pytest.mark.parametrize("name", DIVES)
@pytest.mark.parametrize("sheet", SIZES_MM)
def test_no_go_is_across_every_page_or_none(
    plans: dict[str, Plan], pages: dict[tuple[str, str], list[str]], name: str, sheet: str
) -> None:
    for page in pages[name, sheet]:
        assert ("NO-GO" in page) == plans[name].no_go
        if plans[name].no_go:
            assert page.count("NO-GO") >= 2, "across the page, and with the reason"
            why = headed(plans[name].findings[0], plans[name].dive.units)
            assert why[0].upper() + why[1:] in page


@pytest.mark.parametrize("name", DIVES)
@pytest.mark.parametrize("sheet", SIZES_MM)
def test_the_caution_is_on_every_page(pages: dict[tuple[str, str], list[str]], name: str, sheet: str) -> None:
    for page in pages[name, sheet]:
        assert SHORT in page
        if sheet == "briefing.pdf":
            assert all(caution in page for caution in CAUTIONS)


@pytest.mark.parametrize("name", DIVES)
def test_a_briefing_is_two_pages_the_dive_on_the_first(pages: dict[tuple[str, str], list[str]], name: str) -> None:
    first, second = pages[name, "briefing.pdf"]
    assert all(words in first for words in ("Schedule", "Gases", "Supply", "Oxygen"))
    assert all(words in second for words in ("Who carries what", "What if"))


def test_a_long_slate_goes_on_on_further_pages(pages: dict[tuple[str, str], list[str]]) -> None:
    found = pages["long", "slate.pdf"]
    assert ["PLAN" in page for page in found] == [True] * 3 + [False] * (len(found) - 3)
    assert all(f"PLAN {i} of 3" in page for i, page in enumerate(found[:3], 1))
    assert ["more on the next page" in page for page in found[:3]] == [True, True, False]


def test_the_bailout_has_its_own_page(plans: dict[str, Plan], pages: dict[tuple[str, str], list[str]]) -> None:
    bailout = plans["loop"].longest_bailout
    assert bailout is not None
    page = next(page for page in pages["loop", "slate.pdf"] if "FROM 150 ft" in page)
    assert "BAILOUT" in page
    assert f"at 35 TTS {schedules.up(bailout.tts_min)}" in page
    for stop in bailout.stops:
        depth = SYSTEMS["imperial"].depth(stop.depth_m)
        assert f" {depth} {stop.minutes} {stop.leave_min:.0f} {stop.source.name}" in page
    assert "Leave the loop at run time 35, 150 ft" in page
    assert not any(mark in page for mark in ("RUNS OUT", "NO GAS", "NOT MET"))
    assert "BAILOUT" not in " ".join(pages["deep", "slate.pdf"])
    assert any("Bailout supply" in page for page in pages["loop", "wetnotes.pdf"])


def test_what_looks_like_markup_is_printed_as_it_is(pages: dict[tuple[str, str], list[str]]) -> None:
    for sheet in SIZES_MM:
        assert all(MARKUP in page for page in pages["loop", sheet][:1])
    assert MARKUP[:40] in " ".join(pages["loop", "briefing.pdf"])


def test_a_dive_without_stops_says_so(pages: dict[tuple[str, str], list[str]]) -> None:
    assert all("No stops" in pages["no stops", sheet][0] for sheet in SIZES_MM)


def test_tts_is_marked_towards_the_end_of_the_last_level(plans: dict[str, Plan]) -> None:
    marks = schedules.tts_marks(plans["deep"])
    assert [mark["at"] for mark in marks] == ["10", "15", "20"]
    assert marks[-1]["tts"] == schedules.up(plans["deep"].schedule.tts_min)
    assert [mark["at"] for mark in schedules.tts_marks(plans["levels"])] == ["30", "60", "65", "70"]


def test_gas_changes_carry_the_gas_and_its_mod(pages: dict[tuple[str, str], list[str]]) -> None:
    # Without blanks: readers of PDFs differ in where they see them.
    slate = pages["deep", "slate.pdf"][0].replace(" ", "")
    assert "50%MOD1.621m" in slate  # MOD 1.6: 21 m
    assert "oxygenMOD1.616m" in slate  # 1.61: within the tolerance of 1.6
    assert "oxygenMOD1.6220ft" in pages["levels", "slate.pdf"][0].replace(" ", "")


def test_tts_of_a_level_before_the_last_is_from_that_level(plans: dict[str, Plan]) -> None:
    planned = plans["levels"]
    start, first = schedules.planned_rows(planned)[:2]
    assert (start.kind, start.depth, start.leave, start.tts) == ("start", "0", "0", "")
    assert (first.depth, first.leave) == ("130", "30")
    assert first.tts == schedules.up(float(planned.schedule.track.at(30.0)["tts_min"]))
    assert int(first.tts) < planned.schedule.run_time_min - 30


def test_rounding_is_the_divers() -> None:
    assert [schedules.up(minutes) for minutes in (4.0, 4.0000000001, 4.2)] == ["4", "4", "5"]
    assert [clock(minutes) for minutes in (3.9999999999, 4.0, 4.9, 25 + 2 / 3)] == ["4", "4", "4:54", "25:40"]


@pytest.mark.parametrize(
    ("kind", "shown"),
    [
        ("level", "4:36"),
        ("leave", "4:36"),
        ("take", "4"),
        ("give", "4"),
        ("change", "5"),
        ("stop", "5"),
        ("surface", "5"),
    ],
)
def test_a_plan_is_never_left_nor_a_cylinder_handed_over_later_than_planned(kind: Any, shown: str) -> None:
    """On terminal, page and paper alike: 4.6 min is 4:36 where the plan is left, 4 where gas is
    handed over, else 5."""
    row = rows.Row(kind, 21.0, None, 4.6, 4.6, None, Source(Mix.parse("50")), False)
    assert rows.leave(row) == shown


def test_the_depths_where_a_tick_step_is_round() -> None:
    assert [profile.tick_step(span, 8) for span in (6, 16, 63, 100, 350)] == [1, 2, 10, 20, 50]


def test_long_names_can_break_and_short_ones_are_left_alone() -> None:
    assert schedules.breakable("Back gas twin 12") == "Back gas twin 12"
    assert schedules.breakable("x" * 30).replace("\u200b", "") == "x" * 30
    assert max(map(len, schedules.breakable("x" * 30).split("\u200b"))) == 10


@pytest.mark.parametrize("name", DIVES)
def test_labels_of_the_profile_are_on_it_and_apart(plans: dict[str, Plan], name: str) -> None:
    drawn = profile.draw_profile(plans[name], 172.0, 84.0)
    for x, y in [point for line in drawn["lines"] for point in line["points"]] + drawn["ceiling"]:
        assert 0.0 <= x <= drawn["width"]
        assert 0.0 <= y <= drawn["height"]
    places = [(label["x"], label["y"]) for label in drawn["stops"] + drawn["gases"]]
    assert len(places) == len(set(places))


@pytest.mark.parametrize("name", DIVES)
def test_the_same_plan_gives_the_same_bytes(teams: dict[str, Team], tmp_path: Path, name: str) -> None:
    one = [path.read_bytes() for path in write_sheets(teams[name], tmp_path / "one")]
    other = [path.read_bytes() for path in write_sheets(plan_team(parse_dive(DIVES[name])), tmp_path / "other")]
    assert one == other


def test_sheets_are_replaced_and_nothing_else_is_left(teams: dict[str, Team], tmp_path: Path) -> None:
    write_sheets(teams["deep"], tmp_path)
    before = (tmp_path / "slate.pdf").read_bytes()
    write_sheets(teams["loop"], tmp_path)
    assert (tmp_path / "slate.pdf").read_bytes() != before
    assert sorted(os.listdir(tmp_path)) == sorted(SIZES_MM)


def test_a_directory_that_is_a_file_is_an_oserror(teams: dict[str, Team], tmp_path: Path) -> None:
    (tmp_path / "file").write_text("kept")
    with pytest.raises(OSError, match="file"):
        write_sheets(teams["deep"], tmp_path / "file")
    assert (tmp_path / "file").read_text() == "kept"


def test_a_sheet_in_the_way_that_is_a_directory_stops_all(teams: dict[str, Team], tmp_path: Path) -> None:
    (tmp_path / "briefing.pdf").mkdir()
    with pytest.raises(IsADirectoryError):
        write_sheets(teams["deep"], tmp_path)
    assert os.listdir(tmp_path) == ["briefing.pdf"]


def test_a_disk_that_fails_leaves_the_old_sheets(
    teams: dict[str, Team], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    old = [path.read_bytes() for path in write_sheets(teams["deep"], tmp_path)]
    opened = Path.open

    def full(self: Path, *args: Any, **more: Any) -> Any:
        if "briefing" in self.name:
            raise OSError(28, "No space left on device")
        return opened(self, *args, **more)

    with monkeypatch.context() as patched:
        patched.setattr(Path, "open", full)
        with pytest.raises(OSError, match="No space"):
            write_sheets(teams["loop"], tmp_path)
    assert [(tmp_path / name).read_bytes() for name in SIZES_MM] == old
    assert sorted(os.listdir(tmp_path)) == sorted(SIZES_MM)


def test_a_sheet_that_cannot_be_set_leaves_the_old_sheets(
    teams: dict[str, Team], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    old = [path.read_bytes() for path in write_sheets(teams["deep"], tmp_path)]
    monkeypatch.setitem(write.SHEETS, "briefing.pdf", lambda team, member: {"title": "nothing else"})
    with pytest.raises(RuntimeError):
        write_sheets(teams["loop"], tmp_path)
    assert [(tmp_path / name).read_bytes() for name in SIZES_MM] == old
    assert sorted(os.listdir(tmp_path)) == sorted(SIZES_MM)


def test_the_templates_are_data_driven(teams: dict[str, Team]) -> None:
    for text in write.SHEETS.values():
        assert json.loads(json.dumps(text(teams["loop"], teams["loop"].members[0])))


@pytest.mark.parametrize(
    ("name", "beyond"),
    [("Åsa Żółć", False), ("Αριάδνη Ольга", False), ("60 m → 21 m, “½” ≤ 1.6", False), ("ベン", True), ("😀", True)],
)
def test_letters_that_the_own_font_lacks_are_set_in_one_of_the_machines(
    monkeypatch: pytest.MonkeyPatch, name: str, beyond: bool
) -> None:
    asked: list[dict[str, Any]] = []
    monkeypatch.setattr(write.typst, "compile", lambda *_, **options: asked.append(options))
    write.typeset("slate", {"title": name})
    assert [options["ignore_system_fonts"] for options in asked] == [not beyond]
