"""Teams in which something goes wrong: every diver of them walked to the surface on his own breath, by the independent
walker of `tests/reference_team.py`, from what is printed."""

import math
import random
from collections import Counter
from dataclasses import dataclass, replace

import pytest

from leadline.dive_file import parse_dive
from leadline.dive_file.errors import DiveFileError
from leadline.plan.team import plan_team
from tests import reference_team
from tests.authority.published import ZHL16
from tests.dives import cylinder, looped, tables
from tests.reference_model import Loop, Reference, gas
from tests.reference_team import PER_METRE, Piece, Walker, divers, read, walk

TEAMS = 40
"""How many teams are drawn. Raise it for a long run."""
FIRST_SEED = 1

OF_ALL = ["deeper", "longer", "deeper and longer", "slow ascent"]
"""Not asked for: these happen to all."""


# --- The walker itself ------------------------------------------------------------------------------------------------


def square(reference):
    """A dive of the other reference as pieces, from what it breathed, and its stops and levels."""
    here, found, at_min = 0.0, [], 0.0
    deepest = max(range(len(reference.levels)), key=lambda i: reference.levels[i][0])
    left_min = reference.levels[deepest][1]
    for start_min, minutes, bar, label in reference.breaths:
        mean_m = (bar - reference.surface) / reference.per_metre
        end_m = 2.0 * mean_m - here
        loop = reference.loop
        setpoint = loop.held_at(mean_m, start_min >= left_min - 1e-9) if loop else None
        mix = gas(loop.diluent if loop else label)
        end_m = here if abs(end_m - here) < 1e-9 else end_m
        # A breath of a travel in parts has the run time at which the travel begins.
        begin_min = max(start_min, at_min)
        found.append(Piece("ascent", begin_min, begin_min + minutes, here, end_m, mix, setpoint))
        here, at_min = end_m, begin_min + minutes
    return tuple(found)


@pytest.mark.parametrize(
    "reference",
    [
        Reference([(45.0, 25.0, "air")], deco=("50", "oxygen")),
        Reference([(60.0, 20.0, "18/45"), (36.0, 30.0, "18/45")], deco=("50",), gf_low=0.3, gf_high=0.7),
        Reference([(60.0, 20.0, "18/45")], loop=Loop("18/45", 1.3)),
        Reference([(50.0, 30.0, "18/45")], loop=Loop("18/45", 1.2, 1.4, 12.0, 0.7, 20.0, 3.0), gf_high=0.7),
    ],
    ids=["air", "two levels", "loop", "loop at four setpoints"],
)
def test_the_walker_and_the_other_reference_agree(reference):
    """Haldane's and Schreiner's equations over Bühlmann's tables, written twice: the same tensions at the end, and the
    surfacing gradient factor they make, which is GF high at most."""
    reference.swim()
    dived = square(reference)
    walked = walk(dived)
    assert dived[-1].end_m == pytest.approx(0.0, abs=1e-9)
    assert dived[-1].end_min == pytest.approx(reference.run_time)
    assert walked.n2 == pytest.approx(reference.n2, abs=2e-5)
    assert walked.he == pytest.approx(reference.he, abs=2e-5)
    low, high = 0.0, 3.0
    for _ in range(60):  # by the other's ceiling: the gradient factor that just allows the surface
        middle = 0.5 * (low + high)
        low, high = (low, middle) if reference.ceiling(middle) <= 0.0 else (middle, high)
    assert walked.gf == pytest.approx(100.0 * high, abs=0.01)
    assert 0.0 < walked.gf <= 100.0 * reference.gf_high + 1e-6
    assert walked.over_bar < 0.0


def test_haldane_by_hand():
    """30 m on air for 20 min, by Haldane's equation with the inspired nitrogen written out; litres by Boyle's law."""
    dived = (Piece("level", 0.0, 20.0, 30.0, 30.0, gas("air")),)
    walked = walk(dived, rmv=lambda _: 18.0)
    inspired, rest = (4.01325 - 0.0627) * 0.7902, (1.01325 - 0.0627) * 0.7902
    for half_time, tension in zip(ZHL16["n2_half_time_min"], walked.n2, strict=True):
        assert tension == pytest.approx(inspired + (rest - inspired) * math.exp(-math.log(2.0) * 20.0 / half_time))
    assert walked.litres == {gas("air"): pytest.approx(18.0 * 4.01325 * 20.0)}


def test_the_m_value_by_hand():
    """A compartment at its M-value, a + P / b of Bühlmann's tables, is at GF 100, and over it by nothing."""
    walker = Walker()
    for c in range(16):
        walker.n2 = [0.79] * 16
        walker.n2[c] = ZHL16["n2_a_bar_zhl16c"][c] + 1.01325 / ZHL16["n2_b"][c]
        assert walker.gf(0.0) == pytest.approx(100.0)
        walker.over_bar = -math.inf
        walker.look(0.0, 0.0)
        assert walker.over_bar == pytest.approx(0.0, abs=1e-12)


def test_a_semi_closed_loop_in_balance_by_hand():
    """18/45 at 40 m, 20 L/min, one breath in three vented, 1 L/min of oxygen used: m = 0.15, and the loop holds
    (5.01325 · 0.18 - 0.15) / (5.01325 - 0.15) of oxygen, the rest 37 parts nitrogen to 45 of helium (the mass balance
    of the method page: oxygen brought is oxygen used and vented)."""
    one = Piece("stop", 0.0, 10.0, 40.0, 40.0, gas("18/45"), None, 0.15)
    o2 = (5.01325 * 0.18 - 0.15) / (5.01325 - 0.15)
    assert Walker().ppo2(one, 40.0) == pytest.approx(o2 * 5.01325)
    n2, he = Walker().inert(one, 40.0)
    assert n2 + he == pytest.approx((5.01325 - 0.0627) * (1.0 - o2))
    assert n2 / he == pytest.approx(37.0 / 45.0)


# --- Random teams -----------------------------------------------------------------------------------------------------

NAMES = ["Mira", "Jonne", "Anke", "Tjark"]
BOTTOM = [(32, ("air", "28", "32")), (44, ("25/25", "21/20", "21/35")), (62, ("18/45", "20/40")), (75, ("16/50",))]
"""Fit down to so many metres, and at the surface."""
DILUENTS = [(44, ("21/35", "18/45")), (62, ("18/45", "15/50")), (75, ("12/60", "15/55"))]
RICHER = [("50",), ("50", "oxygen"), ("50", "oxygen"), ("32", "oxygen"), ("40", "80"), ("36", "70")]


def fit_for(given, depth):
    return next(mixes for deepest, mixes in given if depth <= deepest)


def drawn(seed):
    """A dive file of a team."""
    dice = random.Random(seed)
    kind = ("open", "loops", "mixed")[seed % 3]
    depth = dice.randint(24, 75)
    short, long = (8, 20) if depth > 45 else (15, 40)
    levels = [{"depth": depth, "leave_at": dice.randint(short, long)}]
    if dice.random() < 0.3:
        levels.append({"depth": dice.randint(15, depth - 6), "leave_at": levels[0]["leave_at"] + dice.randint(8, 18)})

    def tank(mix, use, sizes, **more):
        reserve = {"reserve": f"{dice.choice([20, 40])} bar"} if dice.random() < 0.3 else {}
        pressure = f"{dice.choice([200, 220, 230])} bar"
        return cylinder(mix, use, **({"size": f"{dice.choice(sizes)} L", "pressure": pressure} | reserve | more))

    def open_cylinders():
        mix = dice.choice(fit_for(BOTTOM, depth))
        found = [tank(mix, "bottom", (24, 30, 36))]
        if dice.random() < 0.25:
            found = [tank(mix, "bottom", (15, 18), name=f"{side} {mix}") for side in ("left", "right")]
        return found + [tank(richer, "deco", (7, 11, 12)) for richer in dice.choice([(), *RICHER])]

    def bailout():
        mixes = (dice.choice(fit_for(BOTTOM, depth)), *dice.choice(RICHER))
        found = [tank(mix, "bailout", (11, 12, 15, 20)) for mix in dict.fromkeys(mixes)]
        if shares and dice.random() < 0.3 and len(found) > 1:
            found.pop(dice.randrange(1, len(found)))
        return found + feeding

    def loop():
        found = {"diluent": dice.choice(fit_for(DILUENTS, depth)), "setpoint": dice.choice([1.0, 1.1, 1.2, 1.3, 1.4])}
        if dice.random() < 0.3:
            found |= {"low_setpoint": 0.7, "high_from": dice.choice([9, 20])}
        if dice.random() < 0.3:
            found |= {"deco_setpoint": dice.choice([1.2, 1.4, 1.5]), "deco_from": dice.choice([6, 12, 21])}
        return found

    shares = kind != "open" and dice.random() < 0.5
    feeding = [tank("oxygen", "oxygen", (3,))] if kind != "open" and dice.random() < 0.5 else []
    number = (2, 3, 2, 4)[seed % 4]
    team = []
    for name in NAMES[:number]:
        low = dice.randint(25, 55)
        diver = {"name": name, "gradient_factors": [low, min(92, low + dice.randint(20, 45))]}
        on_open_circuit = kind == "open" or (kind == "mixed" and (name == NAMES[0] or dice.random() < 0.3))
        on_open_circuit = on_open_circuit and not (kind == "mixed" and name == NAMES[1])
        if on_open_circuit:
            diver["cylinders"] = open_cylinders()
            diver |= {"circuit": "open"} if kind == "mixed" else {}
        else:
            diver["cylinders"] = bailout()
            diver["loop"] = loop()
        for key, few, many in (("rmv_bottom", 13, 24), ("rmv_deco", 11, 18), ("rmv_stressed", 25, 40)):
            diver |= {key: dice.randint(few, many)} if dice.random() < 0.6 else {}
        diver |= {"stressed_for": dice.choice([5, 15, 600])} if dice.random() < 0.3 else {}
        diver |= {"rmv_bailout": dice.randint(14, 24)} if dice.random() < 0.3 else {}
        team.append(diver)
    more = {
        "site": {"water": dice.choice(["en13319", "sea", "fresh"])},
        "stops": {"gas_switch": dice.choice([0, 1, 1, 2]), "last": dice.choice(["3 m", "3 m", "6 m"])},
        "diver": {"sorting_out": dice.choice([0, 1, 2, 3])},
        "contingencies": {"leave_out": OF_ALL},
        "team": team,
        "levels": levels,
        "gas": {"team_bailout": shares},
    }
    if kind != "loops" and dice.random() < 0.2:
        more["stops"]["oxygen_breaks"] = {"on": dice.choice([8, 12, 20]), "off": 5}
    if kind == "open":
        return tables(depth, levels[0]["leave_at"], "air", **more)
    apart = {key: more.pop(key) for key in ("diver", "contingencies", "team", "levels", "gas")}
    return looped(depth, levels[0]["leave_at"], "18/45", setpoint=1.2, **more) | {"cylinders": feeding} | apart


@dataclass
class Walk:
    """A team's failures, and what they are judged by."""

    seed: int
    failures: list
    divers: tuple
    alone_min: dict
    last_level_min: float


def walked(seed):
    """A team of the planner's, as the walker reads it; None where the planner refuses it."""
    given = drawn(seed)
    try:
        team = plan_team(parse_dive(given))
    except DiveFileError:
        return None
    own = divers(given)
    plans = {member.name: member.plan.schedule.legs for member in team.members}
    per_metre = PER_METRE[given["site"]["water"]]
    failures = [
        read(found, member.name, plans, own, per_metre)
        for member in team.members
        for found in member.plan.contingencies
        if found.legs and (found.leaves_at_min is not None or found.mates)
    ]
    alone_min = {member.name: member.alone_min for member in team.members}
    return Walk(seed, failures, own, alone_min, given["levels"][-1]["leave_at"])


@pytest.fixture(scope="module")
def teams():
    """Those of the teams drawn that can be dived."""
    return [found for seed in range(FIRST_SEED, FIRST_SEED + TEAMS) if (found := walked(seed)) is not None]


def told(teams, check):
    """What a check says, with the seed of the team."""
    return [f"seed {team.seed}: {said}" for team in teams for failure in team.failures for said in check(team, failure)]


def test_the_teams_are_many_and_unlike(teams):
    """Most teams that are drawn can be dived, and all that can go wrong with one diver does, somewhere."""
    failures = [failure for team in teams for failure in team.failures]
    assert len(teams) >= 0.7 * TEAMS
    assert len(failures) >= 5 * TEAMS
    kinds = Counter(failure.kind for failure in failures)
    asked = {"bailout", "bailout lost", "heavy breathing", "oxygen gone", "diluent gone", "mate out of gas"}
    asked |= {"gas found empty", "bottom cylinder lost", "aborted descent"}  # and whole dives:
    asked |= {"lost gas", "two gases lost", "low setpoint", "delay"}
    assert asked <= set(kinds), kinds
    assert {len(team.divers) for team in teams} == {2, 3, 4}
    assert any(failure.handed for failure in failures)
    assert any(team.divers[0].loop is None and team.divers[1].loop is not None for team in teams)


def sooner(way):
    """A way up without its longest stop: all that comes after it so much earlier."""
    i = max((i for i, one in enumerate(way.after) if one.kind == "stop"), key=lambda i: way.after[i].minutes)
    minutes = way.after[i].minutes - 0.01
    after = [
        replace(one, start_min=one.start_min - minutes * (k > i), end_min=one.end_min - minutes * (k >= i))
        for k, one in enumerate(way.after)
    ]
    return replace(way, after=tuple(after))


def test_the_checks_find_what_is_wrong(teams):
    """A check that never says anything proves nothing: each finds what is done to one diver of a plan that was fine,
    wherever that is enough to be found."""
    found = Counter()
    for team in teams:
        for fine in team.failures:
            stops = [one.minutes for one in fine.leaver.after if one.kind == "stop"]
            deep = fine.leaver.after[0].start_m > 12.0
            if fine.kind not in ("bailout", "diluent gone") or not deep or max(stops, default=0.0) < 8.0:
                continue
            mate, *rest = fine.mates

            def with_mate(rest=rest, fine=fine, mate=mate, **changed):
                return replace(fine, mates=(replace(mate, **changed), *rest))

            def on(mix, mate=mate):
                return tuple(replace(one, mix=gas(mix), setpoint=None) for one in mate.after)

            early = replace(fine, mates=(sooner(mate), *rest))
            too_much = tuple(replace(use, used_l=1.1 * use.used_l + 10.0) for use in mate.supply)
            said = {
                "whole": reference_team.whole(replace(fine, mates=tuple(rest)), team.divers),
                "gap": reference_team.whole(with_mate(after=mate.after[1:]), team.divers),
                "limits": reference_team.within_limits(early),
                "together": reference_team.together(early),
                "fit": reference_team.fit_to_breathe(with_mate(after=on("99"))),
                "thin": reference_team.fit_to_breathe(with_mate(after=on("5/70"))),
                "there": reference_team.breathes_what_is_there(with_mate(after=on("33"))),
                "leaner": reference_team.never_leaner(with_mate(after=(*on("50")[:1], *on("33")[1:]))),
                "litres": reference_team.gas_adds_up(with_mate(supply=too_much)),
                "shorter": reference_team.no_shorter(
                    replace(fine, run_time_min=team.last_level_min + 3.0), team.alone_min, team.last_level_min
                ),
            }
            found += Counter(name for name, told_ in said.items() if list(told_))
            found["all"] += 1
    assert found["all"] >= 5
    for name in ("whole", "gap", "together", "fit", "thin", "there", "leaner", "litres"):
        assert found[name] == found["all"], name
    assert found["limits"] >= 0.2 * found["all"]  # a mate of higher factors may well leave out a stop
    assert found["shorter"] >= 0.2 * found["all"]  # only who goes on as planned is held to it


def test_everybody_has_a_way_up(teams):
    """Of every diver there is one, from where he is when the plan is left, without a gap, to the surface."""
    assert not told(teams, lambda team, failure: reference_team.whole(failure, team.divers))


def test_nobody_surfaces_over_his_own_gradient_factor(teams):
    """Bühlmann's tables and M-values, Haldane's and Schreiner's equations, Baker's gradient factors."""
    assert not told(teams, lambda _, failure: reference_team.within_limits(failure))


def test_all_leave_every_stop_together(teams):
    """Common practice, no source."""
    assert not told(teams, lambda _, failure: reference_team.together(failure))


def test_all_that_is_breathed_is_fit_to(teams):
    """Dalton's law; NOAA Diving Manual for the least oxygen, the diver's own limit for the most."""
    assert not told(teams, lambda _, failure: reference_team.fit_to_breathe(failure))


def test_all_that_is_breathed_is_carried_or_given(teams):
    """Common sense, no source: what nobody has with him cannot be breathed."""
    assert not told(teams, lambda _, failure: reference_team.breathes_what_is_there(failure))


def test_nobody_goes_back_to_a_leaner_gas(teams):
    """Common practice, no source; breaks from oxygen apart."""
    assert not told(teams, lambda _, failure: reference_team.never_leaner(failure))


def test_the_gas_adds_up(teams):
    """Boyle's law; RMV by common practice, no source."""
    assert not told(teams, lambda _, failure: reference_team.gas_adds_up(failure))


def test_a_mate_who_goes_on_as_planned_is_not_up_sooner(teams):
    """Haldane: who breathes as planned, and is at no depth for less time than alone, has no less to get rid of."""
    assert not told(
        teams, lambda team, failure: reference_team.no_shorter(failure, team.alone_min, team.last_level_min)
    )
