"""Teams: one schedule that is everyone's, gas that is handed over, turning together."""

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from leadline.dive_file import parse_dive
from leadline.dive_file.errors import DiveFileError
from leadline.physics.real_gas import free_litres
from leadline.plan import plan_dive
from leadline.plan.team import plan_team
from tests.dives import cylinder, looped, sentence, tables


def big(gas, use, **more):
    return cylinder(gas, use, **({"size": "24 L", "pressure": "230 bar"} | more))


STRESSED = {"stressed_for": 600}
"""All the way up."""


def on_loops(*team, depth=60, leave_at=20, cylinders=(), **more):
    carried = list(cylinders) or [big("18/45", "bailout"), big("50", "bailout")]
    return looped(depth, leave_at, "18/45", setpoint=1.3) | {"cylinders": carried, "team": list(team)} | more


def leaves(found):
    """Stop depth to the run time it is left."""
    return {stop.depth_m: stop.leave_min for stop in found.schedule.stops}


def test_one_diver_is_the_simple_case():
    """Without [[team]] there is one member without a name, planned as ever; a team of two alike dives the same."""
    alone = plan_dive(parse_dive(on_loops()))
    one = plan_team(parse_dive(on_loops()))
    assert [member.name for member in one.members] == [""]
    assert one.members[0].plan == alone
    assert (one.demanding, one.turns, one.bailouts, one.findings) == ("", (), (), alone.findings)
    two = plan_team(parse_dive(on_loops({"name": "Mira"}, {"name": "Jonne"})))
    assert [member.plan.schedule for member in two.members] == [alone.schedule] * 2


def test_one_schedule_and_who_asks_for_it():
    """Mira's first stop is deeper, Jonne's ascent the longer: the team has her deep stops and his shallow ones."""
    team = plan_team(
        parse_dive(
            on_loops({"name": "Mira", "gradient_factors": [20, 90]}, {"name": "Jonne", "gradient_factors": [60, 65]})
        )
    )
    mira, jonne = (member.plan for member in team.members)
    alone = [
        plan_dive(parse_dive(on_loops(model={"gradient_factors": list(factors)}))) for factors in ((20, 90), (60, 65))
    ]
    assert leaves(mira) == leaves(jonne)
    assert max(leaves(alone[0])) > max(leaves(alone[1]))
    assert max(leaves(mira)) == max(leaves(alone[0]))
    assert team.demanding == "Jonne"
    assert [member.alone_min for member in team.members] == [one.schedule.run_time_min for one in alone]
    assert mira.schedule.run_time_min == jonne.schedule.run_time_min >= max(member.alone_min for member in team.members)
    assert any(finding.code == "team" and "Jonne" in sentence(finding) for finding in team.findings)


def test_waiting_for_the_others_is_an_extra_level():
    """On a loop, a diver held at a stop dives what a file with a level at that stop, left at that time, says."""
    team = plan_team(
        parse_dive(
            on_loops({"name": "Mira", "gradient_factors": [40, 70]}, {"name": "Jonne", "gradient_factors": [40, 85]})
        )
    )
    jonne = team.members[1].plan
    last_m = min(leaves(jonne))
    held = [{"depth": depth_m, "leave_at": leave_min} for depth_m, leave_min in leaves(jonne).items()]
    by_hand = plan_dive(
        parse_dive(
            on_loops(
                model={"gradient_factors": [40, 85]},
                levels=[{"depth": 60, "leave_at": 20}, *sorted(held, key=lambda level: -level["depth"])],
            )
        )
    )
    assert last_m == 3.0
    assert by_hand.schedule.run_time_min == pytest.approx(jonne.schedule.run_time_min)
    mine = jonne.schedule.track.tensions_bar[-1]
    assert by_hand.schedule.track.tensions_bar[-1] == pytest.approx(mine, abs=1e-9)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    factors=st.lists(
        st.tuples(st.integers(15, 60), st.integers(0, 35)).map(lambda pair: [pair[0], pair[0] + pair[1]]),
        min_size=2, max_size=4,
    ),
    depth=st.integers(30, 80),
    leave_at=st.integers(8, 40),
    diluents=st.lists(st.sampled_from([None, "open"]), min_size=4, max_size=4),
)  # fmt: skip
def test_nobody_is_ever_above_his_ceiling(factors, depth, leave_at, diluents):
    """Whoever is in the team, on a loop or not: the same stops left at the same minute, no one above his own ceiling
    (under the gradient factor in force) and nobody's run time shorter than alone, but for the rounding minute and the
    deeper stops of the others, which can shorten the shallow ones by little."""
    names = ["Mira", "Jonne", "Anke", "Tjark"]
    divers = [
        {"name": name, "gradient_factors": pair} | ({"circuit": how} if how else {})
        for name, pair, how in zip(names, factors, diluents, strict=False)
    ]
    carried = [
        big("12/60", "bottom", size="60 L"), big("50", "deco", size="60 L"), big("oxygen", "deco", size="60 L"),
    ]  # fmt: skip
    given_ = on_loops(*divers, depth=depth, leave_at=leave_at, cylinders=carried)
    given_["cylinders"].append(big("32", "travel", size="40 L"))
    given_["limits"] = {"ppo2_bottom": 1.6}
    team = plan_team(parse_dive(given_))
    stops = [leaves(member.plan) for member in team.members]
    assert all(one == stops[0] for one in stops)
    for member in team.members:
        points = member.plan.schedule.track.points
        assert (points["ceiling_m"] <= points["depth_m"] + 1e-6).all()
        assert member.plan.schedule.run_time_min >= member.alone_min - 2.0


BAILOUT = {"team_bailout": True}


def test_team_bailout_own_gas_first_then_a_mates():
    """Mira carries 18/45 and too little 50 %: she breathes hers to the reserve of 20 bar, then Jonne's.

    By hand: 30 L/min (1.5 times 20, common practice), as long as she is stressed, times bar times minutes of every leg
    on 50 %.
    """
    small = [big("18/45", "bailout"), cylinder("50", "bailout", size="3 L", pressure="200 bar")]
    given_ = on_loops({"name": "Mira", **STRESSED}, {"name": "Jonne", **STRESSED}, cylinders=small, gas=BAILOUT)
    given_["team"][1]["cylinders"] = [big("50", "bailout", name="stage")]
    team = plan_team(parse_dive(given_))
    found = next(one for one in team.bailouts if one.diver == "Mira")
    legs = [leg for leg in found.contingency.legs if leg.source.mix.label == "50"]
    needed = sum(30.0 * (1.01325 + 0.05 * (leg.start_m + leg.end_m)) * leg.minutes for leg in legs)
    mix = legs[0].source.mix
    own = free_litres(mix, 3.0, 200.0, 14.0) - free_litres(mix, 3.0, 20.0, 14.0)
    (handover,) = found.handovers
    assert (handover.giver, handover.cylinder, handover.mix.label) == ("Jonne", "stage", "50")
    assert handover.litres == pytest.approx(needed - own)
    breathed = 0.0
    for leg in legs:
        flow = 30.0 * (1.01325 + 0.05 * (leg.start_m + leg.end_m))
        if breathed + flow * leg.minutes > own:
            assert handover.run_time_min == pytest.approx(leg.start_min + (own - breathed) / flow)
            assert handover.depth_m == pytest.approx(0.5 * (leg.start_m + leg.end_m))
            break
        breathed += flow * leg.minutes
    assert found.contingency.holds
    asked = {(carry.diver, carry.cylinder): carry.litres for carry in team.carries}
    assert asked["Mira", "bailout 50"] == pytest.approx(own)
    assert asked["Jonne", "stage"] >= needed - own - 1e-6


def test_without_sharing_everyone_must_come_home_alone():
    """The same team: with shared bailout no no-go about it; without it Jonne has nothing for the depth."""
    given_ = on_loops({"name": "Mira"}, {"name": "Jonne"})
    given_["team"][1]["cylinders"] = [big("50", "bailout", name="stage")]
    shared = plan_team(parse_dive(given_ | {"gas": BAILOUT}))
    alone = plan_team(parse_dive(given_))
    # Shared, the gas lasts; but the first breath off the loop must be Jonne's own.
    assert {f.code for f in shared.findings if f.severity == "no-go"} == {"bailout-first-breath"}
    given_["team"][1]["cylinders"].append(cylinder("18/45", "bailout", size="3 L"))
    assert not plan_team(parse_dive(given_ | {"gas": BAILOUT})).no_go
    assert {f.code for f in alone.findings if f.severity == "no-go"} >= {"no-gas"}
    assert all(sentence(f).startswith("Jonne: ") for f in alone.findings if f.severity == "no-go")


def test_not_even_together():
    """All the team's bailout is not enough: a no-go that says whose, which and how much."""
    tiny = [cylinder("18/45", "bailout", size="3 L"), cylinder("50", "bailout", size="3 L")]
    team = plan_team(parse_dive(on_loops({"name": "Mira"}, {"name": "Jonne"}, cylinders=tiny, gas=BAILOUT)))
    short = [f for f in team.findings if f.code == "gas-short" and f.severity == "no-go"]
    assert short
    assert all(f.severity == "no-go" and "short" in sentence(f) for f in short)
    assert team.no_go


def open_team(**more):
    mira = {"name": "Mira", "cylinders": [big("18/45", "bottom", size="20 L"), big("50", "deco")]}
    jonne = {"name": "Jonne", "rmv_bottom": 25, "rmv_stressed": 40}
    given_ = tables(60, 15, "18/45", ("50",), team=[mira, jonne], **more)
    given_["cylinders"] = [big("18/45", "bottom", size="36 L"), big("50", "deco")]
    return given_


def test_minimum_gas_for_the_mate_who_breathes_most():
    """Mira stressed 30 and Jonne 40 L/min: for either, minimum gas brings both up, 70 L/min times bar times minutes."""
    for member in plan_team(parse_dive(open_team())).members:
        (gas,) = member.plan.minimum_gas
        mate = next(c for c in member.plan.contingencies if c.kind == "mate out of gas")
        assert mate.leaves_at_min == 15.0
        on_it = [leg for leg in mate.legs if leg.source.mix.label == "18/45"]
        by_hand = sum(70.0 * (1.01325 + 0.05 * (leg.start_m + leg.end_m)) * leg.minutes for leg in on_it)
        assert gas.litres == pytest.approx(by_hand)
        assert (gas.to_m, gas.depth_m, gas.run_time_min) == (21.0, 60.0, 15.0)


def test_a_mate_off_the_loop_on_this_bailout():
    """Alone: the gas of the own bailout, on stops that are no shorter, since the diver on the loop comes up as well. In
    a team: 40 L/min, those of the mate who breathes most."""
    alone = plan_dive(parse_dive(on_loops()))
    mate = next(c for c in alone.contingencies if c.kind == "mate out of gas")
    own = alone.longest_bailout
    assert [leg.source for leg in mate.legs if leg.kind == "stop"] == [
        leg.source for leg in own.legs if leg.kind == "stop"
    ]
    assert mate.run_time_min >= max(own.run_time_min, alone.schedule.run_time_min)
    assert mate.loop.minutes == mate.run_time_min
    team = plan_team(
        parse_dive(on_loops({"name": "Mira", **STRESSED}, {"name": "Jonne", **STRESSED, "rmv_stressed": 40}))
    )
    for member in team.members:
        found = next(c for c in member.plan.contingencies if c.kind == "mate out of gas")
        flow = 40.0 if member.name == "Mira" else 30.0
        by_hand = sum(flow * (1.01325 + 0.05 * (leg.start_m + leg.end_m)) * leg.minutes for leg in found.legs)
        assert sum(use.used_l for use in found.breathed) == pytest.approx(by_hand)
    shared = plan_team(parse_dive(on_loops({"name": "Mira"}, {"name": "Jonne"}, gas=BAILOUT)))
    assert not [c for c in shared.members[0].plan.contingencies if c.kind == "mate out of gas"]


@pytest.mark.parametrize("rule", ["thirds", "halves", "all usable", 0.25])
def test_turning_together(rule):
    """Unlike cylinders: both turn after the litres that the one with less may breathe (common practice, no source)."""
    team = plan_team(parse_dive(open_team(gas={"turn": rule})))
    mira, jonne = (member.plan.turns[0] for member in team.members)
    out_l = min(mira.out_l, jonne.out_l)
    for member, size in zip(team.members, (20.0, 36.0), strict=True):
        (turn,) = [turn for turn in team.turns if turn.diver == member.name]
        mix = member.plan.turns[0].mix
        breathed = free_litres(mix, size, 230.0, 14.0) - free_litres(mix, size, turn.turn_bar, 14.0)
        assert breathed == pytest.approx(out_l, rel=1e-6)


def test_tts_off_the_loop_on_the_slate_is_that_of_the_bailout():
    """The first breaths are Mira's own 15/55, as far as 57 m, and only then Jonne's richer 18/45: that takes longer, at
    every run time that is marked."""
    own = [big("15/55", "bailout")]
    given_ = looped(60, 25, "15/55", setpoint=1.3) | {"cylinders": own, "gas": BAILOUT}
    given_["team"] = [{"name": "Mira"}, {"name": "Jonne", "cylinders": [big("18/45", "bailout"), big("50", "bailout")]}]
    mira, jonne = (member.plan for member in plan_team(parse_dive(given_)).members)
    for plan_ in (mira, jonne):
        bailout = next(c for c in plan_.bailouts if c.scenario.level == 0)
        assert dict(plan_.bailout_tts)[25.0] == pytest.approx(bailout.tts_min, abs=1e-9)
    first, *_ = next(c for c in mira.bailouts if c.scenario.level == 0).switches
    assert first.source.mix.label == "15/55"
    for at_min, tts_min in mira.bailout_tts:
        assert tts_min > dict(jonne.bailout_tts)[at_min]


def test_a_team_is_never_planned_as_one_diver():
    """Its divers' own tables would count for nothing."""
    with pytest.raises(DiveFileError, match="plan_team"):
        plan_dive(parse_dive(on_loops({"name": "Mira"}, {"name": "Jonne"})))


def test_whose_file_is_wrong_is_said():
    """A diver whose stops never clear is named."""
    own = {"name": "Jonne", "circuit": "open", "gradient_factors": [10, 10], "cylinders": [big("18/45", "bottom")]}
    given_ = on_loops({"name": "Mira"}, own, stops={"last": "6 m"})
    with pytest.raises(DiveFileError, match="Jonne"):
        plan_team(parse_dive(given_), "keel.toml")


def test_a_stop_at_the_last_levels_own_depth_is_waited_out_together():
    """A level at 23 m, off the stop grid, that one diver's ceiling holds longer than the other's."""
    given_ = on_loops(
        {"name": "Mira", "gradient_factors": [20, 80]}, {"name": "Jonne", "gradient_factors": [70, 80]},
        levels=[{"depth": 60, "leave_at": 40}, {"depth": 23, "leave_at": 51}],
    )  # fmt: skip
    alone = [
        plan_dive(parse_dive(given_ | {"team": [], "model": {"gradient_factors": pair}}))
        for pair in ([20, 80], [70, 80])
    ]
    assert 23.0 in leaves(alone[0])
    assert 23.0 not in leaves(alone[1])
    mira, jonne = (leaves(member.plan) for member in plan_team(parse_dive(given_)).members)
    assert {d: t for d, t in mira.items() if d <= 23.0} == {d: t for d, t in jonne.items() if d <= 23.0}
    assert jonne[23.0] == leaves(alone[0])[23.0]
