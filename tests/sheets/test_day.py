"""The sheet of the day as it comes out: one page, every dive, the verdicts, and nothing that was not given."""

import re
from pathlib import Path

import pytest
from pypdf import PdfReader

from leadline.cautions import SHORT
from leadline.dive_file import read_dive
from leadline.plan.day import plan_day
from leadline.plan.flying import note
from leadline.plan.rows import up
from leadline.sheets import write_sheets
from leadline.sheets.day import day_sheet
from tests.plan.test_oxygen import after_the_log
from tests.plan.test_repetitive import EXAMPLES, written
from tests.sheets.paper import text_of


def sheet_of(found, folder: Path) -> Path:
    written_ = write_sheets(found.asked_for.team, folder, found)
    [path] = [path for path in written_ if path.name == "day.pdf"]
    return path


@pytest.fixture(scope="module")
def marigold():
    return plan_day(read_dive(EXAMPLES / "marigold-second.toml"), "marigold-second.toml")


def test_every_dive_is_on_the_one_page(marigold, tmp_path):
    path = sheet_of(marigold, tmp_path)
    [page] = text_of(path)
    [size] = [one.mediabox for one in PdfReader(path).pages]
    assert (float(size.width) / 72 * 25.4, float(size.height) / 72 * 25.4) == pytest.approx((210, 297), abs=0.2)
    for one in marigold.planned:
        plan = one.team.members[0].plan
        assert one.title in page
        assert f"{up(plan.schedule.run_time_min)} min" in page
        for stop in plan.schedule.stops:
            assert re.search(rf"\b{stop.depth_m:.0f} {stop.minutes} {stop.leave_min:.0f} ", page)
        for use in plan.supply:
            assert f"{use.name} {use.mix.name} {use.start_bar:.0f}" in page
    assert "Surface interval 3 h" in page
    assert "begins 3 h 58 min after the first dive began" in page  # 58 min of run time and 3 h
    assert page.count("Can be dived as planned") == 2
    assert "NO-GO" not in page
    assert "Flying, cabin at 2438 m 24 h" in page
    assert "Up to 700 m 24 h" in page
    assert note("metric") in page
    assert SHORT.rstrip(".") in page.replace("  ", " ").rstrip(".")


def test_no_clock_time_is_invented(marigold, tmp_path):
    """Only room to write it."""
    [page] = text_of(sheet_of(marigold, tmp_path))
    assert not re.search(r"\d:\d\d", page)
    assert page.count("down at") == page.count("up at") == 2


def test_three_dives_in_feet_on_one_page(tmp_path):
    """The last dive's units hold for all: 60 m and 33 m are 197 and 108 ft, 230 bar 3335 psi."""
    third = tmp_path / "third.toml"
    third.write_text(f"""title = "Gull Stack, the evening"
units = "imperial"
[[previous]]
file = "{EXAMPLES / "marigold-second.toml"}"
surface_interval = "2.5 h"
oxygen = 15
[[levels]]
depth = 60
leave_at = 30
[[cylinders]]
name = "single"
gas = "32"
size = 119
working_pressure = 2640
pressure = 2600
use = "bottom"
""")
    [page] = text_of(sheet_of(plan_day(read_dive(third)), tmp_path))
    for words in ("197 ft", "108 ft", "60 ft", "3335", "Surface interval 2 h 30 min, the first 15 min on oxygen"):
        assert words in page
    assert "bar" not in re.sub("3 m|Gull", "", page)
    assert "Flying, cabin at 8000 ft" in page


def test_a_no_go_of_one_is_across_all(tmp_path):
    first = written(tmp_path, "morning", depth=40, leave_at=40)
    first.write_text(first.read_text().replace("size = 24", "size = 10"))
    found = plan_day(read_dive(written(tmp_path, "noon", [("morning.toml", 600, 0)], depth=12, leave_at=20)))
    data = day_sheet(found, found.asked_for.team.members[0])
    assert data["no_go"].startswith("morning: ")
    assert [block["verdict"]["word"] for block in data["dives"]] == ["NO-GO", "NO-GO"]
    [page] = text_of(sheet_of(found, tmp_path / "sheets"))
    assert page.count("NO-GO") == 4  # across the page, the banner, and each dive's own
    slate = text_of(tmp_path / "sheets" / "slate.pdf")
    assert all("NO-GO The dive before, morning, is a no-go" in page for page in slate)


def test_a_dive_of_the_log_is_shown_as_dived(tmp_path):
    found = plan_day(after_the_log([(120.0, 0.2, 0.0)], 90.0))
    [page] = text_of(sheet_of(found, tmp_path))
    assert "The Gull Stack Dived, and in the log. At its end CNS 40 %." in page
    assert "begins" not in page
    assert "Surface interval 1 h 30 min" in page


def test_everyone_of_a_team_has_one(tmp_path):
    team = '\n[[team]]\nname = "Ann"\ngradient_factors = [20, 60]\n[[team]]\nname = "Ben"\n'
    for name, previous in (("morning", ()), ("noon", [("morning.toml", 60, 0)])):
        path = written(tmp_path, name, previous, depth=33)
        path.write_text(path.read_text() + team)
    found = plan_day(read_dive(tmp_path / "noon.toml"))
    paths = write_sheets(found.asked_for.team, tmp_path / "sheets", found)
    sheets = {path.parent.name: text_of(path)[0] for path in paths if path.name == "day.pdf"}
    assert sheets.keys() == {"Ann", "Ben"}
    assert "20/60" in sheets["Ann"]
    assert "20/60" not in sheets["Ben"]


def test_without_dives_before_there_is_none(tmp_path):
    found = plan_day(read_dive(written(tmp_path, "alone", depth=20, leave_at=20)))
    paths = write_sheets(found.asked_for.team, tmp_path / "sheets", found)
    assert sorted(path.name for path in paths) == ["briefing.pdf", "slate.pdf", "wetnotes.pdf"]


def test_the_same_day_gives_the_same_bytes(marigold, tmp_path):
    one, other = sheet_of(marigold, tmp_path / "one"), sheet_of(marigold, tmp_path / "other")
    assert one.read_bytes() == other.read_bytes()


def test_many_dives_run_over(tmp_path):
    """What does not fit goes on on another page, never lost."""
    previous = []
    for i in range(8):
        written(tmp_path, f"dive {i}", depth=40, leave_at=25)
        previous.append((f"dive {i}.toml", 300, 0))
    found = plan_day(read_dive(written(tmp_path, "last", previous, depth=12, leave_at=20)))
    pages = text_of(sheet_of(found, tmp_path / "sheets"))
    assert len(pages) > 1
    for i in range(8):
        assert any(f"{i + 1} dive {i}" in page for page in pages)
