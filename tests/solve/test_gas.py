"""The least gas: every gas in every cylinder of a small list, by brute force and by hand."""

import itertools
import json

import pytest

from leadline.dive_file import DiveFileError, parse_dive
from leadline.plan.planned import plan_dive
from leadline.plan.standard import BOTTOM_MIXES, DECO_MIXES
from leadline.solve import answer_as_data, least_gas
from leadline.solve.gas import RANKED, _least
from tests.dives import cylinder, tables
from tests.solve.test_interval import said_by

LITRES = ((5, 200), (10, 200), (15, 232), (24, 232))
SIZES = [{"size": size, "pressure": pressure} for size, pressure in LITRES]
LEFT_OUT = {"leave_out": ["deeper and longer", "delay", "slow ascent", "heavy breathing", "aborted descent"]}


def open_circuit():
    given = tables(42, 22, "21/35", ("50",), contingencies=LEFT_OUT)
    given["cylinders"] = [cylinder("21/35", "bottom"), cylinder("50", "deco")]
    return given | {"solve": {"gases": ["21/35", "25/25"], "deco_gases": ["50", "oxygen"], "cylinders": SIZES}}


def looped():
    return {
        "units": "metric",
        "levels": [{"depth": 45, "leave_at": 25}],
        "loop": {"diluent": "21/35", "setpoint": 1.3, "scrubber": 180},
        "cylinders": [
            cylinder("21/35", "diluent", size="3 L"), cylinder("oxygen", "oxygen", size="3 L"),
            cylinder("21/35", "bailout", size="11 L"),
        ],
        "contingencies": LEFT_OUT,
        "solve": {"gases": ["21/35", "18/45"], "deco_gases": ["50"], "cylinders": SIZES},
    }  # fmt: skip


def by_brute_force(given):
    """Litres, cautions, run time, bottom gas or diluent and deco gases of whatever holds: the file edited by hand."""
    found = []
    solve = given["solve"]
    for bottom, count in itertools.product(solve["gases"], range(3)):
        for decos in itertools.combinations(solve["deco_gases"], count):
            for sizes in itertools.product(SIZES, repeat=1 + count):
                made = json.loads(json.dumps(given))
                uses = ["bailout"] * 3 if "loop" in made else ["bottom", "deco", "deco"]
                kept = [one for one in made["cylinders"] if one["use"] not in ("bottom", "deco", "bailout")]
                made["cylinders"] = kept + [
                    {"name": f"{use} {gas}", "gas": gas, "use": use} | size
                    for gas, use, size in zip((bottom, *decos), uses, sizes, strict=False)
                ]
                if "loop" in made:
                    made["loop"]["diluent"] = made["cylinders"][0]["gas"] = bottom
                try:
                    planned = plan_dive(parse_dive(made))
                except DiveFileError:
                    continue
                if not planned.no_go:
                    litres = sum(size["size"] * size["pressure"] for size in sizes)
                    cautions = sum(finding.severity == "caution" for finding in planned.findings)
                    found.append((litres, cautions, planned.schedule.run_time_min, (bottom, *decos)))
    return sorted(found)


@pytest.mark.parametrize("given", [open_circuit(), looped()], ids=["open circuit", "loop"])
def test_the_least_gas_is_that_of_brute_force(given):
    answer = least_gas(parse_dive(given))
    by_hand = by_brute_force(given)
    assert len(by_hand) > 10
    best = answer.choices[0]
    gases = tuple(carried.cylinder.gas.label for carried in best.cylinders)
    assert (best.carried_l, len(best.verdict.cautions), best.verdict.run_time_min, gases) == by_hand[0]
    least = {}
    for litres, *_, gases in by_hand:
        least.setdefault(gases, litres)
    assert [choice.carried_l for choice in answer.choices] == sorted(least.values())[:RANKED]
    planned = plan_dive(answer.dive)
    assert not planned.no_go
    assert planned.schedule.run_time_min == best.verdict.run_time_min
    fewest = min(by_hand, key=lambda one: (one[1], one[0]))
    clean = answer.fewest_cautions or best
    assert (len(clean.verdict.cautions), clean.carried_l) == (fewest[1], fewest[0])


def test_by_hand_on_one_gas():
    """20 m is 3.013 bar, reached within 2 min: 18 min there at 20 L/min are 1085 L, and 5 L at 200 bar hold 1000 L at
    most. Of 10 L at 200 bar, less what real gas takes off, over 1900 L, all 20 min take at most 1205 L; minimum gas for
    two at 30 L/min each is 2 · 3.013 · 60 = 362 L to sort it out and, 20 m up at 2 bar on the mean, under 300 L."""
    given = tables(20, 20, "32", contingencies={"leave_out": ["mate out of gas", *LEFT_OUT["leave_out"]]})
    given["cylinders"] = given["cylinders"][:1]
    given["solve"] = {"gases": ["32"], "deco_gases": ["oxygen"], "cylinders": SIZES}
    answer = least_gas(parse_dive(given))
    (bottom,) = answer.choices[0].cylinders
    assert (bottom.size, bottom.cylinder.use, bottom.switch_m) == ("10 L, 200 bar", "bottom", None)
    assert answer.gas_sets == 2


def test_less_of_one_is_made_up_by_more_of_another():
    """Two cylinders of 1, 2 or 4 L: either alone could be 1 L beside one of 4, together they take 5 L at least. The
    least is 1 and 4, and of equals the first."""

    def holds(sizes):
        return sum((1, 2, 4)[size] for size in sizes) >= 5

    litres = [[1.0, 2.0, 4.0]] * 2
    assert _least((2, 2), litres, holds, lambda litres: True) == (0, 2)
    assert _least((2, 2), litres, holds, lambda litres: litres < 5.0) is None


def test_the_largest_need_not_be_the_roomiest():
    """Of 2, 3 and 4 L the middle one holds and the largest does not: found all the same."""
    assert _least((1,), [[2.0, 3.0, 4.0]], lambda sizes: sizes == (1,), lambda litres: True) == (1,)


def test_without_lists_the_standard_ones_are_chosen_from():
    given = open_circuit()
    del given["solve"]
    answer = least_gas(parse_dive(given))
    assert answer.found
    bottom, *decos = answer.choices[0].cylinders
    assert bottom.size.startswith("twin ")
    assert bottom.cylinder.gas in BOTTOM_MIXES
    assert all(one.cylinder.gas in DECO_MIXES and not one.size.startswith("twin") for one in decos)
    assert bottom.cylinder.name == "bottom 21/35"
    assert (bottom.switch_m, [one.cylinder.name for one in decos][:1]) == (None, ["deco 50"][: len(decos)])
    imperial = json.loads(json.dumps(given)) | {"units": "imperial"}
    imperial["levels"] = [{"depth": 140, "leave_at": 22}]
    answer = least_gas(parse_dive(imperial))
    assert answer.choices[0].cylinders[0].size.startswith("double ")


def test_what_is_richer_than_the_limit_is_not_chosen():
    """At 42 m, 5.213 bar in EN 13319 water, 28 % is 1.46 bar: over 1.4. With nothing else listed it is tried, and is
    the nearest miss."""
    given = open_circuit()
    given["solve"]["gases"] = ["28", "25/25"]
    assert {choice.mix.label for choice in least_gas(parse_dive(given)).choices} == {"25/25"}
    given["solve"]["gases"] = ["32"]
    answer = least_gas(parse_dive(given))
    assert not answer.found
    assert answer.nearest_miss.startswith("Nearest miss, 32 %")
    assert "in the largest cylinders: " in answer.nearest_miss


def test_reserves_names_and_manifold_stay_with_their_places():
    given = open_circuit()
    given["cylinders"][0] |= {"name": "back gas", "reserve": 60, "manifold": True}
    given["cylinders"].append(cylinder("21/35", "inflation", name="deco", size="1 L"))
    given["solve"]["deco_gases"] = ["50"]
    del given["cylinders"][1]
    dive = least_gas(parse_dive(given)).dive
    back, *others = dive.cylinders
    assert (back.name, back.reserve, back.manifold) == ("back gas", 60.0, True)
    assert [(one.name, one.use) for one in others] in (
        [("deco", "inflation")],
        [("deco 2", "deco"), ("deco", "inflation")],
    )


def test_a_reserve_above_every_fill_is_a_miss_and_no_traceback():
    given = open_circuit()
    given["cylinders"][0] |= {"reserve": 220, "pressure": 240}
    given["solve"]["cylinders"] = SIZES[:2]
    answer = least_gas(parse_dive(given))
    assert not answer.found
    assert "reserve: leaves nothing to breathe of this fill" in answer.nearest_miss


def test_a_team_is_refused():
    given = open_circuit() | {"team": [{"name": "Ann"}, {"name": "Ben"}]}
    with pytest.raises(DiveFileError, match="gas is chosen for one diver"):
        least_gas(parse_dive(given))


def test_nothing_holds_and_what_is_nearest():
    given = open_circuit() | {"limits": {"tts": 3}}
    answer = least_gas(parse_dive(given))
    assert (answer.found, answer.complete, answer.dive) == (False, True, parse_dive(given))
    assert "over the limit of 3" in answer.nearest_miss
    assert "choices of gases holds in any cylinder" in said_by(answer)
    assert answer_as_data(answer)["nearest_miss"] == answer.nearest_miss


def test_in_the_terminal_and_as_data():
    answer = least_gas(parse_dive(open_circuit()))
    said = said_by(answer)
    assert "Least gas: " in said
    data = json.loads(json.dumps(answer_as_data(answer), allow_nan=False))
    assert (data["for"], data["found"], data["complete"], data["nearest_miss"]) == ("gas", True, True, None)
    best = data["choices"][0]
    assert best["carried_l"] == sum(one["water_l"] * one["pressure_bar"] for one in best["cylinders"])
    assert all(one["size"] in said for one in best["cylinders"])


@pytest.mark.parametrize("after", [0, 1, 20])
def test_ctrl_c_leaves_what_is_known(after):
    left = itertools.count(after, -1)

    def told(said):
        if next(left) == 0:
            raise KeyboardInterrupt

    answer = least_gas(parse_dive(open_circuit()), told=told)
    assert (answer.complete, answer.tried) == (False, after)
    assert answer_as_data(answer)["complete"] is False
    assert "INCOMPLETE" in said_by(answer)
