"""Shared bailout: whose cylinder, when and where, by the written order, and what if it is lost."""

import pytest

from leadline.dive_file import parse_dive
from leadline.plan.team import plan_team
from tests.dives import cylinder, looped, sentence


def shared(depth, deep, cylinders, team):
    given = looped(depth, 25, deep, setpoint=1.3)
    return given | {"gas": {"team_bailout": True}, "cylinders": cylinders, "team": team}


def carrying(size):
    return [cylinder("21/35", "bailout", size=size), cylinder("50", "bailout")]


def ada_and_brook(size):
    return plan_team(
        parse_dive(
            shared(45, "21/35", carrying("12 L"), [{"name": "Ada", "cylinders": carrying(size)}, {"name": "Brook"}])
        )
    )


def test_ones_own_gas_must_last_the_sorting_out():
    """2 min at 45 m, 30 L/min (1.5 times 20, common practice): 30 x 5.513 x 2 = 331 L, the first of them one's own."""
    team = ada_and_brook("0.5 L")
    (finding,) = [f for f in team.findings if f.code == "bailout-first-breath"]
    assert finding.severity == "no-go"
    assert sentence(finding).startswith("Ada: ")
    assert finding.values["needed_l"] == pytest.approx(30.0 * (1.01325 + 4.5) * 2.0)
    bailout = next(one for one in team.bailouts if one.diver == "Ada")
    own = next(use for use in bailout.contingency.supply if use.name == "bailout 21/35")
    assert own.legs[0].start_min == bailout.contingency.leaves_at_min  # it is breathed first, as far as it goes
    assert not [f for f in ada_and_brook("12 L").findings if f.code == "bailout-first-breath"]


def by_hand(legs, label, flow):
    """Litres of a gas, cumulated: (run time, depth, so far) at every end of a leg. RMV times bar times minutes."""
    so_far, found = 0.0, []
    for leg in legs:
        if leg.source.mix.label == label:
            litres = flow * (1.01325 + 0.05 * (leg.start_m + leg.end_m)) * leg.minutes
            found.append((leg, so_far, so_far + litres))
            so_far += litres
    return found


def when(walked, litres):
    """The leg in which so much has been breathed, and the run time."""
    leg, before, after = next(one for one in walked if one[2] > litres + 1e-9)
    return leg, leg.start_min + leg.minutes * (litres - before) / (after - before)


def test_own_then_the_mates_in_turn_and_the_reserves_in_turn():
    """Three with 3 L of 18/45 and 2 L of 50 % each, stressed all the way up, 64 m: it does not suffice. Whose is
    breathed when, walked by hand from what the cylinders hold; and when the last is empty."""
    small = [cylinder("18/45", "bailout", size="3 L"), cylinder("50", "bailout", size="2 L")]
    names = ["Ada", "Brook", "Cai"]
    given = shared(64, "18/45", small, [{"name": name, "stressed_for": 600} for name in names])
    team = plan_team(parse_dive(given))
    bailout = next(one for one in team.bailouts if one.diver == "Ada")
    found = bailout.contingency
    assert found.answers.gas == "runs out"
    for label in ("18/45", "50"):
        walked = by_hand(found.legs, label, 30.0)
        uses = [use for use in found.supply if use.mix.label == label and use.use == "bailout"]
        usable_l, content_l = uses[0].usable_l, uses[0].content_l
        handed = [one for one in bailout.handovers if one.mix.label == label]
        assert [one.giver for one in handed] == ["Brook", "Cai"]
        for i, one in enumerate(handed, 1):
            leg, at_min = when(walked, i * usable_l)
            assert one.run_time_min == pytest.approx(leg.start_min if leg.start_m != leg.end_m else at_min)
            assert one.depth_m == leg.start_m
        assert [use.missing_l > 1e-6 for use in uses] == [False, False, True]  # the last is asked for what is missing
        leg, at_min = when(walked, 3 * content_l)
        assert uses[2].reaches(content_l)[0] == pytest.approx(at_min)
        leg, at_min = when(walked, 3 * usable_l)
        assert uses[0].reaches(usable_l)[0] == pytest.approx(at_min)  # one's own reserve, after all else


def test_a_mates_cylinder_may_be_lost():
    """Of what Brook is asked for: his 21/35, since Ada's 4 L do not last. What he is not asked for is not missed."""
    unasked = ada_and_brook("12 L").members[0].plan
    assert not any(one.handovers for one in unasked.bailouts)
    assert not [c for c in unasked.contingencies if "Brook's" in c.name]
    team = ada_and_brook("4 L")
    ada = team.members[0].plan
    lost = [c for c in ada.contingencies if c.kind == "bailout lost"]
    theirs = [c for c in lost if "Brook's" in c.name]
    assert theirs
    for found in theirs:
        assert found.scenario.two_failures
        missing = found.name.split("without ")[1].split(" (")[0]
        assert missing in {"Brook's bailout 21/35", "Brook's bailout 50"}
        assert not any(use.name == missing for use in found.supply)
    assert len({c.name.split(", where")[1] if ", where" in c.name else "" for c in theirs}) == len(theirs)


def test_each_of_ones_own_cylinders_goes_down_to_its_own_reserve_first():
    """Two of 3 L of one mix, reserves 20 and 100 bar, 3 min to sort it out at 64 m: 30 x 7.413 x 3 = 667 L are asked
    and more is there above the reserves. Both come to their reserves at once, by what each has above its own."""
    deep = [cylinder("18/45", "bailout", size="3 L", name=name, reserve=bar) for name, bar in (("a", 20), ("b", 100))]
    mates = [cylinder("18/45", "bailout", size="3 L", name="low"), cylinder("50", "bailout", size="2 L")]
    team = [{"name": "Ada", "cylinders": [*deep, mates[1]], "stressed_for": 600}, {"name": "Brook"}]
    given = shared(64, "18/45", mates, team) | {"diver": {"sorting_out": 3}}
    planned = plan_team(parse_dive(given))
    assert not [f for f in planned.findings if f.code == "bailout-first-breath" and sentence(f).startswith("Ada")]
    bailout = next(one for one in planned.bailouts if one.diver == "Ada").contingency
    uses = [use for use in bailout.supply if use.name in ("a", "b")]
    assert sum(use.usable_l for use in uses) > 30.0 * (1.01325 + 6.4) * 3.0
    _, at_min = when(by_hand(bailout.legs, "18/45", 30.0), sum(use.usable_l for use in uses))
    for use in uses:
        assert use.used_by(at_min) == pytest.approx(use.usable_l)
        assert use.bar_at(at_min) == pytest.approx(use.reserve_bar, abs=0.5)


def test_of_mates_out_of_gas_one_is_told_whatever_their_names():
    """Names that are letters of the words around them."""
    given = {
        "units": "metric", "levels": [{"depth": 45, "leave_at": 20}],
        "cylinders": [cylinder("21/35", "bottom", size="36 L", pressure="230 bar"), cylinder("50", "deco")],
        "team": [{"name": name} for name in ("a", "o", "u")],
    }  # fmt: skip
    for member in plan_team(parse_dive(given)).members:
        names = [c.name[2:] for c in member.plan.contingencies if c.kind == "mate out of gas"]
        assert len(names) == len(set(names))
