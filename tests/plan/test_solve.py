"""From limits back to the dive, against brute force: the dive file edited by hand, step by step, and planned anew."""

import itertools
import json
import math
import re
import tomllib
from pathlib import Path

import pytest

from leadline.dive_file import DiveFileError, parse_dive
from leadline.dive_file.schema import SolveCylinder
from leadline.physics.real_gas import water_litres
from leadline.plan import plan_dive
from leadline.plan.team import plan_team
from leadline.solve import (
    Bottoms,
    answer_as_data,
    best_deco,
    best_mix,
    bottom,
    deepest,
    free_mix,
    judge_dive,
    least_gas,
    limits_frontier,
    longest,
    smallest_cylinders,
)
from leadline.solve.bottom import _reach, shortest, with_bottom
from leadline.solve.cylinders import with_cylinders
from leadline.solve.deco import with_deco
from leadline.solve.frontier import Frontier
from leadline.solve.mix import with_mix
from leadline.solve.verdict import BrokenLimit, Verdict
from leadline.units import FOOT_M, PSI_BAR
from tests.dives import cylinder, tables
from tests.solve.test_interval import said_by

EXAMPLES = Path(__file__).parents[2] / "examples"
NOTHING_GOES_WRONG = {
    "leave_out": [
        "deeper", "longer", "deeper and longer", "delay", "lost gas", "two gases lost", "gas found empty",
        "bottom cylinder lost", "bailout", "bailout lost", "low setpoint", "oxygen gone", "diluent gone", "slow ascent",
        "aborted descent", "heavy breathing", "mate out of gas",
    ]
}  # fmt: skip


def example(name):
    return tomllib.loads((EXAMPLES / f"{name}.toml").read_text(encoding="utf-8"))


def copied(given):
    return json.loads(json.dumps(given))


def edited(given, depth=None, leave_at=None, level=0):
    """The tables of a dive file with another depth or time at a level; later levels keep their durations."""
    made = copied(given)
    if depth is not None:
        made["levels"][level]["depth"] = depth
    if leave_at is not None:
        later = leave_at - made["levels"][level]["leave_at"]
        for one in made["levels"][level:]:
            one["leave_at"] += later
    return made


def holds(given):
    """Whether a dive file can be planned and has no no-go."""
    try:
        return not plan_team(parse_dive(given)).no_go
    except DiveFileError:
        return False


def grave(given):
    """The codes of the no-gos of a dive file."""
    return {finding.code for finding in plan_dive(parse_dive(given)).findings if finding.severity == "no-go"}


def small(**more):
    """A 30 m air dive on one 12 L cylinder and a stage: quick to plan, and short of gas soon."""
    given = tables(30, 12, "air", ("50",), **more)
    given["cylinders"] = [cylinder("air", "bottom", size="15 L"), cylinder("50", "deco", size="7 L")]
    return given


def two_levels():
    given = small()
    given["levels"] = [{"depth": 30, "leave_at": 10}, {"depth": 15, "leave_at": 18}]
    return given


def looped():
    return {
        "units": "metric",
        "levels": [{"depth": 45, "leave_at": 20}],
        "loop": {"diluent": "21/35", "setpoint": 1.3, "scrubber": 180},
        "cylinders": [
            cylinder("21/35", "diluent", size="3 L"), cylinder("oxygen", "oxygen", size="3 L"),
            cylinder("21/35", "bailout", size="11 L"), cylinder("50", "bailout", size="7 L"),
        ],
    }  # fmt: skip


DIVES = {"open circuit": small, "two levels": two_levels, "loop": looped}


# --- Bottom time and depth --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", DIVES)
def test_the_longest_bottom_time_is_that_of_brute_force(name):
    given = DIVES[name]()
    answer = longest(parse_dive(given))
    low = shortest(parse_dive(given))
    by_hand = [minutes for minutes in range(low, answer.best + 9) if holds(edited(given, leave_at=minutes))]
    assert answer.best == max(by_hand)
    assert by_hand == [minutes for minutes in range(low, answer.best + 1) if minutes not in answer.gaps]
    assert not holds(edited(given, leave_at=answer.best + 1))
    assert (answer.dive.levels[0].leave_at, answer.complete) == (answer.best, True)
    assert len(answer.behind) == 3
    assert all(bound.holds_to == answer.best for bound in answer.binding)
    later = [bound.holds_to for bound in answer.behind]
    assert later == sorted(later)
    assert later[0] > answer.best


@pytest.mark.parametrize("name", DIVES)
def test_the_deepest_depth_is_that_of_brute_force(name):
    given = DIVES[name]()
    answer = deepest(parse_dive(given))
    low = min(answer.best, answer.given) - 3
    by_hand = [depth for depth in range(low, answer.best + 5) if holds(edited(given, depth=depth))]
    assert answer.best == max(by_hand)
    assert not holds(edited(given, depth=answer.best + 1))
    assert answer.dive.deepest_m == answer.best


def test_feet_are_whole_feet():
    given = example("marigold-loop")
    answer = deepest(parse_dive(given))
    by_hand = [feet for feet in range(146, answer.best + 4) if holds(edited(given, depth=feet))]
    assert answer.best == max(by_hand)
    assert answer.dive.deepest_m == pytest.approx(answer.best * FOOT_M)
    data = answer_as_data(answer)
    assert data["best"] == pytest.approx(answer.best * FOOT_M, abs=1e-4)
    assert data["unit"] == "m"


def test_the_answer_is_the_same_whatever_the_file_says():
    """From below and from above the same bottom time is found: 8 and 60 min are on both sides of it."""
    given = small()
    assert longest(parse_dive(edited(given, leave_at=8))).best == longest(parse_dive(edited(given, leave_at=60))).best


def test_later_levels_keep_their_durations():
    """30 m is left at 10, 15 m at 18: 8 min with the way. Left at 14, the second is left at 22."""
    dive = with_bottom(parse_dive(two_levels()), 33.0, 14)
    assert [(level.depth, level.leave_at) for level in dive.levels] == [(33.0, 14.0), (15.0, 22.0)]


def test_levels_before_the_deepest_stay():
    given = small()
    given["levels"] = [{"depth": 12, "leave_at": 4}, {"depth": 30, "leave_at": 12}]
    dive = with_bottom(parse_dive(given), 33.0, 14)
    assert [(level.depth, level.leave_at) for level in dive.levels] == [(12.0, 4.0), (33.0, 14.0)]
    # 12 m left at 4 min, 21 m down at 20 m/min: 5.05 min, so 6 is the first whole minute at depth.
    assert shortest(dive) == 6


def test_the_shortest_bottom_time():
    """30 m at 20 m/min is reached at 1.5 min; 60 m at exactly 3, and 3 min would be no time at all."""
    assert shortest(parse_dive(small())) == 2
    assert shortest(parse_dive(edited(small(), depth=60))) == 4


# --- Every kind of limit ----------------------------------------------------------------------------------------------


def wide(depth, leave_at, bottom="air", deco=(), **more):
    """A dive with more gas than it can breathe, and nothing that goes wrong."""
    given = tables(depth, leave_at, bottom, deco, contingencies=NOTHING_GOES_WRONG, **more)
    given["cylinders"] = [cylinder(bottom, "bottom", size="100 L", pressure="300 bar")]
    given["cylinders"] += [cylinder(gas, "deco", size="40 L", pressure="300 bar") for gas in deco]
    return given


def scrubbed():
    given = looped() | {"contingencies": NOTHING_GOES_WRONG}
    given["loop"]["scrubber"] = 40
    return given


def stressed():
    """Two divers of 60 L/min each on the bottom gas need more of 3000 L than the dive itself."""
    given = small(diver={"rmv_stressed": 60}, contingencies=NOTHING_GOES_WRONG)
    return given | {"cylinders": given["cylinders"][:1]}


BINDING = {
    "gas": (lambda: small(contingencies=NOTHING_GOES_WRONG), "gas-short", "air in bottom air"),
    "minimum gas": (stressed, "minimum-gas", "minimum gas of air"),
    "CNS": (lambda: wide(30, 95, "36", limits={"ppo2_bottom": 1.5}), "cns", "CNS"),
    "TTS limit": (lambda: wide(30, 20, limits={"tts": 15}), "tts", "TTS limit"),
    "run-time limit": (lambda: wide(30, 20, limits={"run_time": 45}), "run-time", "run-time limit"),
    "scrubber": (scrubbed, "scrubber", "scrubber"),
}  # fmt: skip


@pytest.mark.parametrize("name", BINDING)
def test_the_next_minute_fails_of_the_limit_named(name):
    made, code, called = BINDING[name]
    given = made()
    answer = longest(parse_dive(given))
    assert [bound.name for bound in answer.binding] == [called]
    assert not grave(edited(given, leave_at=answer.best))
    assert grave(edited(given, leave_at=answer.best + 1)) == {code}


def test_otu_binds():
    """CNS is used up long before 850 OTU (at 1.3 bar 180 min are 266 OTU): so with a lower limit of OTU."""
    given = wide(30, 15, "32", limits={"otu_caution": 10, "otu_no_go": 20})
    answer = longest(parse_dive(given))
    assert [bound.name for bound in answer.binding] == ["OTU"]
    # 4.01325 bar of 32 %: ppO2 1.284, (0.784 / 0.5)^(5/6) = 1.455 OTU a minute, 20 OTU after some 14 min.
    assert 13 <= answer.best <= 15
    assert plan_dive(parse_dive(edited(given, leave_at=answer.best))).oxygen.otu <= 20.0
    assert plan_dive(parse_dive(edited(given, leave_at=answer.best + 1))).oxygen.otu > 20.0


def test_density_binds_the_depth():
    """Air is 1.2884 g/L at one atmosphere: 6.205 g/L at 4.880 bar, 38.67 m. So 38 m holds and 39 m does not."""
    air = 0.2098 * 1.429 + 0.7902 * 1.251
    assert (6.205 / air * 1.01325 - 1.01325) / 0.1 == pytest.approx(38.67, abs=0.01)
    answer = deepest(parse_dive(wide(30, 5, limits={"density_no_go": 6.2})))
    assert (answer.best, [bound.name for bound in answer.binding]) == (38, ["density of air"])


def test_ppo2_binds_the_depth():
    """32 % at the limit of 1.4 bar and the tolerance of 0.03: 4.469 bar, 34.55 m."""
    answer = deepest(parse_dive(wide(30, 5, "32")))
    assert (answer.best, [bound.name for bound in answer.binding]) == (34, ["ppO2 of 32 %"])
    # At 1.63 bar nobody plans it at all: 5.094 bar, 40.8 m. That is a limit like any other.
    refused = [bound for bound in answer.behind if bound.limits[0].code == "refused"]
    assert [bound.holds_to for bound in refused] == [40]


def test_the_contingency_is_named():
    given = example("marigold-trimix")
    given["contingencies"] = {"leave_out": [k for k in NOTHING_GOES_WRONG["leave_out"] if k != "mate out of gas"]}
    answer = longest(parse_dive(given))
    assert [bound.name for bound in answer.binding] == ["18/45 in twin set, mate out of gas"]
    assert grave(edited(given, leave_at=answer.best + 1)) == {"gas-short"}


def test_the_limits_behind_hold_as_long_as_said():
    """Each limit behind: not among the plan's and the contingencies' no-gos up to its minute, and then it is."""
    given = example("marigold-trimix")
    answer = longest(parse_dive(given))
    for bound in (*answer.binding, *answer.behind):
        limit = bound.limits[0]

        def broken(minutes, limit=limit):
            found = plan_dive(parse_dive(edited(given, leave_at=minutes)))
            findings = [f for c in found.contingencies if c.kind == limit.contingency for f in c.findings]
            if not limit.contingency:
                findings = found.own
            return any(
                f.severity == "no-go" and f.code == limit.code and limit.subject in ("", f.values.get("cylinder"))
                for f in findings
            )

        assert not any(broken(minutes) for minutes in range(answer.best, bound.holds_to + 1))
        assert broken(bound.holds_to + 1)


def test_a_dive_that_cannot_be_planned_is_a_limit():
    """The level after the deepest is left 8 min later; once the stops on the way take longer, there is no such dive."""
    given = two_levels() | {"contingencies": NOTHING_GOES_WRONG}
    given["levels"] = [{"depth": 57, "leave_at": 5}, {"depth": 6, "leave_at": 17}]
    given["cylinders"] = [cylinder("18/45", "bottom", size="40 L"), cylinder("50", "deco", size="12 L")]
    answer = longest(parse_dive(given))
    assert [bound.limits[0].code for bound in answer.binding] == ["refused"]
    plan_dive(parse_dive(edited(given, leave_at=answer.best)))
    with pytest.raises(DiveFileError, match="before the stops"):
        plan_dive(parse_dive(edited(given, leave_at=answer.best + 1)))


def test_two_failures_count_if_the_dive_file_says_so():
    """Of the keel dive both stages lost are not survived: a caution, unless two failures are a no-go."""
    given = example("marigold-trimix")
    assert judge_dive(parse_dive(given)).holds
    given["contingencies"] = {"two_failures": "no-go"}
    assert not holds(given)
    assert {limit.contingency for limit in judge_dive(parse_dive(given)).limits} == {"two gases lost"}


def test_gas_that_runs_out_is_seen_beside_a_reserve_that_is_breathed():
    """The plan's findings say once that the bottom gas is short; here each contingency that runs out of it is kept."""
    leave_out = [kind for kind in NOTHING_GOES_WRONG["leave_out"] if kind != "longer"]
    given = small(contingencies={"leave_out": leave_out}) | {"levels": [{"depth": 30, "leave_at": 45}]}
    short = {limit.contingency for limit in judge_dive(parse_dive(given)).limits if limit.subject == "bottom air"}
    assert short == {"", "longer"}


def test_cylinders_drawn_on_together_are_one_line():
    given = small(contingencies=NOTHING_GOES_WRONG)
    half = cylinder("air", "bottom", size="7.5 L")
    given["cylinders"] = [half | {"name": "left"}, half | {"name": "right"}, given["cylinders"][1]]
    answer = longest(parse_dive(given))
    assert [bound.name for bound in answer.binding] == ["air in left and right"]
    assert answer.best == longest(parse_dive(small(contingencies=NOTHING_GOES_WRONG))).best


GOOD, BAD = Verdict((), 1.0), Verdict((BrokenLimit("cns", ""),), 1.0)


def test_a_gap_is_said():
    """Should 5 and 8 hold, and 6 and 7 not, then 8 is the longest, and 6 and 7 are told."""
    found = _reach(lambda value: GOOD if value in (1, 2, 3, 4, 5, 8) else BAD, 3, 1, 40, 20)
    assert found.best == 8
    assert [value for value, one in found.verdicts.items() if value < 8 and not one.holds] == [6, 7]
    # From above, the first that holds is taken; the limits behind it were sought up to 20 past it.
    assert max(found.verdicts) == 28


def test_where_nothing_fails_the_search_ends(monkeypatch):
    monkeypatch.setattr(bottom, "MOST_MIN", 15)
    answer = longest(parse_dive(small()))
    assert (answer.best, answer.binding, answer.looked_to, answer.complete) == (15, (), 15, True)


def test_whose_limit_it_is():
    """Two divers on one schedule: the one who breathes twice as much runs short first."""
    given = small() | {"team": [{"name": "Ann"}, {"name": "Ben", "rmv_bottom": 40}]}
    answer = longest(parse_dive(given))
    by_hand = [minutes for minutes in range(2, answer.best + 5) if holds(edited(given, leave_at=minutes))]
    assert answer.best == max(by_hand)
    assert {limit.diver for bound in answer.binding for limit in bound.limits} == {"Ben"}
    assert all(bound.name.startswith("Ben: ") for bound in answer.binding)


def test_a_team_diver_has_cylinders_of_his_own():
    """Ben's are changed with his list, Ann's are the file's: four cylinders to be found, each as small as can be."""
    own = [cylinder("air", "bottom", size="24 L"), cylinder("50", "deco", size="12 L")]
    given = small() | {"team": [{"name": "Ann"}, {"name": "Ben", "rmv_bottom": 30, "cylinders": own}]}
    answer = smallest_cylinders(parse_dive(given | {"solve": {"cylinders": SIZES}}))
    assert [fitted.diver for fitted in answer.fitted] == ["", "", "Ben", "Ben"]
    made = copied(given)
    tables_of_cylinders = [*made["cylinders"], *made["team"][1]["cylinders"]]
    for table, fitted in zip(tables_of_cylinders, answer.fitted, strict=True):
        table |= {"size": fitted.chosen.size, "pressure": fitted.chosen.pressure}
    assert holds(made)
    larger = tables_of_cylinders[2]["size"]
    tables_of_cylinders[2]["size"] = max(one["size"] for one in SIZES if one["size"] < larger)
    assert not holds(made)
    mixed = with_mix(parse_dive(given), parse_dive(looped()).loop.diluent)
    assert [c.gas.label for c in (mixed.cylinders[0], mixed.team[1].cylinders[0])] == ["21/35", "21/35"]


# --- Nothing holds ----------------------------------------------------------------------------------------------------


def test_no_bottom_time_holds_and_what_is_nearest():
    """Air at 45 m is over 6.2 g/L, here a no-go, however short the dive."""
    given = wide(45, 20, limits={"density_no_go": 6.2})
    answer = longest(parse_dive(given))
    assert (answer.found, answer.best, answer.complete) == (False, None, True)
    assert [bound.name for bound in answer.binding] == ["density of air"]
    assert "38 m, left at 2 min" in answer.nearest
    # The least of what was looked at: all are as dense, and the file's own 20 min are broken by nothing else.
    assert re.match(r"Nearest miss, \d+ min: air: .* g/L at 45 m is over 6.2", answer.nearest_miss)
    assert holds(edited(given, depth=38, leave_at=2))
    assert not holds(edited(given, depth=39, leave_at=2))


def test_no_depth_holds_and_what_is_nearest():
    """200 min at 20 L/min: 3956 L at 1 m on what a 12 L cylinder has above its reserve, 150 bar or about 1800 L."""
    given = tables(30, 200, contingencies=NOTHING_GOES_WRONG)
    answer = deepest(parse_dive(given))
    assert (answer.found, answer.looked_from) == (False, 1)
    assert [bound.limits[0].code for bound in answer.binding] == ["gas-short", "minimum-gas"]
    best = longest(parse_dive(given)).best
    assert f"{best} min" in answer.nearest
    assert answer.nearest_miss.startswith("Nearest miss, 1 m: ")
    assert holds(edited(given, leave_at=best))


def test_no_mix_holds_and_which_fails_by_least():
    """At 60 m (7.013 bar) 21/35 is 6.35 g/L, a little over 6.2, here a no-go; air is 8.9 g/L."""
    given = example("marigold-trimix") | {"solve": {"gases": ["air", "21/35", "25/25"]}}
    given["limits"] = {"density_no_go": 6.2}
    answer = best_mix(parse_dive(given))
    assert not answer.found
    assert answer.choices[0].mix.label == "21/35"
    assert answer.nearest_miss.startswith("Nearest miss, 21/35: ")
    assert all(not choice.verdict.holds for choice in answer.choices)


def test_not_even_the_largest_cylinders():
    given = small() | {"solve": {"cylinders": [{"size": 1, "pressure": 100}, {"size": 2, "pressure": 100}]}}
    answer = smallest_cylinders(parse_dive(given))
    assert not answer.found
    assert any(bound.limits[0].code == "gas-short" for bound in answer.limits)
    assert answer.nearest_miss.startswith("Nearest miss, the largest everywhere: ")


def test_no_deco_gas_holds():
    """One stage, and nothing for it that would let a dive with a TTS limit of 10 min be."""
    given = wide(45, 30, "21/35", ("50",), limits={"tts": 10}) | {"solve": {"deco_gases": ["50", "oxygen"]}}
    answer = best_deco(parse_dive(given))
    assert not answer.found
    assert answer.nearest is not None
    assert any(limit.code == "tts" for limit in answer.nearest.verdict.limits)
    assert re.search(r"TTS of \d+ min is over the limit of 10", answer.nearest_miss)


@pytest.mark.parametrize(
    ("solver", "more", "words"),
    [
        (best_deco, {}, "[solve] deco_gases"),
        (best_deco, {"solve": {"deco_gases": ["50"]}, "cylinders": [cylinder("air", "bottom")]}, 'use = "deco"'),
        (smallest_cylinders, {}, "[solve] cylinders"),
    ],
)
def test_nothing_to_choose_from_is_refused(solver, more, words):
    with pytest.raises(DiveFileError) as refused:
        solver(parse_dive(small() | more), "marigold.toml")
    (line,) = refused.value.lines()
    assert line.startswith("marigold.toml: ")
    assert words in line


# --- The best mix -----------------------------------------------------------------------------------------------------


def test_the_mix_for_60_m_by_hand():
    """EN 13319 water, 60 m: 1.01325 + 6 = 7.01325 bar.

    Oxygen: 1.41 / 7.01325 = 0.2011, so 20 %. END of at most 30.5 m: 7.01325 (1 - he) <= 4.06325, he >= 42.06 %.
    Density of at most 5.205 g/L: (0.20·1.429 + (0.80 - he)·1.251 + he·0.1786) · 7.01325 / 1.01325 <= 5.205,
    1.2866 - 1.0724 he <= 0.75200, he >= 49.85 %. For 6.205 g/L he >= 36.4 %, and END asks for 43 %.
    """
    free = free_mix(parse_dive(tables(60, 20, "18/45")))
    assert (free.mix.label, free.hard.label, free.least_for) == ("20/50", "20/43", "density")
    assert free.ppo2_bar == pytest.approx(0.20 * 7.01325)
    assert free.end_m == pytest.approx((7.01325 * 0.50 - 1.01325) / 0.1)
    assert free.density_g_l == pytest.approx((0.2 * 1.429 + 0.3 * 1.251 + 0.5 * 0.1786) * 7.01325 / 1.01325)


def met(o2, he, bar, end_m=30.5, density=5.205, oxygen_narcotic=True):
    """Whether a mix is within END and density at an ambient pressure, by the textbook."""
    narcotic = (1.0 - he) if oxygen_narcotic else (1.0 - o2 - he) / 0.7902
    end = (bar * narcotic - 1.01325) / 0.1
    return end <= end_m and (o2 * 1.429 + (1 - o2 - he) * 1.251 + he * 0.1786) * bar / 1.01325 <= density


@pytest.mark.parametrize("depth", [12, 30, 39, 45, 57, 66, 75, 90, 100])
@pytest.mark.parametrize("narcotic", [True, False])
def test_one_percent_less_helium_or_more_oxygen_fails(depth, narcotic):
    free = free_mix(parse_dive(tables(depth, 20, "18/45", limits={"oxygen_narcotic": narcotic})))
    bar = 1.01325 + 0.1 * depth
    o2, he = round(100 * free.mix.o2), round(100 * free.mix.he)
    assert o2 / 100 * bar <= 1.41 < (o2 + 1) / 100 * bar
    assert met(o2 / 100, he / 100, bar, oxygen_narcotic=narcotic)
    assert he == 0 or not met(o2 / 100, (he - 1) / 100, bar, oxygen_narcotic=narcotic)
    assert (free.least_for == "") == (he == 0)


def test_hypoxic_at_the_surface_is_said():
    """100 m: 11.01325 bar, 12 % oxygen (1.32 bar; 13 % is 1.43), 0.12 bar at the surface."""
    free = free_mix(parse_dive(tables(100, 20, "12/65", ("50",))))
    assert free.mix.label.startswith("12/")
    assert "hypoxic at the surface" in free.hypoxic
    assert free_mix(parse_dive(tables(60, 20, "18/45"))).hypoxic == ""


def test_the_diluent_can_bring_the_loop_down():
    """45 m: 5.51325 bar, 5.45055 dry. 1.3 / 5.45055 = 0.2385: 23 %, for 24 % alone would be 1.308 bar.

    In the loop at 1.3 bar: oxygen 1.3 / 5.45055 = 0.23851, helium share s of the rest. Density of at most 5.205 g/L:
    0.23851·1.429 + 0.76149·(1.251 - 1.0724 s) <= 5.205·1.01325/5.51325 = 0.95660, s >= 0.4124. Helium is s·77 %:
    31.8, so 32 %. END: 5.51325·(1 - 0.76149 s) <= 4.06325 is met by s >= 0.3454.
    """
    free = free_mix(parse_dive(looped()))
    assert (free.mix.label, free.least_for) == ("23/32", "density")
    assert free.ppo2_bar == pytest.approx(1.3)


def test_without_helium_enough_there_is_no_mix():
    """350 m: 36.01 bar; heliox 3/97 still is 0.03·1.429 + 0.97·0.1786 = 0.216 g/L, 7.7 g/L at depth."""
    assert free_mix(parse_dive(tables(350, 30, "5/94"))) is None


def test_a_list_of_mixes_is_ranked_by_brute_force():
    given = example("marigold-trimix")
    listed = ["18/45", "15/55", "21/35", "20/50", "19/50"]
    by_hand = []
    for label in listed:
        made = copied(given)
        made["cylinders"][0]["gas"] = label
        if holds(made):
            found = plan_dive(parse_dive(made))
            cautions = sum(finding.severity == "caution" for finding in found.findings)
            by_hand.append((cautions, found.schedule.run_time_min, float(label.split("/")[1]), label))
    answer = best_mix(parse_dive(given | {"solve": {"gases": listed}}))
    assert [choice.mix.label for choice in answer.choices if choice.verdict.holds] == [
        one[-1] for one in sorted(by_hand)
    ]
    assert {choice.mix.label for choice in answer.choices} == set(listed)
    assert all(choice.verdict.limits for choice in answer.choices if not choice.verdict.holds)
    assert answer.dive.cylinders[0].gas.label == answer.choices[0].mix.label


def test_a_mix_without_cautions_comes_before_a_quicker_one_with_some():
    """54 m: 6.413 bar in EN 13319 water. 21/35 is (0.21·1.429 + 0.44·1.251 + 0.35·0.1786)·6.413/1.01325 = 5.78 g/L,
    over the recommended 5.2, and its END (6.413·0.65 - 1.01325)/0.1 = 31.6 m, over 30: two cautions. 18/45 is
    (0.18·1.429 + 0.37·1.251 + 0.45·0.1786)·6.413/1.01325 = 5.07 g/L, END 25.1 m: none. 21/35 is the quicker."""
    given = wide(54, 20, "18/45") | {"solve": {"gases": ["21/35", "18/45"]}}
    twins = {"size": "50 L", "pressure": "300 bar", "manifold": True}
    given["cylinders"] = [cylinder("18/45", "bottom", name=name, **twins) for name in ("left", "right")]
    answer = best_mix(parse_dive(given))
    assert [choice.mix.label for choice in answer.choices] == ["18/45", "21/35"]
    clean, quick = (choice.verdict for choice in answer.choices)
    assert (clean.cautions, len(quick.cautions)) == ((), 2)
    assert quick.run_time_min < clean.run_time_min
    assert answer.quickest.mix.label == "21/35"
    said = said_by(answer)
    assert "21/35 would be the quickest, with more cautions: " in said
    assert "21/35: END 31.6 m at 54 m is over 30 m ([limits] end_caution)." in said


def test_a_diluent_is_changed_in_loop_and_cylinder():
    given = looped() | {"solve": {"gases": ["18/45"]}}
    answer = best_mix(parse_dive(given))
    made = copied(given)
    made["loop"]["diluent"] = made["cylinders"][0]["gas"] = "18/45"
    assert answer.choices[0].verdict == judge_dive(parse_dive(made))
    assert answer.choices[0].verdict.run_time_min == plan_dive(parse_dive(made)).schedule.run_time_min


def test_gases_named_elsewhere_change_too():
    """The gas of a level and of the oxygen breaks, where it is the bottom gas."""
    given = example("marigold-trimix") | {"solve": {"gases": ["20/50"]}}
    given["levels"][0]["gas"] = "18/45"
    given["stops"]["oxygen_breaks"] = {"on": 12, "off": 6, "gas": "18/45"}
    answer = best_mix(parse_dive(given))
    assert answer.found
    assert answer.dive.levels[0].gas.label == answer.dive.stops.oxygen_breaks.gas.label == "20/50"


# --- The best deco gases ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("twin_set_l", [30, 90])
def test_the_best_deco_gases_are_those_of_brute_force(twin_set_l):
    """On 30 L the dive needs both stages; on 90 L one would do, and still two are the quickest."""
    given = example("marigold-trimix")
    given["cylinders"][0]["size"] = twin_set_l
    listed = ["50", "oxygen", "80", "32"]
    stages = given["cylinders"][1:]
    by_hand = []
    for n in range(3):
        for filled in itertools.permutations(listed, n):
            for places in itertools.combinations(range(2), n):
                made = copied(given)
                made["cylinders"] = made["cylinders"][:1]
                made["cylinders"] += [stages[place] | {"gas": gas} for place, gas in zip(places, filled, strict=True)]
                if holds(made):
                    by_hand.append((plan_dive(parse_dive(made)).schedule.run_time_min, set(filled)))
    answer = best_deco(parse_dive(given | {"solve": {"deco_gases": listed}}))
    assert any(len(gases) < 2 for _, gases in by_hand) == (twin_set_l == 90)
    run_time_min, gases = min(by_hand, key=lambda one: (one[0], len(one[1])))
    assert answer.best.verdict.run_time_min == run_time_min
    assert {gas.mix.label for gas in answer.best.gases} == gases
    others = [one for one in by_hand if one[1] != gases]
    assert answer.runner_up.verdict.run_time_min == min(one[0] for one in others)
    # 1.63 bar: 50 % down to 22.5 m, so 21 on the grid; oxygen to 6.2 m, so 6.
    assert {gas.mix.label: gas.switch_m for gas in answer.best.gases} == {"50": 21.0, "oxygen": 6.0}


def test_bailout_gases_on_a_loop():
    """One free cylinder beside the deepest: the choice with the shortest bailout of those that hold."""
    given = looped()
    listed = ["50", "80", "oxygen", "32"]
    by_hand = []
    for gas in [*listed, None]:
        made = copied(given)
        if gas is None:
            del made["cylinders"][3]
        else:
            made["cylinders"][3]["gas"] = gas
        if holds(made):
            by_hand.append((plan_dive(parse_dive(made)).longest_bailout.tts_min, gas))
    answer = best_deco(parse_dive(given | {"solve": {"deco_gases": listed}}))
    assert len(by_hand) >= 2
    assert answer.best.verdict.way_up_min == min(by_hand)[0]
    assert answer.choices == 5


def test_switch_depths_of_the_diver_are_let_go():
    given = small()
    given["cylinders"][1]["switch_depth"] = 12
    dive = with_deco(parse_dive(given), (parse_dive(looped()).cylinders[1].gas,))
    assert (dive.cylinders[1].gas.label, dive.cylinders[1].switch_depth) == ("oxygen", None)
    assert [c.name for c in with_deco(parse_dive(given), (None,)).cylinders] == ["bottom air"]


# --- The smallest cylinders -------------------------------------------------------------------------------------------

SIZES = [
    {"size": s, "pressure": p} for s, p in ((3, 200), (7, 200), (10, 200), (12, 232), (15, 232), (20, 232), (24, 232))
]


@pytest.mark.parametrize("name", ["open circuit", "loop"])
def test_the_next_smaller_of_each_fails(name):
    given = DIVES[name]()
    answer = smallest_cylinders(parse_dive(given | {"solve": {"cylinders": SIZES}}))
    made = copied(given)
    for table, fitted in zip(made["cylinders"], answer.fitted, strict=True):
        table |= {"size": fitted.chosen.size, "pressure": fitted.chosen.pressure}
    assert holds(made)
    shrunk = 0
    for i, fitted in enumerate(answer.fitted):
        smaller = copied(made)
        sizes = [one["size"] for one in SIZES]
        at = sizes.index(fitted.chosen.size)
        assert (fitted.smaller is None) == (at == 0)
        if at:
            shrunk += at < len(SIZES) - 1
            smaller["cylinders"][i] |= SIZES[at - 1]
            assert not holds(smaller)
            assert fitted.smaller_breaks
    assert shrunk


def test_one_cylinder_is_the_smallest_that_holds():
    given = small()
    given["cylinders"] = given["cylinders"][:1]
    by_hand = [one["size"] for one in SIZES if holds(given | {"cylinders": [given["cylinders"][0] | one]})]
    answer = smallest_cylinders(parse_dive(given | {"solve": {"cylinders": SIZES[::-1]}}))
    assert answer.fitted[0].chosen.size == min(by_hand)


def test_the_water_volume_of_a_changed_cylinder_is_worked_out_anew():
    dive = parse_dive(small())
    assert dive.cylinders[0].water_l == 15.0
    changed = with_cylinders(dive, [SolveCylinder(size=24, pressure=232), SolveCylinder(size=3, pressure=100)])
    assert [(c.water_l, c.pressure) for c in changed.cylinders] == [(24.0, 232.0), (3.0, 100.0)]
    assert dive.cylinders[0].water_l == 15.0
    joined = parse_dive(small() | {"cylinders": [c | {"manifold": c["use"] == "bottom"} for c in small()["cylinders"]]})
    assert with_cylinders(joined, [SolveCylinder(size=24, pressure=232)] * 2).cylinders[0].manifold
    given = example("marigold-loop")
    given["solve"] = {"cylinders": [{"size": 40, "working_pressure": 3000, "pressure": 2800}]}
    dive = parse_dive(given)
    assert dive.cylinders[0].water_l == 3.0
    changed = with_cylinders(dive, dive.solve.cylinders * 4)
    assert changed.cylinders[0].water_l == pytest.approx(water_litres(40.0, 3000 * PSI_BAR))
    assert changed.cylinders[3].pressure == pytest.approx(2800 * PSI_BAR)


def test_a_fill_below_the_reserve_does_not_suffice():
    given = small() | {"solve": {"cylinders": [{"size": 50, "pressure": 60}]}}
    given["cylinders"][0]["reserve"] = 70
    answer = smallest_cylinders(parse_dive(given))
    assert not answer.found
    assert "reserve" in answer.limits[0].limits[0].message


# --- The frontier -----------------------------------------------------------------------------------------------------


DENSE = {"limits": {"density_no_go": 6.2}}


@pytest.fixture(scope="module")
def around() -> Frontier:
    return limits_frontier(parse_dive(small(**DENSE)))


def test_every_minute_of_the_frontier_is_tried(around):
    """At some depths: up to the least minute of all curves everything holds, and one minute on it does not."""
    assert around.complete
    depths = [point.depth_m for point in around.curves[0].points]
    assert {15.0, 18.0, 30.0, 45.0} <= set(depths)
    for depth_m in (27.0, 30.0, 33.0):
        at = [next(p for p in curve.points if p.depth_m == depth_m) for curve in around.curves]
        least = min(point.holds_to_min for point in at if not point.beyond)
        assert holds(edited(small(**DENSE), depth=depth_m, leave_at=least))
        assert not holds(edited(small(**DENSE), depth=depth_m, leave_at=least + 1))


def test_the_frontier_goes_through_the_longest_bottom_time(around):
    answer = longest(parse_dive(small(**DENSE)))
    at = [next(p for p in curve.points if p.depth_m == 30.0) for curve in around.curves]
    assert min(point.holds_to_min for point in at if not point.beyond) == answer.best


def test_where_a_limit_leaves_no_time_the_metre_is_found(around):
    """Air's density, here a no-go over 6.2 g/L: 38 m holds and 39 m does not, so from there no time is left."""
    curve = next(curve for curve in around.curves if curve.code == "density")
    left = {point.depth_m: point.holds_to_min for point in curve.points}
    assert left[38.0] is not None
    assert left[39.0] is None


# --- Stopped, and as data ---------------------------------------------------------------------------------------------


def stopping_after(count):
    left = itertools.count(count, -1)

    def told(said):
        if next(left) == 0:
            raise KeyboardInterrupt

    return told


LISTS = {"gases": ["air", "28", "21/35"], "deco_gases": ["50", "oxygen", "80"], "cylinders": SIZES}


@pytest.mark.parametrize("solver", [longest, deepest, best_mix, best_deco, smallest_cylinders, limits_frontier])
@pytest.mark.parametrize("after", [0, 1, 2])
def test_ctrl_c_leaves_what_is_known(solver, after):
    answer = solver(parse_dive(small() | {"solve": LISTS}), told=stopping_after(after))
    assert not answer.complete
    assert answer.tried <= after
    if not isinstance(answer, Frontier):
        assert answer_as_data(answer)["complete"] is False


def test_what_is_known_at_ctrl_c_is_right():
    """The file's own 12 min hold and some more; stopped there, the longest tried is given and nothing is claimed."""
    answer = longest(parse_dive(small()), told=stopping_after(3))
    assert (answer.best, answer.tried, answer.binding) == (14, 3, ())
    assert holds(edited(small(), leave_at=14))


def test_a_dive_is_planned_once():
    said = []
    dive = parse_dive(small())
    bottoms = Bottoms(dive, told=said.append)
    longest(dive, tried=bottoms)
    first = len(said)
    assert first == len(set(said)) == len(bottoms.verdicts)
    longest(dive, tried=bottoms)
    assert len(said) == first


@pytest.mark.parametrize("solver", [longest, deepest, best_mix, best_deco, smallest_cylinders, least_gas])
def test_every_answer_is_json(solver, around):
    data = answer_as_data(solver(parse_dive(small() | {"solve": LISTS})), around)
    again = json.loads(json.dumps(data, allow_nan=False))
    assert again == json.loads(json.dumps(data))
    assert again["units"] == "metric"
    assert again["frontier"]["limits"][0]["points"]


def test_a_limit_is_how_much_over():
    """A TTS of so many minutes over a limit of 5."""
    given = wide(30, 40, limits={"tts": 5})
    (limit,) = judge_dive(parse_dive(given)).limits
    assert limit.over == pytest.approx(plan_dive(parse_dive(given)).schedule.tts_min / 5.0)
    assert math.isfinite(limit.over)
