"""A page for every bailout: the level in large type, its rows or that there is no gas to breathe, TTS at its times."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Any

import pytest

from leadline.dive_file import parse_dive
from leadline.plan.gases import Gap
from leadline.plan.planned import Plan
from leadline.plan.team import Team, plan_team
from leadline.sheets import content, schedules, write_sheets
from tests.dives import timer
from tests.sheets.paper import cylinder, text_of, without_blanks

TWO_LEVELS: dict[str, Any] = {
    "title": "Marigold, bow then bridge",
    "units": "metric",
    "levels": [{"depth": 70, "leave_at": 15}, {"depth": 45, "leave_at": 35}],
    "loop": {"diluent": "12/55", "setpoint": 1.3, "scrubber": 180},
    "cylinders": [
        cylinder("diluent", "12/55", "diluent", 3, 200),
        cylinder("oxygen", "oxygen", "oxygen", 3, 200),
        cylinder("deep bailout", "25/25", "bailout", 24, 230),
        cylinder("shallow bailout", "50", "bailout", 24, 200),
    ],
}
FIT = {
    **TWO_LEVELS,
    "cylinders": [
        *TWO_LEVELS["cylinders"][:2],
        cylinder("deep bailout", "16/50", "bailout", 30, 230),
        cylinder("shallow bailout", "50", "bailout", 30, 230),
    ],
}


@pytest.fixture(scope="module")
def teams() -> dict[str, Team]:
    return {"unfit": plan_team(parse_dive(TWO_LEVELS)), "fit": plan_team(parse_dive(FIT))}


@pytest.fixture(scope="module")
def pages(teams: dict[str, Team], tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, str], list[str]]:
    return {
        (name, path.stem): text_of(path)
        for name, team in teams.items()
        for path in write_sheets(team, tmp_path_factory.mktemp(name))
    }


def planned(teams: dict[str, Team], name: str) -> Plan:
    return teams[name].members[0].plan


def test_every_level_has_a_bailout_and_the_deep_one_is_breathed_from_its_mod(teams: dict[str, Team]) -> None:
    """By hand: 25 % at 1.6 bar is 6.4 bar, 53.8 m of water of 1019.7 kg/m³ at 1.01325 bar: in whole metres 54 m with
    the rounding of 0.01 bar that limits of ppO2 have."""
    unfit, fit = (planned(teams, name).bailouts for name in ("unfit", "fit"))
    assert [(found.leaves_at_min, found.depth_m) for found in unfit] == [(15.0, 70.0), (35.0, 45.0)]
    assert [(found.leaves_at_min, found.depth_m) for found in fit][:2] == [(15.0, 70.0), (35.0, 45.0)]
    assert unfit[0].no_gas is not None
    assert unfit[0].no_gas.gap == Gap(70.0, 54.0)
    assert all(found.legs for found in (unfit[1], *fit))


def test_the_page_of_a_level_that_cannot_be_left_has_no_row_and_no_time(
    teams: dict[str, Team], pages: dict[tuple[str, str], list[str]]
) -> None:
    team = teams["unfit"]
    deep, shallow = [
        page for page in content.slate(team, team.members[0])["pages"] if page.get("heading") == "Bailout"
    ]  # fmt: skip
    assert (deep["level"], deep["rows"], deep["marks"], deep["more"]) == ("70 m", [], [], "")
    assert shallow["level"] == "45 m"
    assert [row["kind"] for row in shallow["rows"]][:2] == ["level", "stop"]
    [printed] = [page for page in pages["unfit", "slate"] if "FROM 70 m" in page]
    assert "NO GAS TO BREATHE FROM 70 M TO 54 M" in printed
    # 16 m at 9 m/min are 1.8 min; of the diluent there is a cylinder, without a second stage on it.
    assert "2 min at the ascent rate. Left to try: the loop, flushed with diluent or semi-closed (" in printed
    assert not any(words in printed for words in ("leave at", "TTS", "Surface", "sort out"))
    [printed] = [page for page in pages["unfit", "slate"] if "FROM 45 m" in page]
    assert "NO GAS" not in printed.replace("NO-GO No gas to breathe", "")


@pytest.mark.parametrize("sheet", ["slate", "wetnotes"])
@pytest.mark.parametrize("name", ["unfit", "fit"])
def test_every_bailout_has_a_page_with_its_level(
    teams: dict[str, Team], pages: dict[tuple[str, str], list[str]], name: str, sheet: str
) -> None:
    for found in planned(teams, name).bailouts:
        headed = [page for page in pages[name, sheet] if f"FROM {found.depth_m:.0f} m" in page]
        assert headed
        at_min = timer(found.leaves_at_min or 0.0)
        of_it = [page for page in headed if f"Leave the loop at run time {at_min}, {found.depth_m:.0f} m" in page]
        assert of_it
        rows = without_blanks(pages[name, sheet])
        for stop in found.stops:
            minutes = f"{stop.minutes}" if sheet == "slate" else f"{stop.minutes}{stop.leave_min - stop.minutes:.0f}"
            assert f"{stop.depth_m:.0f}{minutes}{stop.leave_min:.0f}" in rows


def test_tts_is_marked_at_the_times_of_the_level_that_is_left(teams: dict[str, Team]) -> None:
    """Of level 1 its end; of level 2 ten and five minutes before its end, and its end."""
    plan = planned(teams, "fit")
    marked = {round(at_min): math.ceil(tts_min - 1e-6) for at_min, tts_min in plan.bailout_tts}
    assert list(marked) == [15, 25, 30, 35]
    first, last = plan.bailouts[0], plan.bailouts[1]
    assert (marked[15], marked[35]) == (math.ceil(first.tts_min - 1e-6), math.ceil(last.tts_min - 1e-6))
    assert marked[25] < marked[30] < marked[35]
    assert schedules.bailout_marks(plan, first) == [{"at": "15", "tts": f"{marked[15]}"}]
    assert schedules.bailout_marks(plan, last) == [{"at": f"{at}", "tts": f"{marked[at]}"} for at in (25, 30, 35)]
    assert [round(at_min) for at_min, _ in planned(teams, "unfit").bailout_tts] == [25, 30, 35]


def test_the_briefing_has_several_bailouts_on_its_second_page(
    teams: dict[str, Team], pages: dict[tuple[str, str], list[str]]
) -> None:
    assert len(pages["unfit", "briefing"]) == 2
    for name in teams:
        first, second, *_ = pages[name, "briefing"]
        assert "Oxygen CNS" in first
        for found in planned(teams, name).bailouts:
            assert f"{found.name[0].upper()}{found.name[1:]}" in second


# --- The verdict ------------------------------------------------------------------------------------------------------


def test_the_gravest_caution_is_across_the_verdict_of_every_page(tmp_path: Path) -> None:
    """Air at 55 m is about 8 g/L, over the published 6.2: no no-go by itself, but never without being said."""
    dive = {
        "title": "Gull Stack, air to the sand",
        "units": "metric",
        "limits": {"ppo2_bottom": 1.6},
        "levels": [{"depth": 55, "leave_at": 12}],
        "cylinders": [cylinder("twin set", "air", "bottom", 30, 230), cylinder("stage", "50", "deco", 11, 200)],
    }
    team = plan_team(parse_dive(dive))
    assert not team.no_go
    assert [finding.code for finding in team.findings if finding.grave] == ["density"]
    for path in write_sheets(team, tmp_path):
        for page in text_of(path):
            assert re.search(r"CAUTION Gas density 8\.\d g/L at 55 m, over 6\.2", page)
            assert "NO-GO" not in page
    assert "Can be dived as planned" in text_of(tmp_path / "briefing.pdf")[0]
