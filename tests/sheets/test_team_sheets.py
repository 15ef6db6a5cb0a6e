"""One set of sheets for every diver: folders, names, the no-go of one on the sheets of all, all written or none."""

from __future__ import annotations

import math
import os
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from leadline.dive_file import parse_dive
from leadline.plan.findings import Finding
from leadline.plan.team import Handover, Member, Team, TeamBailout, plan_team
from leadline.sheets import content, what_ifs, write, write_sheets
from leadline.units import METRIC
from tests.dives import sentence, timer
from tests.sheets.paper import KEEL, cylinder, text_of, without_blanks

SHEETS = ["slate.pdf", "wetnotes.pdf", "briefing.pdf"]
LOOPS: dict[str, Any] = {
    "title": "Marigold, keel",
    "units": "metric",
    "levels": [{"depth": 60, "leave_at": 20}],
    "loop": {"diluent": "18/45", "setpoint": 1.3},
    "gas": {"team_bailout": True},
    "cylinders": [
        cylinder("diluent", "18/45", "diluent", 3, 230),
        cylinder("oxygen", "oxygen", "oxygen", 3, 200),
        cylinder("deep bailout", "18/45", "bailout", 12, 230),
        cylinder("shallow bailout", "50", "bailout", 7, 200),
    ],
    "team": [
        {"name": "Mira", "gradient_factors": [30, 75], "rmv_bottom": 17},
        {"name": "Jonne", "rmv_bottom": 22},
        {"name": "Anke"},
    ],
}


@pytest.fixture(scope="module")
def alone() -> Team:
    return plan_team(parse_dive(KEEL))


@pytest.fixture(scope="module")
def loops() -> Team:
    return plan_team(parse_dive(LOOPS))


@pytest.fixture(scope="module")
def pages(loops: Team, tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, str], list[str]]:
    paths = write_sheets(loops, tmp_path_factory.mktemp("team"))
    return {(path.parent.name, path.stem): text_of(path) for path in paths}


def named(team: Team, *names: str) -> Team:
    """A team of divers who all have the same plan."""
    [member] = team.members
    return replace(team, members=tuple(replace(member, name=name) for name in names))


def clock(run_time_min: float) -> int:
    """The whole minute that a clock shows."""
    return math.floor(run_time_min + 1e-6)


def everything(directory: Path) -> dict[str, bytes]:
    return {str(p.relative_to(directory)): p.read_bytes() for p in sorted(directory.rglob("*")) if p.is_file()}


def test_a_diver_without_a_name_has_the_sheets_in_the_directory(alone: Team, tmp_path: Path) -> None:
    assert [path.relative_to(tmp_path).as_posix() for path in write_sheets(alone, tmp_path)] == SHEETS


def test_every_named_diver_has_a_folder(alone: Team, tmp_path: Path) -> None:
    paths = write_sheets(named(alone, "Mira", "Jonne"), tmp_path / "new" / "sheets")
    found = [path.relative_to(tmp_path / "new" / "sheets").as_posix() for path in paths]
    assert found == [f"{diver}/{sheet}" for diver in ("Mira", "Jonne") for sheet in SHEETS]
    assert sorted(everything(tmp_path / "new" / "sheets")) == sorted(found)


@pytest.mark.parametrize(
    ("names", "folders"),
    [
        (["Åsa Öst"], ["Åsa-Öst"]),
        (["../../etc", "/", ".", "..", "CON"], ["etc", "diver", "diver-2", "diver-3", "diver-CON"]),
        (["Mira B", "mira-b", "Mira/B", "Mira b 2"], ["Mira-B", "mira-b-2", "Mira-B-3", "Mira-b-2-2"]),
        (['a\\b:c*?<>|"d'], ["a-b-c-d"]),
        (["e\u0301", "é"], ["é", "é-2"]),
    ],
)
def test_names_made_into_folders_are_safe_and_distinct(alone: Team, names: list[str], folders: list[str]) -> None:
    assert write.folder_names(named(alone, *names)) == folders


def test_the_divers_name_heads_every_page_of_his_sheets_and_no_other(
    loops: Team, pages: dict[tuple[str, str], list[str]]
) -> None:
    divers = [member.name for member in loops.members]
    assert sorted({diver for diver, _ in pages}) == sorted(divers)
    for (diver, _), of_one in pages.items():
        for page in of_one:
            assert f"{diver} · Marigold, keel" in page
            assert not any(f"{other} · Marigold" in page for other in divers if other != diver)


def test_every_diver_has_his_own_numbers(loops: Team, pages: dict[tuple[str, str], list[str]]) -> None:
    for member in loops.members:
        low, high = member.plan.dive.model.gradient_factors
        assert f"GF {low:g}/{high:g}" in pages[member.name, "wetnotes"][0]
        slate = without_blanks(pages[member.name, "slate"])
        stops = [stop for bailout in member.plan.bailouts for stop in bailout.stops]
        assert stops
        for stop in stops:
            assert f"{stop.depth_m:.0f}{stop.minutes}{stop.leave_min:.0f}{stop.source.name.replace(' ', '')}" in slate


def test_the_team_is_on_every_briefing(loops: Team, pages: dict[tuple[str, str], list[str]]) -> None:
    assert loops.bailouts
    assert loops.demanding == "Mira"
    for member in loops.members:
        text = " ".join(pages[member.name, "briefing"])
        assert "Mira's rules are the most demanding" in text
        assert "Mira 30/75 17 / 16 / 26 / 17 loop 1.3, diluent 18/45" in text
        assert "Jonne 40/80 22 / 16 / 33 / 22 loop 1.3, diluent 18/45" in text
        for bailout in loops.bailouts:
            left_at = timer(bailout.contingency.leaves_at_min or 0.0)
            at = METRIC.at(bailout.contingency.depth_m or 0.0)
            assert f"{bailout.diver}: Leave the loop at run time {left_at}, {at}" in text
            # Under the bailout it is of, and no other: what is taken from 60 m is not what is taken from 21 m.
            begins = text.index(f"{bailout.diver}: Leave the loop at run time {left_at}, {at}. Run time")
            ends = re.compile(r" \w+: Leave the loop| What each must carry").search(text, begins + 1)
            assert ends
            gives = [
                f"{one.giver} gives {one.cylinder} ({one.mix.name}) at {clock(one.run_time_min)} min, "
                f"{METRIC.at(one.depth_m)}: {math.ceil(one.litres)} L."
                for one in bailout.handovers
            ]
            assert text[begins : ends.start()].endswith(" ".join(gives) or "On the diver's own cylinders.")
            assert text[begins : ends.start()].count(" gives ") == len(gives)


@pytest.mark.parametrize("sheet", ["slate", "wetnotes", "briefing"])
def test_a_handover_is_a_row_on_the_sheets_of_who_takes_and_of_who_gives(
    loops: Team, pages: dict[tuple[str, str], list[str]], sheet: str
) -> None:
    handovers = [(bailout.diver, given) for bailout in loops.bailouts for given in bailout.handovers]
    assert handovers
    for taker, given in handovers:
        what = f"{given.mix.name} ({given.cylinder})"
        takes, gives = f"TAKE {given.giver.upper()}'S {what}", f"GIVE {taker.upper()} YOUR {what}"
        depth, at = f"{given.depth_m:.0f}", f"{clock(given.run_time_min)}"
        for diver, words in ((taker, takes), (given.giver, gives)):
            row = f"{depth} m at {at}: {words}" if sheet == "briefing" else f"{depth} {words} at {at}"
            assert "".join(row.split()) in without_blanks(pages[diver, sheet])
        if sheet != "briefing":
            assert f"{taker}: " in " ".join(pages[given.giver, sheet])
            assert "You stay on your loop." in " ".join(pages[given.giver, sheet])


def test_a_handover_as_it_is_given(alone: Team, tmp_path: Path) -> None:
    # By hand: 1234.2 free litres are asked of the stage from run time 41, at 12 m.
    team = named(alone, "Mira", "Jonne")
    [left] = [use for use in team.members[0].plan.supply if use.name == "left stage"]
    given = Handover("Jonne", "Mira", "left stage", left.mix, 41.0, 12.0, 1234.2)
    lost = next(one for one in team.members[0].plan.contingencies if one.kind == "mate out of gas")
    write_sheets(replace(team, bailouts=(TeamBailout("Mira", lost, (given,)),)), tmp_path)
    for diver in ("Mira", "Jonne"):
        text = " ".join(text_of(tmp_path / diver / "briefing.pdf"))
        assert "Jonne gives left stage (50 %) at 41 min, 12 m: 1235 L" in text


def test_divers_who_carry_the_same_are_told_together(
    pages: dict[tuple[str, str], list[str]], alone: Team, tmp_path: Path
) -> None:
    assert "Mira, Jonne, Anke" in " ".join(pages["Mira", "briefing"])
    mira, jonne = named(alone, "Mira", "Jonne").members
    other = plan_team(parse_dive({**KEEL, "cylinders": [*KEEL["cylinders"], cylinder("suit", "air", "inflation", 2)]}))
    jonne = replace(jonne, plan=other.members[0].plan)
    write_sheets(replace(alone, members=(mira, jonne)), tmp_path)
    text = " ".join(text_of(tmp_path / "Mira" / "briefing.pdf"))
    assert "Mira, Jonne" not in text
    assert "suit air 2 L" in text


def short(diver: str, cylinder: str) -> Finding:
    """A cylinder that runs out."""
    values = {"diver": diver, "cylinder": cylinder, "mix": "18/45", "short_l": 400.0, "content_l": 600.0}
    return Finding("gas-short", "no-go", values, diver=diver)


def test_a_no_go_of_one_diver_is_on_the_sheets_of_all(alone: Team, tmp_path: Path) -> None:
    team = named(alone, "Mira", "Jonne")
    team = replace(team, findings=(short("Jonne", "twin set"), *team.findings))
    assert team.no_go
    assert not team.members[0].plan.no_go
    for path in write_sheets(team, tmp_path):
        for page in text_of(path):
            assert page.count("NO-GO") >= 2
            whose = "Twin set" if path.parent.name == "Jonne" else "Jonne: twin set"
            assert f"{whose} runs out" in page


def test_a_diver_reads_his_own_findings_the_teams_and_every_no_go(alone: Team) -> None:
    def finding(code: str, severity: Any, **values: float | str) -> Finding:
        return Finding(code, severity, values, diver=str(values.get("diver", "")))

    findings = (
        finding("hers", "caution", diver="Mira"),
        finding("his", "caution", diver="Jonne"),
        finding("grave", "no-go", diver="Jonne"),
        finding("all", "note", diver="Everyone"),
        finding("team", "note", diver="Jonne"),
        finding("nobody's", "note"),
    )
    team = replace(named(alone, "Mira", "Jonne"), findings=findings)
    told = [found.code for found in content.said_to(team, team.members[0])]
    assert told == ["grave", "hers", "all", "team", "nobody's"]


def test_the_banner_says_the_divers_own_reason_first_and_whose_another_is(alone: Team) -> None:
    """All reasons counted; a no-go that only the team's findings have of a diver is on that diver's own sheet too."""
    team = replace(
        named(alone, "Mira", "Jonne", "Anke"),
        findings=(short("Jonne", "stage"), short("Mira", "twin set")),
    )
    banners = [content.common(team, member)["no_go"] for member in team.members]
    assert banners == [
        "Twin set runs out, and 1 more reason",
        "Stage runs out, and 1 more reason",
        "Jonne: stage runs out, and 1 more reason",
    ]
    assert [sentence(found) for found in content.said_to(team, team.members[0])] == [
        "twin set (18/45) runs out, 400 L short.",
        "Jonne: stage (18/45) runs out, 400 L short.",
    ]


# --- All or none ------------------------------------------------------------------------------------------------------


def test_a_folder_that_cannot_be_made_leaves_nothing(alone: Team, tmp_path: Path) -> None:
    (tmp_path / "Jonne").write_text("kept")
    with pytest.raises(OSError, match="Jonne"):
        write_sheets(named(alone, "Mira", "Jonne"), tmp_path)
    assert everything(tmp_path) == {"Jonne": b"kept"}
    assert os.listdir(tmp_path) == ["Jonne"]


def test_a_folder_that_cannot_be_written_leaves_every_old_sheet(
    alone: Team, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_sheets(named(alone, "Mira"), tmp_path)
    before = everything(tmp_path)
    opened = Path.open

    def refused(self: Path, *args: Any, **more: Any) -> Any:
        if self.parent.name == "Jonne":
            raise PermissionError(13, "Permission denied", str(self))
        return opened(self, *args, **more)

    longer = plan_team(parse_dive({**KEEL, "title": "Another title"}))
    with monkeypatch.context() as patched:
        patched.setattr(Path, "open", refused)
        with pytest.raises(PermissionError):
            write_sheets(named(longer, "Mira", "Jonne", "Anke"), tmp_path)
    assert everything(tmp_path) == before
    assert os.listdir(tmp_path) == ["Mira"]
    write_sheets(named(longer, "Mira", "Jonne", "Anke"), tmp_path)
    assert everything(tmp_path)["Mira/slate.pdf"] != before["Mira/slate.pdf"]


def test_a_folder_in_the_way_of_a_sheet_stops_all(alone: Team, tmp_path: Path) -> None:
    (tmp_path / "Jonne" / "slate.pdf").mkdir(parents=True)
    with pytest.raises(IsADirectoryError):
        write_sheets(named(alone, "Mira", "Jonne"), tmp_path)
    assert os.listdir(tmp_path) == ["Jonne"]
    assert everything(tmp_path) == {}


def test_the_same_team_gives_the_same_bytes(alone: Team, tmp_path: Path) -> None:
    team = named(alone, "Mira", "Jonne")
    write_sheets(team, tmp_path / "one")
    write_sheets(team, tmp_path / "other")
    assert everything(tmp_path / "one") == everything(tmp_path / "other")


def test_a_diver_alone_has_no_team_on_the_briefing(alone: Team) -> None:
    member: Member = alone.members[0]
    assert content.briefing(alone, member)["team"] is None


def test_what_a_mate_out_of_gas_breathes_stands_over_the_sheet() -> None:
    """Brook's own oxygen from 6 m (1.61 bar), the 21/35 until then is Ada's."""
    pair = [cylinder("twin set", "21/35", "bottom", 36, 230), cylinder("stage", "50", "deco", 12, 200)]
    brook = [cylinder("twin set", "21/35", "bottom", 30, 230), cylinder("oxygen", "oxygen", "deco", 5, 200)]
    given: dict[str, Any] = {
        "units": "metric", "levels": [{"depth": 45, "leave_at": 20}], "cylinders": pair,
        "team": [{"name": "Ada"}, {"name": "Brook", "cylinders": brook}],
    }  # fmt: skip
    plan = plan_team(parse_dive(given)).members[0].plan
    found = next(c for c in plan.contingencies if c.kind == "mate out of gas")
    line = what_ifs.leaves_line(plan, found).replace("\xa0", " ")
    assert line == "Leave the plan at run time 20, 45 m. Brook: your 21/35, own oxygen from 6 m"
