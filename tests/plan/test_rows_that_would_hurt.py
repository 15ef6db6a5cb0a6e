"""What a reader of printed rows found that would hurt or mislead whoever follows them: each is held here."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path

import pytest

from leadline.dive_file import parse_dive, read_dive
from leadline.plan.day import plan_day
from leadline.plan.planned import Plan, plan_dive
from leadline.plan.rows import contingency_rows, givings
from leadline.plan.team import Team, plan_team
from leadline.show.last_resort import resorts
from leadline.show.outcome import in_words
from leadline.show.plan_data import as_data
from leadline.show.sentences import headline
from leadline.solve.cures import cured
from tests.dives import Tables, cylinder, headed, looped, sentence, tables


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
    legs = plan_dive(parse_dive(given)).schedule.legs
    at_6 = {leg.source.mix.label for leg in legs if leg.kind == "stop" and leg.end_m == 6.0}
    assert at_6 == {"oxygen", "21/35"}


# --- Nothing to breathe, and what is left -----------------------------------------------------------------------------


def test_a_gas_over_the_divers_own_limit_is_left_to_try() -> None:
    """21 % at 60 m is 1.473 bar: over an own limit of 1.4, within the 1.6 that nobody breathes above (NOAA)."""
    given = looped(60, 15, "18/45", setpoint=1.2) | {"limits": {"ppo2_deco": 1.4, "ppo2_bottom": 1.4}}
    given["cylinders"] = [cylinder("18/45", "diluent", size="3 L"), cylinder("oxygen", "oxygen", size="3 L")]
    given["cylinders"] += [big("21/35", "bailout"), big("50", "bailout")]
    (bailout,) = of_kind(plan_dive(parse_dive(given)), "bailout")
    assert bailout.no_gas is not None
    first = bailout.no_gas.left[0]
    assert (first.what, first.cylinder) == ("own gas", "bailout 21/35")
    assert first.ppo2_bar == pytest.approx(0.21 * 7.01325)
    assert resorts(bailout.no_gas.left).startswith("bailout 21/35 (1.47 bar, over the diver's own limit) or the loop")


@pytest.mark.parametrize("second_stage", [False, True])
def test_the_diluent_is_left_to_try_only_where_it_is_really_there(second_stage: bool) -> None:
    given = looped(60, 15, "18/45", setpoint=1.2, diluent_second_stage=second_stage)
    given["cylinders"] = [cylinder("18/45", "diluent", size="3 L"), big("50", "bailout")]
    (bailout,) = of_kind(plan_dive(parse_dive(given)), "bailout")
    assert bailout.no_gas is not None
    assert ("diluent on open circuit" in {resort.what for resort in bailout.no_gas.left}) is second_stage
    unlisted = given | {"cylinders": [big("50", "bailout")]}
    (bailout,) = of_kind(plan_dive(parse_dive(unlisted)), "bailout")
    assert bailout.no_gas is not None
    assert bailout.no_gas.left == ()
    assert resorts(bailout.no_gas.left) == "nothing"


def test_a_mates_gas_is_left_to_try_by_name() -> None:
    given = looped(60, 15, "18/45", setpoint=1.2) | {"team": [{"name": "Ann"}, {"name": "Ben"}]}
    given["team"][0]["cylinders"] = [big("50", "bailout")]
    given["team"][1]["cylinders"] = [big("18/45", "bailout", name="deep"), big("50", "bailout", name="rich")]
    ann = plan_team(parse_dive(given)).members[0].plan
    (bailout,) = of_kind(ann, "bailout")
    assert bailout.no_gas is not None
    assert [(one.whose, one.cylinder) for one in bailout.no_gas.left] == [("Ben", "deep")]
    assert resorts(bailout.no_gas.left) == "Ben's deep (1.26 bar)"


def test_a_hypoxic_gas_is_not_called_too_rich() -> None:
    """10/70 at 6 m is 1.613 bar · 0.10 = 0.161 bar, and 0.131 at 3 m: under 0.16 (NOAA), far below any limit."""
    given = looped(90, 15, "10/70", setpoint=1.2, diluent_second_stage=True)
    given["cylinders"] = [cylinder("10/70", "diluent", size="3 L"), big("10/70", "bailout", name="deep")]
    (bailout,) = of_kind(plan_dive(parse_dive(given)), "bailout")
    assert bailout.no_gas is not None
    assert bailout.no_gas.gap.to_m == 0.0
    assert resorts(bailout.no_gas.left).startswith(
        "deep (0.16 bar, hypoxic further up) or diluent on open circuit (0.16 bar,"
    )
    assert "over the diver's own limit" not in resorts(bailout.no_gas.left)


# --- Overstaying ------------------------------------------------------------------------------------------------------


def test_who_overstays_a_dive_with_a_safety_stop_is_not_up_sooner() -> None:
    """32 % at 30 m, left at 24 min, needs no stop; 5 min at 6 m are kept all the same, so a minute late is a minute
    later at the surface at least."""
    given = tables(30, 24, "32", gf=(40, 85), stops={"safety": 5, "last": 6})
    given["contingencies"] = {"longer": [1, 2, 3, 5], "deeper": 3}
    found = plan_dive(parse_dive(given))
    assert not any(leg.after_first_stop for leg in found.schedule.legs)
    for later in of_kind(found, "longer"):
        extra_min = float(later.name.split()[0])
        assert later.run_time_min >= found.schedule.run_time_min + extra_min - 1e-6
        assert sum(stop.leave_min - stop.arrive_min for stop in later.stops) >= 5.0 - 1e-6


# --- A mate's cylinder ------------------------------------------------------------------------------------------------


def of_two(**own: list[dict]) -> Team:
    """Two divers on loops at 70 m, with bailout of their own, who share it."""
    given = looped(70, 22, "15/55", setpoint=1.3) | {"gas": {"team_bailout": True}}
    feeds = [cylinder("15/55", "diluent", size="3 L"), cylinder("oxygen", "oxygen", size="3 L")]
    given["team"] = [{"name": name, "cylinders": [*feeds, *bailout]} for name, bailout in own.items()]
    return plan_team(parse_dive(given))


def test_nobody_takes_a_mates_gas_that_is_hardly_better() -> None:
    """18/45 gives 0.03 · 7.6 bar = 0.23 more than 15/55 at 66 m: no reason for a handover and two changes down there.
    Where one's own deco gas is missing, 50 % at 21 m gives a bar more than either."""
    team = of_two(
        Ann=[big("18/45", "bailout", name="lean"), big("50", "bailout", name="fifty")],
        Ben=[big("15/55", "bailout", name="leaner"), big("50", "bailout", name="rich")],
    )
    for member, own in zip(team.members, ("18/45", "15/55"), strict=True):
        for bailout in member.plan.bailouts:
            deep = {leg.source.mix.label for leg in bailout.legs if leg.end_m > 21.0}
            assert deep <= {own}
            assert bailout.handovers == ()
    without = next(c for c in of_kind(team.members[0].plan, "bailout lost") if "fifty" in c.name)
    assert [(given.giver, given.cylinder) for given in without.handovers] == [("Ben", "rich")]


def test_ones_own_cylinder_comes_first_also_where_all_runs_out() -> None:
    small = {"size": "7 L", "pressure": "200 bar"}
    team = of_two(
        Ann=[big("18/45", "bailout", name="deep"), cylinder("50", "bailout", name="fifty", **small)],
        Ben=[big("18/45", "bailout", name="low"), cylinder("50", "bailout", name="half", **small)],
    )
    short = [
        (own, mates)
        for bailout in team.members[0].plan.contingencies
        if bailout.scenario.off_the_loop and bailout.answers.gas == "runs out"
        for own in bailout.supply
        for mates in bailout.supply
        if own.name == "fifty" and mates.name == "Ben's half" and mates.missing_l > 1e-6
    ]
    assert short
    for own, mates in short:
        until_min = mates.legs[0].start_min
        assert own.bar_at(until_min) == pytest.approx(own.reserve_bar, abs=0.5)


def test_a_level_that_is_missed_is_never_an_ascent_without_stops() -> None:
    given = tables(50, 20, cylinders=[big("air", "bottom", size="60 L")])
    given["levels"] = [{"depth": 45, "leave_at": 20}, {"depth": 12, "leave_at": 26}]
    (slow,) = of_kind(plan_dive(parse_dive(given)), "slow ascent")
    (finding,) = slow.findings
    assert sentence(finding).endswith("begin the last ascent, with all its stops.")
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
    found = plan_dive(parse_dive(given))
    bailout = next(c for c in of_kind(found, "bailout") if c.scenario.level == 0)
    use = next(use for use in bailout.supply if use.mix.label == "50")
    at = use.reaches(use.content_l)
    assert use.missing_l > 0.0
    assert at is not None
    assert in_words(bailout)[0].startswith(f"gas runs out at {int(at[0])} min, ")


def test_suit_gas_that_runs_out_is_not_called_breathing_gas() -> None:
    given = tables(40, 15, cylinders=[big("air", "bottom"), big("50", "deco")], gas={"drysuit": "12 L"})
    given["cylinders"].append(cylinder("air", "inflation", name="suit", size="0.5 L", pressure="40 bar"))
    found = plan_dive(parse_dive(given))
    longer = of_kind(found, "longer")[0]
    assert longer.answers.gas == "lasts"
    assert in_words(longer)[0].startswith("suit gas runs out at ")


def test_a_plan_that_runs_out_itself_is_no_contingency() -> None:
    """Air, 30 m until 40 min, one cylinder of 10 L: the plan runs out, which is not counted among what goes wrong."""
    found = plan_dive(parse_dive(tables(30, 40, cylinders=[cylinder("air", "bottom", size="10 L")])))
    (finding,) = [f for f in found.findings if f.code == "gas-short"]
    named = finding.values["contingencies"]
    assert "as planned" in named
    assert f"short in {len(named) - 1} contingencies" in sentence(finding)
    assert "as planned" in sentence(finding)


def test_no_bailout_at_all_is_the_first_reason() -> None:
    found = plan_dive(parse_dive(looped(40, 20, "air", setpoint=1.2)))
    assert found.findings[0].code == "bailout-none"


def test_nobody_turns_below_what_is_kept() -> None:
    """Unlike reserves: what is kept and where to turn are shared out alike, and no turn pressure is below the kept."""
    given = tables(40, 12, "air", gas={"turn": "all usable"})
    given["cylinders"] = [
        cylinder("air", "bottom", name="left", size="12 L", pressure="200 bar", reserve="30 bar"),
        cylinder("air", "bottom", name="right", size="12 L", pressure="200 bar", reserve="60 bar"),
    ]
    for turn in plan_dive(parse_dive(given)).turns:
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


def test_a_cure_says_what_is_then_still_wrong() -> None:
    """With no bailout at all a deep gas alone gets nobody through the last metres: 12/65 at the surface is 0.12 bar."""
    given = looped(90, 15, "10/70", setpoint=1.2, scrubber=240)
    given["cylinders"] = [cylinder("10/70", "diluent", size="3 L"), cylinder("oxygen", "oxygen", size="3 L")]
    cure = no_gos(cured(plan_team(parse_dive(given))))["bailout-none"]
    assert cure.startswith("add ")
    assert "(but then: no gas to breathe from 6 m to the surface" in cure


# --- Said in full -----------------------------------------------------------------------------------------------------


def test_what_is_short_of_a_pair_is_that_of_both() -> None:
    given = tables(45, 25, "21/35", ("50",))
    given["cylinders"] = [cylinder("21/35", "bottom", name=name, size="7 L", pressure="150 bar") for name in "lr"]
    given["cylinders"] += [big("50", "deco")]
    found = plan_dive(parse_dive(given))
    for contingency in found.contingencies:
        missing_l = sum(use.missing_l for use in contingency.supply if use.mix.label == "21/35")
        if missing_l > 1.0:
            assert f"{math.ceil(missing_l - 1e-6)} L short" in in_words(contingency)[0]
            break
    else:
        pytest.fail("nothing runs out")


def test_a_dose_far_over_that_of_the_plan_is_told_again() -> None:
    """A plan over a CNS that is never a no-go does not hide a contingency that takes much more."""
    limits = {"cns_no_go": "never", "scrubber_no_go": "never"}
    given = looped(30, 150, "air", setpoint=1.4, scrubber=150) | {"limits": limits}
    given["cylinders"] = [cylinder("air", "diluent", size="3 L"), cylinder("oxygen", "oxygen", size="3 L")]
    given["cylinders"] += [big("32", "bailout", size="80 L")]
    found = plan_dive(parse_dive(given))
    (stuck,) = of_kind(found, "low setpoint")
    assert found.loop is not None
    assert stuck.loop is not None
    assert stuck.loop.minutes > 1.1 * found.loop.minutes > 1.1 * 150.0
    assert "scrubber" in stuck.over
    assert "contingency-scrubber" in {finding.code for finding in found.findings}
    json.dumps(as_data(found), allow_nan=False)  # "never" is no number


def test_a_dive_after_a_no_go_is_one(tmp_path: Path) -> None:
    first = (
        "[[levels]]\ndepth = 40\nleave_at = 30\n"
        '[[cylinders]]\nname = "thin"\ngas = "28"\nsize = 7\npressure = 200\nuse = "bottom"\n'
    )
    (tmp_path / "first.toml").write_text(f'title = "First"\nunits = "metric"\n{first}')
    second = first.replace("40", "12").replace("size = 7", "size = 24").replace("leave_at = 30", "leave_at = 20")
    before = '[[previous]]\nfile = "first.toml"\nsurface_interval = 120\n'
    (tmp_path / "second.toml").write_text(f'title = "Second"\nunits = "metric"\n{second}{before}')
    asked = plan_day(read_dive(tmp_path / "second.toml")).asked_for
    assert not plan_dive(read_dive(tmp_path / "second.toml")).no_go
    assert asked.team.no_go
    assert headline(asked.team.findings, "metric") == "NO-GO: the dive before, First, is a no-go"
    assert headline(asked.team.members[0].plan.findings, "metric") == "NO-GO: the dive before, First, is a no-go"
    assert cured(asked.team).findings[0].cure == ""


def test_a_suit_that_runs_out_on_the_way_down_says_how_deep() -> None:
    """Filled by depth: gas that lasts for a third of the way down is gone a third of the way down."""
    given = tables(30, 20, "28") | {"gas": {"drysuit": "30 L"}}
    given["cylinders"] = [big("28", "bottom"), cylinder("air", "inflation", size="1 L", pressure="50 bar")]
    found = plan_dive(parse_dive(given))
    (suit,) = [use for use in found.supply if use.use == "inflation"]
    when = suit.reaches(suit.content_l)
    assert when is not None
    assert when[1] == pytest.approx(30.0 * suit.content_l / suit.used_l, rel=1e-6)
    assert when[0] == pytest.approx(when[1] / parse_dive(given).rates.descent, rel=1e-6)


def test_a_fix_says_what_it_makes_worse() -> None:
    """A gas for the deep part makes the way up longer on a cylinder that is short already."""
    given = {
        "units": "metric", "levels": [{"depth": 62, "leave_at": 22}],
        "loop": {"diluent": "18/35", "setpoint": 1.3},
        "cylinders": [cylinder("32", "bailout", size="11 L", pressure="185 bar", name="bail")],
    }  # fmt: skip
    team = cured(plan_team(parse_dive(given)))
    (no_gas,) = [f for f in team.findings if f.code == "no-gas" and f.severity == "no-go"]
    before = next(f for f in team.findings if f.code == "gas-short" and f.severity == "no-go")
    added = re.search(r"add ([\d/]+), ([\d.]+) L at (\d+) bar \(but then: (bail runs out, \d+ L short)", no_gas.cure)
    assert added, no_gas.cure
    gas, size, bar, then = added.groups()
    given["cylinders"].append(cylinder(gas, "bailout", size=f"{size} L", pressure=f"{bar} bar", name="added"))
    after = next(f for f in plan_team(parse_dive(given)).findings if f.code == "gas-short" and f.severity == "no-go")
    assert after.values["short_l"] > before.values["short_l"]
    assert headed(after) == then


def test_a_mates_gas_that_does_not_last_has_a_fix_that_is_his() -> None:
    """Brook waits on open circuit for Ada, whose bailout without a deco gas takes long. His larger stage is the fix."""
    given = {
        "units": "metric", "levels": [{"depth": 45, "leave_at": 30}], "stops": {"gas_switch": 0},
        "loop": {"diluent": "21/35", "setpoint": 1.3},
        "cylinders": [cylinder("21/35", "bailout", size="60 L", pressure="230 bar")],
        "team": [
            {"name": "Ada"},
            {"name": "Brook", "circuit": "open", "cylinders": [
                cylinder("21/35", "bottom", size="30 L", pressure="230 bar"), cylinder("50", "deco", size="5 L"),
            ]},
        ],
    }  # fmt: skip
    team = cured(plan_team(parse_dive(given)))
    found = next(f for f in team.findings if f.code == "mate-gas-short")
    size, bar = re.match(r"Brook's deco 50 ([\d.]+) L at (\d+) bar", found.cure).groups()
    given["team"][1]["cylinders"][1] |= {"size": f"{size} L", "pressure": f"{bar} bar"}
    assert not [f for f in plan_team(parse_dive(given)).findings if f.code == "mate-gas-short"]
