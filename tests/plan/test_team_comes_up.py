"""A team comes up together: where a plan is left, everyone's tissues and everyone's gas count."""

from pathlib import Path

import pytest

from leadline.dive_file import parse_dive, read_dive
from leadline.plan.rows import contingency_rows, givings, leave
from leadline.plan.team import plan_team
from leadline.solve.verdict import of_team
from leadline.sweep.columns import verdict_of
from tests.dives import cylinder, looped, sentence

EXAMPLES = Path(__file__).parents[2] / "examples"


def big(gas, use, **more):
    return cylinder(gas, use, **({"size": "24 L", "pressure": "230 bar"} | more))


def members(given):
    return {member.name: member.plan for member in plan_team(parse_dive(given)).members}


def of(plan, kind):
    return next(c for c in plan.contingencies if c.kind == kind)


def bar(leg):
    """Mean ambient pressure, sea level and 0.1 bar a metre."""
    return 1.01325 + 0.05 * (leg.start_m + leg.end_m)


def two_loops(**more):
    """Ada's loop is held at 1.0, Brook's at 1.3: Ada needs longer."""
    given = looped(45, 25, "21/35", setpoint=1.3)
    given["cylinders"] = [big("21/35", "bailout"), big("50", "bailout")]
    given["team"] = [{"name": "Ada", "loop": {"diluent": "21/35", "setpoint": 1.0}}, {"name": "Brook"}]
    return given | more


def test_whoever_it_happens_to_the_schedule_is_the_same():
    """With the diluent gone both stay on their loops: one and the same ascent on either sheet, no shorter than the
    plan."""
    found = members(two_loops())
    ada, brook = (of(found[name], "diluent gone") for name in ("Ada", "Brook"))
    assert ada.run_time_min == brook.run_time_min >= found["Ada"].schedule.run_time_min
    left_by = [{stop.depth_m: stop.leave_min for stop in c.stops} for c in (ada, brook)]
    assert left_by[0] == left_by[1]
    for contingency in (ada, brook):
        (mate,) = contingency.mates
        assert mate.legs[-1].end_min == contingency.run_time_min
        stops = {leg.end_m: leg.end_min for leg in mate.legs if leg.kind == "stop"}
        assert stops == left_by[0]


def test_tts_on_the_slate_is_that_of_the_common_ascent():
    """Leaving at a marked run time is the dive of that bottom time, whole: the same on every diver's slate."""
    found = members(two_loops())
    for at_min in (15, 20, 25):
        earlier = members(two_loops(levels=[{"depth": 45, "leave_at": at_min}]))
        for name, plan in found.items():
            assert dict(plan.tts)[at_min] == plan.tts_at(at_min)
            assert plan.tts_at(at_min) == pytest.approx(earlier[name].schedule.tts_min, abs=1e-6)


def test_a_mate_on_air_makes_the_ascent_of_who_lost_his_deco_gas_no_shorter():
    """Ada, 28 % and 50 %, finds the 50 % empty; Brook, on air alone, needs the plan's whole ascent in any case."""
    given = {
        "units": "metric", "levels": [{"depth": 30, "leave_at": 40}],
        "cylinders": [big("28", "bottom"), cylinder("50", "deco")],
        "team": [{"name": "Ada"}, {"name": "Brook", "cylinders": [big("air", "bottom")]}],
    }  # fmt: skip
    ada = members(given)["Ada"]
    empty = of(ada, "gas found empty")
    assert empty.run_time_min >= ada.schedule.run_time_min
    (brook,) = empty.mates
    assert {leg.source.mix.label for leg in brook.legs} == {"air"}


def test_the_gas_that_a_mate_takes_is_that_of_his_own_ascent():
    """On Brook's bailout it is Ada who decompresses, from what 1.0 bar has left in her: her minutes, her RMV of 24 and
    so 36 L/min, times bar."""
    given = two_loops()
    given["team"][0] |= {"rmv_bottom": 24, "stressed_for": 600}
    given["team"][1] |= {"stressed_for": 600}
    found = members(given)
    on_brooks = of(found["Brook"], "mate out of gas")
    assert on_brooks.name.startswith("Ada off the loop")
    own = of(found["Ada"], "bailout")
    assert on_brooks.run_time_min == own.run_time_min
    litres = sum(36.0 * bar(leg) * leg.minutes for leg in on_brooks.legs)
    assert sum(use.used_l for use in on_brooks.breathed) == pytest.approx(litres)
    (brook,) = on_brooks.mates
    assert {leg.source.circuit for leg in brook.legs} == {"closed"}


def open_team(mates_deco, **more):
    given = {
        "units": "metric", "levels": [{"depth": 45, "leave_at": 20}],
        "cylinders": [big("21/35", "bottom", size="36 L"), big("50", "deco")],
        "diver": {"rmv_bottom": 20, "rmv_stressed": 30, "stressed_for": 600},
        "team": [
            {"name": "Ada"},
            {"name": "Brook", "cylinders": [big("21/35", "bottom", size="36 L"), *mates_deco]},
        ],
    }  # fmt: skip
    return given | more


def on_bottom_gas(legs):
    return [leg for leg in legs if leg.source.mix.label == "21/35"]


def test_a_mate_without_deco_gas_stays_on_the_bottom_gas():
    """Brook carries no deco gas: on Ada's 21/35 to the surface, 30 L/min, while she leaves it at 21 m."""
    ada = members(open_team([]))["Ada"]
    found = of(ada, "mate out of gas")
    (brook,) = found.mates
    assert {leg.source.mix.label for leg in brook.legs} == {"21/35"}
    both = [*on_bottom_gas(found.legs), *brook.legs]
    litres = sum(30.0 * bar(leg) * leg.minutes for leg in both)
    before = sum(20.0 * bar(leg) * leg.minutes for leg in ada.schedule.legs if leg.end_min <= found.leaves_at_min)
    (used,) = [use.used_l for use in found.supply if use.mix.label == "21/35"]
    assert used == pytest.approx(before + litres)
    (minimum,) = ada.minimum_gas
    assert minimum.to_m == 0.0
    assert minimum.litres == pytest.approx(litres)
    # What Brook no longer has he does not use.
    (own,) = [use for use in brook.supply if use.mix.label == "21/35"]
    assert own.used_l == pytest.approx(before)


def test_a_mate_with_the_same_deco_gas_takes_his_own():
    """To the next gas that both have: 21 m."""
    ada = members(open_team([big("50", "deco")]))["Ada"]
    found = of(ada, "mate out of gas")
    (brook,) = found.mates
    assert [leg.source.mix.label for leg in brook.legs if leg.end_m >= 21.0 and leg.kind == "ascent"][-1] == "21/35"
    assert brook.given == {leg.source.mix for leg in on_bottom_gas(brook.legs)}
    (minimum,) = ada.minimum_gas
    assert minimum.to_m == 21.0
    (stage,) = [use for use in brook.supply if use.mix.label == "50"]
    assert stage.used_l > 0.0


def test_two_on_one_stage_where_the_bottom_gas_does_not_last():
    """With 20 L of bottom gas Brook cannot come up on it: both on Ada's 50 %, 60 L/min."""
    given = open_team([])
    given["cylinders"][0]["size"] = "20 L"
    ada = members(given)["Ada"]
    found = of(ada, "mate out of gas")
    (brook,) = found.mates
    assert found.holds
    assert {leg.source.mix.label for leg in brook.legs} == {"21/35", "50"}
    litres = sum(30.0 * bar(leg) * leg.minutes for leg in [*found.legs, *brook.legs] if leg.source.mix.label == "50")
    (stage,) = [use for use in found.supply if use.mix.label == "50"]
    assert stage.used_l == pytest.approx(litres)


def brook_waits():
    """Brook, on open circuit, waits for Ada, whose bailout without a deco gas takes long: his own gas runs out."""
    given = looped(45, 30, "21/35", setpoint=1.3)
    given["cylinders"] = [big("21/35", "bailout", size="60 L")]
    small = [big("21/35", "bottom", size="30 L"), cylinder("50", "deco", size="5 L")]
    given["team"] = [{"name": "Ada"}, {"name": "Brook", "circuit": "open", "cylinders": small}]
    return plan_team(parse_dive(given))


def test_a_mate_whose_gas_runs_out_while_he_waits_is_a_no_go():
    team = brook_waits()
    bailout = of(team.members[0].plan, "bailout")
    (brook,) = bailout.mates
    short = [use for use in brook.supply if use.missing_l > 0.0]
    assert short
    assert not bailout.holds
    assert any(f.severity == "no-go" and "Brook's deco 50" in sentence(f) for f in team.findings)


def test_what_is_short_of_a_mates_gas_is_known_where_dives_are_counted_and_solved():
    """The same dive in a sweep's columns and among the limits of a solve."""
    team = brook_waits()
    figures = verdict_of(team, "Ada", team.members[0].plan)
    assert not figures["gas_lasts"]
    assert "mate-gas-short" in figures["no_go_codes"]
    assert "50 % of a mate" in {limit.what for limit in of_team(team).limits}


def left_by(made):
    """Depth to the minute it is left, as printed."""
    return {row.depth_m: leave(row) for row in made if row.kind in ("stop", "sort out", "surface")}


def test_whoever_it_happens_to_the_others_have_rows_for_it():
    """Every failure of one diver of the team example: the stops on the sheet of each mate, his own or the one that it
    is said to share, are those of the one it happens to; and so is what is handed over."""
    team = plan_team(read_dive(EXAMPLES / "marigold-team.toml"))
    compared = 0
    for member in team.members:
        sheets = {(one.receiver, one.name): one for one in givings(team, member)}
        for other in team.members:
            for found in other.plan.contingencies if other is not member else ():
                if found.failure.happens_to_all or not found.mates:
                    continue
                giving = sheets[other.name, found.name]
                assert giving.rows_of != "the plan"
                printed = sheets[other.name, giving.rows_of or found.name]
                assert not printed.rows_of
                assert left_by(printed.rows) == left_by(contingency_rows(other.plan, found)), (member.name, found.name)
                taken = {(h.depth_m, h.run_time_min) for h in found.handovers if h.giver == member.name}
                assert {(r.depth_m, r.leave_min) for r in giving.rows if r.kind == "give"} == taken
                compared += 1
    assert compared > 30
