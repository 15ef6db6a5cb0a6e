"""Several dives in a row: each as its own file is planned, with what lies between them by hand."""

import json
import re

import pytest

from leadline.dive_file import read_dive
from leadline.dive_file.schema import Previous
from leadline.plan.day import DivedBefore, plan_day
from leadline.plan.oxygen import at_surface
from leadline.plan.schedule import starting_tissue
from leadline.plan.team import plan_team
from leadline.show.plan_data import as_data, day_as_data
from tests.authority.published import ZHL16
from tests.dives import sentence
from tests.plan.test_oxygen import after_the_log
from tests.plan.test_repetitive import EXAMPLES, written


@pytest.fixture
def three(tmp_path):
    """Three dives on air, each in a file that names the one before it."""
    written(tmp_path, "morning", depth=30, leave_at=15)
    written(tmp_path, "noon", [("morning.toml", 120, 0)], depth=24, leave_at=20)
    return written(tmp_path, "evening", [("noon.toml", 90, 30)], depth=18, leave_at=25)


def test_each_is_planned_as_its_own_file_is(three):
    found = plan_day(read_dive(three), "evening.toml")
    assert [(one.title, one.file) for one in found.dives] == [
        ("morning", "morning.toml"), ("noon", "noon.toml"), ("evening", "evening.toml"),
    ]  # fmt: skip
    for one in found.planned:
        alone = plan_team(read_dive(three.parent / one.file), one.file)
        assert one.team == alone
        assert one.team.members[0].plan.contingencies
    assert [(one.interval_min, one.oxygen_min) for one in found.planned] == [(None, 0.0), (120.0, 0.0), (90.0, 30.0)]
    assert found.asked_for is found.dives[-1]
    assert found.asked_for.team == plan_team(read_dive(three), "evening.toml")


def test_when_each_begins_by_hand(three):
    """After the first, its run time and 120 min; then the second's and 90 min."""
    found = plan_day(read_dive(three))
    first, second, _ = (one.team.members[0].plan.schedule.run_time_min for one in found.planned)
    assert found.begins_min() == pytest.approx([0.0, first + 120.0, first + 120.0 + second + 90.0])


def test_a_list_of_dives_is_the_same_day(tmp_path, three):
    """Each named in the one file, in order, instead of each by the next."""
    written(tmp_path, "second", depth=24, leave_at=20)
    listed = written(tmp_path, "listed", [("morning.toml", 120, 0), ("second.toml", 90, 30)], depth=18, leave_at=25)
    one, other = plan_day(read_dive(listed)), plan_day(read_dive(three))
    assert len(one.dives) == 3
    assert [found.numbers() for found in one.planned] == [found.numbers() for found in other.planned]


def test_the_numbers_at_start_and_end(three):
    """CNS and OTU at a start are those of the end before, after the interval; the gradient factor by the M-value's own
    equation, (p - P) / (a + P/b - P), of the highest compartment."""
    found = plan_day(read_dive(three))
    for before, one in zip(found.planned, found.planned[1:], strict=False):
        exposure, numbers = before.team.members[0].plan.oxygen, one.numbers()
        left = at_surface(exposure.cns_percent, exposure.doses, 1.01325, one.interval_min, one.oxygen_min)
        assert (numbers.cns_start, numbers.otu_start) == pytest.approx((left.cns_percent, left.otu))
        assert numbers.otu_end > numbers.otu_start
        tissue = starting_tissue(one.team.dive)
        assert tissue[1] == pytest.approx(0.0)
        mvalues = [a + 1.01325 / b for a, b in zip(ZHL16["n2_a_bar_zhl16c"], ZHL16["n2_b"], strict=True)]
        factors = [(p - 1.01325) / (m - 1.01325) for p, m in zip(tissue[0], mvalues, strict=True)]
        assert numbers.gf_start == pytest.approx(100.0 * max(factors), abs=1e-6)
    assert found.planned[0].numbers().cns_start == 0.0
    assert 0.0 < found.planned[-1].numbers().gf_end <= 80.0 + 1e-6


def test_one_no_go_is_the_days(tmp_path):
    """No gas for the first dive: the second stands on nothing, though by itself it could be dived."""
    first = written(tmp_path, "morning", depth=40, leave_at=40)
    first.write_text(first.read_text().replace("size = 24", "size = 10"))
    found = plan_day(read_dive(written(tmp_path, "noon", [("morning.toml", 600, 0)], depth=12, leave_at=20)))
    assert [one.team.no_go for one in found.planned] == [True, True]
    assert [f.code for f in found.asked_for.team.findings if f.severity == "no-go"] == ["day"]
    assert found.no_go
    data = day_as_data(found)
    assert data["no_go"]
    assert [one["no_go"] for one in data["day"]] == [True, True]


def test_a_dive_of_the_log_has_been_dived():
    found = plan_day(after_the_log([(120.0, 0.2, 0.0)], 90.0))
    dived, planned = found.dives
    assert isinstance(dived, DivedBefore)
    assert (dived.title, dived.left_in("").cns_percent) == ("The Gull Stack", 40.0)
    assert found.planned == (planned,)
    assert found.begins_min() == [None, None]
    assert planned.interval_min == 90.0
    assert planned.numbers().cns_start == pytest.approx(20.0)  # one half-life
    assert planned.numbers().otu_start == 120.0
    data = json.loads(json.dumps(day_as_data(found), allow_nan=False))
    assert data["day"][0] == {
        "title": "The Gull Stack", "dived": True, "divers": [{"name": "", "cns_percent": 40.0}],
    }  # fmt: skip


def test_a_dive_of_the_log_between_is_the_first_of_the_day(tmp_path):
    """A file that comes after a dive of the log, and one after that: the log's stands first."""
    logged = after_the_log([(120.0, 0.2, 0.0)], 90.0)
    second = Previous(file="noon.toml", surface_interval=60.0).read_as(logged)
    last = read_dive(written(tmp_path, "evening", depth=12, leave_at=20)).model_copy(update={"previous": (second,)})
    found = plan_day(last)
    assert [isinstance(one, DivedBefore) for one in found.dives] == [True, False, False]
    assert found.begins_min() == [None, None, None]


def test_a_day_of_one(tmp_path):
    alone = read_dive(written(tmp_path, "alone", depth=20, leave_at=20))
    found = plan_day(alone)
    assert (len(found.dives), found.begins_min()) == (1, [0.0])
    data = day_as_data(found)
    assert data["day"] is None
    assert {**data, "day": None} == {**as_data(found.asked_for.team.members[0].plan), "day": None}


def test_a_team_in_its_days(tmp_path):
    """Everyone's own numbers, and the highest of the team."""
    team = '\n[[team]]\nname = "Ann"\ngradient_factors = [20, 60]\n[[team]]\nname = "Ben"\n'
    morning = written(tmp_path, "morning", depth=40)
    morning.write_text(morning.read_text() + team)
    noon = written(tmp_path, "noon", [("morning.toml", 60, 0)])
    noon.write_text(noon.read_text() + team)
    found = plan_day(read_dive(noon))
    for one in found.planned:
        ann, ben, both = one.numbers("Ann"), one.numbers("Ben"), one.numbers()
        assert both.gf_end == max(ann.gf_end, ben.gf_end)
        assert both.otu_end == max(ann.otu_end, ben.otu_end)
        assert one.plan_of("Ann") == one.team.members[0].plan
    assert [diver["name"] for diver in day_as_data(found)["day"][0]["divers"]] == ["Ann", "Ben"]


def test_the_example():
    """The afternoon dive of Saltby: two dives, neither a no-go."""
    found = plan_day(read_dive(EXAMPLES / "marigold-second.toml"), "marigold-second.toml")
    assert [one.title for one in found.dives] == ["Marigold, keel", "Marigold, foredeck, after the keel"]
    assert not found.no_go


def test_an_imperial_dive_is_told_in_the_units_of_the_day(tmp_path):
    """The first dive's file is in feet and a no-go: on the metric sheet its reason is in metres, bar and litres."""
    (tmp_path / "first.toml").write_text(
        'units = "imperial"\ntitle = "In feet"\n[[levels]]\ndepth = 150\nleave_at = 30\n'
        '[[cylinders]]\nname = "back gas"\ngas = "21/35"\nsize = "80 cuft"\nworking_pressure = 3000\npressure = 3000\n'
        'use = "bottom"\n'
    )
    (tmp_path / "second.toml").write_text(
        'units = "metric"\ntitle = "In metres"\nprevious = [{ file = "first.toml", surface_interval = 240 }]\n'
        "[[levels]]\ndepth = 20\nleave_at = 20\n"
        '[[cylinders]]\nname = "twin"\ngas = "32"\nsize = 24\npressure = 230\nuse = "bottom"\n'
    )
    found = plan_day(read_dive(tmp_path / "second.toml"))
    first = found.dives[0].team
    said = " ".join(sentence(finding) for finding in first.findings)
    assert first.no_go
    assert "bar" in said
    assert not re.search(r"\d (ft|psi)\b", said)
    alone = plan_team(read_dive(tmp_path / "first.toml"))
    assert [(f.code, f.severity) for f in alone.findings] == [(f.code, f.severity) for f in first.findings]
    assert alone.members[0].plan.schedule == first.members[0].plan.schedule
