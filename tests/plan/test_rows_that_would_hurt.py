"""What a reader of printed rows found that would hurt or mislead whoever follows them: each is held here."""

from __future__ import annotations

import pytest

from leadline.brief import parse_dive
from leadline.plan.causes import in_words, last_resorts
from leadline.plan.plan import Plan, plan
from leadline.plan.rows import contingency_rows, givings
from leadline.plan.solve.cures import cured
from leadline.plan.team import Team, plan_team
from tests.dives import Tables, cylinder, looped, tables


def of_kind(found: Plan, kind: str):
    return [contingency for contingency in found.contingencies if contingency.kind == kind]


def no_gos(team: Team) -> dict[str, str]:
    return {finding.code: finding.cure for finding in team.findings if finding.severity == "no-go"}


def big(gas: str, use: str, **more) -> dict:
    return cylinder(gas, use, **({"size": "24 L", "pressure": "230 bar"} | more))


# --- Oxygen breaks ----------------------------------------------------------------------------------------------------


def test_a_break_from_oxygen_is_not_taken_on_a_thin_gas() -> None:
    """10/70 at 6 m is 1.61325 bar · 0.10 = 0.161 bar, half a metre up below 0.16; 21/35 is 0.339. With both carried the
    break is on 21/35; a gas no thinner than air for a break is common practice, no source."""
    given = tables(90, 15, "10/70", stops={"oxygen_breaks": {"on": 12, "off": 5}, "last": "6 m"})
    given["cylinders"] = [big("10/70", "bottom", size="36 L"), big("21/35", "travel"), big("50", "deco")]
    given["cylinders"] += [big("oxygen", "deco")]
    legs = plan(parse_dive(given)).schedule.legs
    at_6 = {leg.source.mix.label for leg in legs if leg.kind == "stop" and leg.end_m == 6.0}
    assert at_6 == {"oxygen", "21/35"}


# --- Nothing to breathe, and what is left -----------------------------------------------------------------------------


def test_a_gas_over_the_divers_own_limit_is_left_to_try() -> None:
    """21 % at 60 m is 1.473 bar: over an own limit of 1.4, within the 1.6 that nobody breathes above (NOAA)."""
    given = looped(60, 15, "18/45", setpoint=1.2) | {"limits": {"ppo2_deco": 1.4, "ppo2_bottom": 1.4}}
    given["cylinders"] = [cylinder("18/45", "diluent", size="3 L"), cylinder("oxygen", "oxygen", size="3 L")]
    given["cylinders"] += [big("21/35", "bailout"), big("50", "bailout")]
    (bailout,) = of_kind(plan(parse_dive(given)), "bailout")
    assert bailout.no_gas is not None
    first = bailout.no_gas.left[0]
    assert (first.what, first.cylinder) == ("own gas over the limit", "bailout 21/35")
    assert first.ppo2_bar == pytest.approx(0.21 * 7.01325)
    assert last_resorts(bailout).startswith("bailout 21/35, 1.47 bar and over the diver's own limit or the loop")


@pytest.mark.parametrize("second_stage", [False, True])
def test_the_diluent_is_left_to_try_only_where_it_is_really_there(second_stage: bool) -> None:
    given = looped(60, 15, "18/45", setpoint=1.2, diluent_second_stage=second_stage)
    given["cylinders"] = [cylinder("18/45", "diluent", size="3 L"), big("50", "bailout")]
    (bailout,) = of_kind(plan(parse_dive(given)), "bailout")
    assert bailout.no_gas is not None
    assert ("diluent on open circuit" in {resort.what for resort in bailout.no_gas.left}) is second_stage
    unlisted = given | {"cylinders": [big("50", "bailout")]}
    (bailout,) = of_kind(plan(parse_dive(unlisted)), "bailout")
    assert bailout.no_gas is not None
    assert bailout.no_gas.left == ()
    assert last_resorts(bailout) == "nothing"


def test_a_mates_gas_is_left_to_try_by_name() -> None:
    given = looped(60, 15, "18/45", setpoint=1.2) | {"team": [{"name": "Ann"}, {"name": "Ben"}]}
    given["team"][0]["cylinders"] = [big("50", "bailout")]
    given["team"][1]["cylinders"] = [big("18/45", "bailout", name="deep"), big("50", "bailout", name="rich")]
    ann = plan_team(parse_dive(given)).members[0].plan
    (bailout,) = of_kind(ann, "bailout")
    assert bailout.no_gas is not None
    assert [(one.whose, one.cylinder) for one in bailout.no_gas.left] == [("Ben", "deep")]
    assert last_resorts(bailout) == "Ben's deep"


def test_a_level_that_is_missed_is_never_an_ascent_without_stops() -> None:
    given = tables(50, 20, cylinders=[big("air", "bottom", size="60 L")])
    given["levels"] = [{"depth": 45, "leave_at": 20}, {"depth": 12, "leave_at": 26}]
    (slow,) = of_kind(plan(parse_dive(given)), "slow ascent")
    (finding,) = slow.findings
    assert finding.message.endswith("begin the last ascent, with all its stops.")
    assert "surface" not in " ".join(in_words(slow))


# --- A team -----------------------------------------------------------------------------------------------------------


def sharing() -> Tables:
    """Ann carries 18/45 alone, Ben 18/45 and 50 %; they share."""
    given = looped(50, 15, "18/45", setpoint=1.3) | {"gas": {"team_bailout": True}}
    given["levels"] = [{"depth": 50, "leave_at": 15}, {"depth": 18, "leave_at": 30}]
    given["team"] = [
        {"name": "Ann", "cylinders": [big("18/45", "bailout", name="deep")]},
        {"name": "Ben", "cylinders": [big("18/45", "bailout", name="deep"), big("50", "bailout", name="rich")]},
    ]
    return given


def test_the_first_breath_off_the_loop_is_ones_own() -> None:
    """At 18 m 50 % is fit, and Ben's; Ann's own 18/45 is fit too (2.81 bar · 0.18 = 0.51): she sorts it out on that."""
    ann = plan_team(parse_dive(sharing())).members[0].plan
    shallow = next(c for c in of_kind(ann, "bailout") if c.depth_m == 18.0)
    assert shallow.legs[0].source.mix.label == "18/45"
    assert shallow.legs[0].kind == "level"
    for one in ann.contingencies:
        own = one.kind != "bailout lost"  # without her only cylinder there is none
        if own and one.scenario.given and one.legs and one.leaves_at_min is not None:
            assert all(given.run_time_min > one.leaves_at_min + 1e-6 for given in one.handovers), one.name


def test_every_take_has_its_give() -> None:
    """At the same run time and depth, in the giver's rows, whatever went wrong."""
    team = plan_team(parse_dive(sharing()))
    took = 0
    for member in team.members:
        for found in member.plan.contingencies:
            for row in contingency_rows(member.plan, found):
                if row.kind != "take":
                    continue
                took += 1
                giver = next(other for other in team.members if other.name == row.mate)
                gives = [
                    give
                    for giving in givings(team, giver)
                    if (giving.receiver, giving.name) == (member.name, found.name)
                    for give in giving.rows
                    if give.kind == "give"
                ]
                assert (row.depth_m, row.leave_min, row.handed) in [(g.depth_m, g.leave_min, g.handed) for g in gives]
    assert took > 2


def test_a_no_go_about_one_diver_is_in_that_divers_own_plan() -> None:
    """50 % at 50 m is 3.0 bar: Ann's first breath would be Ben's. Her own page must not say that it can be dived; and
    no bottom time is a cure for it."""
    given = sharing() | {"levels": [{"depth": 50, "leave_at": 15}]}
    given["team"][0]["cylinders"] = [big("50", "bailout", name="rich")]
    team = cured(plan_team(parse_dive(given)))
    ann = team.members[0].plan
    assert ann.no_go
    (finding,) = [f for f in ann.findings if f.code == "bailout-first-breath"]
    assert finding.cure.startswith("add ")
    assert "leave the bottom" not in finding.cure


# --- Words that agree with the numbers --------------------------------------------------------------------------------


def test_running_out_is_when_it_is_empty_in_every_contingency() -> None:
    """A bailout is held to its reserve, and still runs out when the cylinder is empty, not when the reserve begins."""
    given = looped(60, 30, "18/45", setpoint=1.3)
    given["cylinders"] = [big("18/45", "bailout"), cylinder("50", "bailout", size="7 L")]
    found = plan(parse_dive(given))
    bailout = next(c for c in of_kind(found, "bailout") if c.scenario.level == 0)
    use = next(use for use in bailout.supply if use.mix.label == "50")
    at = use.reaches(use.content_l)
    assert use.missing_l > 0.0
    assert at is not None
    assert in_words(bailout)[0].startswith(f"gas runs out at {int(at[0])} min, ")


def test_suit_gas_that_runs_out_is_not_called_breathing_gas() -> None:
    given = tables(40, 15, cylinders=[big("air", "bottom"), big("50", "deco")], gas={"drysuit": "12 L"})
    given["cylinders"].append(cylinder("air", "inflation", name="suit", size="0.5 L", pressure="40 bar"))
    found = plan(parse_dive(given))
    longer = of_kind(found, "longer")[0]
    assert longer.answers.gas == "lasts"
    assert in_words(longer)[0].startswith("suit gas runs out at ")


def test_a_plan_that_runs_out_itself_is_no_contingency() -> None:
    """Air, 30 m until 40 min, one cylinder of 10 L: the plan runs out, which is not counted among what goes wrong."""
    found = plan(parse_dive(tables(30, 40, cylinders=[cylinder("air", "bottom", size="10 L")])))
    (finding,) = [f for f in found.findings if f.code == "gas-short"]
    named = str(finding.values["contingencies"]).split("; ")
    assert "as planned" in named
    assert f"short in {len(named) - 1} contingencies" in finding.message
    assert "as planned" in finding.message


def test_no_bailout_at_all_is_the_first_reason() -> None:
    found = plan(parse_dive(looped(40, 20, "air", setpoint=1.2)))
    assert found.findings[0].code == "bailout-none"


def test_nobody_turns_below_what_is_kept() -> None:
    """Unlike reserves: what is kept and where to turn are shared out alike, and no turn pressure is below the kept."""
    given = tables(40, 12, "air", gas={"turn": "all usable"})
    given["cylinders"] = [
        cylinder("air", "bottom", name="left", size="12 L", pressure="200 bar", reserve="30 bar"),
        cylinder("air", "bottom", name="right", size="12 L", pressure="200 bar", reserve="60 bar"),
    ]
    for turn in plan(parse_dive(given)).turns:
        assert turn.turn_bar >= turn.kept_bar - 1e-6


# --- Cures ------------------------------------------------------------------------------------------------------------


def test_a_cure_is_one() -> None:
    """What is offered against nothing to breathe, put into the file, takes the no-go away; and a mix that is too dense
    is cured by another standard mix."""
    given = looped(40, 20, "21/35", setpoint=1.2)
    given["cylinders"] = [cylinder("21/35", "diluent", size="3 L"), cylinder("oxygen", "oxygen", size="3 L")]
    given["cylinders"] += [cylinder("oxygen", "bailout")]
    cure = no_gos(cured(plan_team(parse_dive(given))))["no-gas"]
    mix, size = cure.removeprefix("add ").split(", ", 1)
    litres, bar = size.split(", or ")[0].split(" at ")
    added = cylinder(mix.removesuffix(" %"), "bailout", name="added", size=litres, pressure=bar)
    assert "no-gas" not in no_gos(plan_team(parse_dive(given | {"cylinders": [*given["cylinders"], added]})))
    dense = tables(45, 12, "air", limits={"density_no_go": 6.2}, cylinders=[big("air", "bottom"), big("50", "deco")])
    assert "in place of air" in no_gos(cured(plan_team(parse_dive(dense))))["density"]
