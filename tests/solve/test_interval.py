"""The shortest surface interval, against every minute tried by hand, and where there is none."""

import io
import json
import re
import sys

import pytest
from rich.console import Console

from leadline.dive_file import DiveFileError, parse_dive, read_dive
from leadline.plan import plan_dive
from leadline.plan.flying import note
from leadline.plan.oxygen import carried
from leadline.solve import answer_as_data, shortest_interval
from leadline.solve import judge_dive as verdict_of
from leadline.solve.interval import CONFIRMED_MIN, LOOKED_AT_MIN, _shortest, with_interval
from leadline.solve.verdict import BrokenLimit, Verdict
from leadline.terminal.solve import render_answer
from tests.dives import tables
from tests.plan.test_oxygen import after_the_log
from tests.plan.test_repetitive import written

LEFT_OUT = ["deeper", "longer", "deeper and longer", "delay", "slow ascent", "heavy breathing", "mate out of gas"]


def said_by(answer):
    """An answer in the terminal, in one line."""
    console = Console(width=100, record=True, file=io.StringIO())
    console.print(render_answer(answer))
    return " ".join(console.export_text().split())


def limited(folder, run_time, interval=60, oxygen=0, depth=27, leave_at=30):
    """After 40 m for 25 min: a dive whose run time is limited, which is all that can fail."""
    written(folder, "morning", depth=40, leave_at=25)
    more = f"[limits]\nrun_time = {run_time}\n[contingencies]\nleave_out = {LEFT_OUT}"
    path = written(folder, "after", [("morning.toml", interval, oxygen)], depth, leave_at, more)
    path.write_text(path.read_text().replace("size = 24", "size = 60"))
    return read_dive(path)


def holds(dive, minutes):
    """By the plan alone, whose run time is all that is limited."""
    last = dive.previous[-1].model_copy(update={"surface_interval": float(minutes)})
    return not plan_dive(dive.model_copy(update={"previous": (last,)})).no_go


def test_every_minute_by_hand(tmp_path):
    """Every minute of four hours is planned here: the answer is one more than the last that fails."""
    dive = limited(tmp_path, 50)
    by_hand = [holds(dive, minutes) for minutes in range(241)]
    answer = shortest_interval(dive)
    last = max(i for i, good in enumerate(by_hand) if not good)
    assert 0 < last < 240
    assert answer.model_min == last + 1
    assert answer.best == max(60, last + 1)
    assert answer.given_holds == by_hand[60]
    assert answer.dive.previous[-1].surface_interval == answer.best
    assert verdict_of(with_interval(dive, answer.model_min)).holds
    assert verdict_of(with_interval(dive, answer.best)) == answer.verdict
    assert not verdict_of(with_interval(dive, answer.model_min - 1)).holds
    assert [bound.name for bound in answer.binding] == ["run-time limit"]


def test_the_oxygen_of_the_interval_is_kept(tmp_path):
    """On oxygen the wait is shorter, and never shorter than the oxygen takes."""
    on_air = shortest_interval(limited(tmp_path, 50)).model_min
    on_oxygen = shortest_interval(limited(tmp_path, 50, 60, 30))
    assert on_oxygen.dive.previous[-1].oxygen == 30.0
    assert on_oxygen.looked_from == 30
    least = on_oxygen.model_min
    assert 30 <= least < on_air
    assert not verdict_of(with_interval(on_oxygen.dive, least - 1)).holds or least == 30
    mild = shortest_interval(limited(tmp_path, 400, 60, 45))
    assert (mild.best, mild.model_min, mild.binding) == (60, 45, ())
    long = shortest_interval(limited(tmp_path, 400, 90, 75))
    assert (long.best, long.model_min) == (75, 75)


def test_where_nothing_binds(tmp_path):
    answer = shortest_interval(limited(tmp_path, 400))
    assert (answer.best, answer.model_min, answer.binding, answer.looked_from) == (60, 0, (), 0)
    said = said_by(answer)
    assert "It holds with no surface interval at all" in said
    assert "1 h" in said
    assert "By the model 0 min; 60 min is the least that is given as an answer (common practice, no source)." in said


def test_the_caution_of_the_flying_table_stands_beside_every_answer(tmp_path):
    """Nothing published covers it: said with the answer, in the terminal, as data, and in the note on flying."""
    answer = shortest_interval(limited(tmp_path, 50))
    assert "Nothing published covers decompression dives on trimix or on a loop well." in said_by(answer)
    assert answer_as_data(answer)["caution"] in note("metric")
    assert "The model's number alone is no advice." in said_by(answer)


def test_where_no_interval_is_long_enough(tmp_path):
    """30 min at 27 m and the way up take over 30 min on any day."""
    answer = shortest_interval(limited(tmp_path, 31))
    assert (answer.found, answer.best, answer.looked_to) == (False, None, 14 * 1440)
    assert [bound.name for bound in answer.binding] == ["run-time limit"]
    said = said_by(answer)
    assert "No surface interval up to 14 days is long enough." in said
    assert re.search(r"Nearest miss, .*: Run time of \d+ min is over the limit of 31\.", said)


def test_cns_by_hand():
    """CNS of 99 % is left by a dive of the log, and halves every 90 min. With what 15 min on air at 30 m take it may be
    100 %: at the answer it is within that, a minute before it is over."""
    dive = after_the_log([(10.0, 0.1, 0.0)], 300.0, cns=99.0)
    given = {**tables(30, 15), "contingencies": {"leave_out": LEFT_OUT}}
    given["cylinders"][0]["size"] = "24 L"
    dive = parse_dive(given).model_copy(update={"previous": dive.previous})
    taken = plan_dive(dive).oxygen.cns_percent - carried(dive).cns_percent
    assert 1.0 < taken < 10.0
    best = shortest_interval(dive).model_min
    assert 99.0 * 2.0 ** (-best / 90.0) + taken <= 100.0 < 99.0 * 2.0 ** (-(best - 1) / 90.0) + taken


def test_a_dive_after_none_is_refused():
    with pytest.raises(DiveFileError, match=r"\[\[previous\]\]: is missing: no dive comes before this one"):
        shortest_interval(parse_dive(tables(20, 20)))


@pytest.mark.parametrize(
    ("fails", "best"),
    [
        (lambda m: m < 71, 71),
        (lambda m: m < 71 or 75 <= m < 80, 80),
        (lambda m: m < 20 or m == 180, 181),
        (lambda m: m in (0, 20160), None),
        (lambda m: m == 0, 1),
        (lambda m: False, 0),
    ],
)
def test_a_verdict_that_comes_and_goes(fails, best):
    """Whatever is looked at and is longer than the answer holds; the minute before it fails."""
    looked_at = {}

    def good(minutes):
        looked_at[minutes] = not fails(minutes)
        return looked_at[minutes]

    assert _shortest(good, 0) == best
    if best is not None:
        assert all(held for minutes, held in looked_at.items() if minutes >= best)
        assert best == 0 or not looked_at[best - 1]
        assert set(range(best, best + CONFIRMED_MIN)) <= looked_at.keys()
    assert LOOKED_AT_MIN[-1] == 14 * 1440


def test_shorter_ones_that_hold_too_are_named(tmp_path, monkeypatch):
    """The same search with a verdict that also fails from 200 to 230 min."""
    dive = limited(tmp_path, 400)

    def uneven(dive, source):
        minutes = dive.previous[-1].surface_interval
        return Verdict(
            (BrokenLimit("run-time", "", message="too long"),) if 200 <= minutes <= 250 else (), 30.0, 3.0, 1.0, 1.0
        )

    monkeypatch.setattr(sys.modules["leadline.solve.verdict"], "judge_dive", uneven)
    answer = shortest_interval(dive)
    assert answer.best == 251
    assert {0, 15, 180} <= set(answer.holds_below)
    assert "These shorter ones hold too, with some that do not after them: 0 min, 15 min" in said_by(answer)


def test_the_data(tmp_path):
    dive = limited(tmp_path, 50, 60, 10)
    data = json.loads(json.dumps(answer_as_data(shortest_interval(dive)), allow_nan=False))
    assert (data["for"], data["unit"], data["after"], data["oxygen_min"]) == ("interval", "min", "morning", 10.0)
    assert data["found"]
    assert data["complete"]
    assert (data["given"], data["given_holds"]) == (60.0, False)
    assert data["plan"]["run_time_min"] <= 50.0
    assert [limit["code"] for bound in data["binding"] for limit in bound["limits"]] == ["run-time"]


def test_stopped_it_says_so(tmp_path):
    dive, count = limited(tmp_path, 50), 0

    def interrupted(said):
        nonlocal count
        count += 1
        if count > 4:
            raise KeyboardInterrupt

    answer = shortest_interval(dive, told=interrupted)
    assert (answer.complete, answer.found) == (False, False)
    assert "INCOMPLETE" in said_by(answer)
    json.dumps(answer_as_data(answer), allow_nan=False)
