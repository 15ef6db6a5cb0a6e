"""What can go wrong, each as the dive file that says it, edited by hand; and which of it is planned at all."""

from __future__ import annotations

import pytest

from leadline.dive_file import parse_dive
from leadline.plan import plan_dive
from leadline.plan.planned import Plan
from leadline.plan.schedule import read_stops
from tests.dives import Tables, cylinder, looped, tables
from tests.reference_model import Loop, Reference


def large(gas: str, use: str, **more: object) -> Tables:
    return cylinder(gas, use, **({"size": "24 L", "pressure": "230 bar"} | more))


AIR = {
    "units": "metric",
    "model": {"gradient_factors": [50, 80]},
    "levels": [{"depth": 45, "leave_at": 20}],
    "cylinders": [large("air", "bottom"), large("50", "deco")],
}
TRIMIX = {
    "units": "metric",
    "site": {"water": "sea"},
    "model": {"gradient_factors": [40, 80]},
    "rates": {"descent": 18, "ascent": 9, "between_stops": 6, "to_surface": 3},
    "stops": {"last": 6, "gas_switch": 1, "oxygen_breaks": {"on": 12, "off": 6, "gas": "50"}},
    "levels": [{"depth": 60, "leave_at": 30}],
    "cylinders": [large("18/45", "bottom"), large("50", "deco"), large("oxygen", "deco")],
}
TWO_BOTTOM_GASES = {
    "units": "metric",
    "model": {"gradient_factors": [40, 85]},
    "levels": [{"depth": 54, "leave_at": 15}, {"depth": 54, "leave_at": 20}, {"depth": 30, "leave_at": 45}],
    "cylinders": [large("21/35", "bottom"), large("32", "bottom"), large("80", "deco", switch_depth=9)],
}
ALTITUDE = {
    "units": "metric",
    "site": {"altitude": 2000, "water": "fresh"},
    "model": {"gradient_factors": [30, 80], "coefficients": "ZH-L16B"},
    "levels": [{"depth": 39, "leave_at": 25}],
    "cylinders": [large("air", "bottom"), large("50", "deco")],
}
IMPERIAL = {
    "units": "imperial",
    "site": {"water": "sea"},
    "model": {"gradient_factors": [40, 80]},
    "levels": [{"depth": 150, "leave_at": 25}],
    "cylinders": [
        cylinder("21/35", "bottom", size=120, working_pressure=3442, pressure=3400),
        cylinder("50", "deco", size=80, working_pressure=3000, pressure=3000),
    ],
}
LOOP = {
    "units": "metric",
    "model": {"gradient_factors": [40, 80]},
    "levels": [{"depth": 60, "leave_at": 25}],
    "loop": {
        "diluent": "18/45",
        "setpoint": 1.3,
        "low_setpoint": 0.7,
        "high_from": 20,
        "deco_setpoint": 1.5,
        "deco_from": 9,
        "flushes": 1,
    },
    "cylinders": [
        large("18/45", "diluent", size="3 L"),
        large("oxygen", "oxygen", size="3 L"),
        large("18/45", "bailout"),
        large("50", "bailout"),
    ],
}
LOOP_LEVELS = {
    "units": "metric",
    "model": {"gradient_factors": [30, 70]},
    "rates": {"descent": 20, "ascent": 10, "between_stops": 5},
    "levels": [{"depth": 30, "leave_at": 8}, {"depth": 50, "leave_at": 22}, {"depth": 36, "leave_at": 40}],
    "loop": {"diluent": "21/35", "setpoint": 1.2},
    "cylinders": [large("21/35", "bailout"), large("50", "bailout")],
}

EDITED = [
    # The dive, the contingency by its name, and the tables that are written otherwise to say the same.
    (AIR, "3 m deeper", {"levels": [{"depth": 48, "leave_at": 20}]}),
    (AIR, "5 min longer", {"levels": [{"depth": 45, "leave_at": 25}]}),
    (AIR, "3 m deeper, 5 min longer", {"levels": [{"depth": 48, "leave_at": 25}]}),
    (AIR, "3 min held at the end of the bottom", {"levels": [{"depth": 45, "leave_at": 23}]}),
    (AIR, "slow ascent, half the rate", {"rates": {"ascent": 4.5}}),
    (AIR, "deco 50 (50 %) lost", {"cylinders": [large("air", "bottom")]}),
    (TRIMIX, "3 m deeper", {"levels": [{"depth": 63, "leave_at": 30}]}),
    (TRIMIX, "5 min longer", {"levels": [{"depth": 60, "leave_at": 35}]}),
    (TRIMIX, "3 m deeper, 5 min longer", {"levels": [{"depth": 63, "leave_at": 35}]}),
    (TRIMIX, "3 min held at the end of the bottom", {"levels": [{"depth": 60, "leave_at": 33}]}),
    (
        TRIMIX,
        "slow ascent, half the rate",
        {"rates": {"descent": 18, "ascent": 4.5, "between_stops": 3, "to_surface": 1.5}},
    ),
    (TRIMIX, "deco oxygen (oxygen) lost", {"cylinders": [large("18/45", "bottom"), large("50", "deco")]}),
    (
        # The break gas is lost with it: the leanest that is breathable at 6 m is 18/45.
        TRIMIX,
        "deco 50 (50 %) lost",
        {
            "cylinders": [large("18/45", "bottom"), large("oxygen", "deco")],
            "stops": {"last": 6, "gas_switch": 1, "oxygen_breaks": {"on": 12, "off": 6}},
        },
    ),
    (
        TRIMIX,
        "deco 50 (50 %) and deco oxygen (oxygen) lost",
        {
            "cylinders": [large("18/45", "bottom")],
            "stops": {"last": 6, "gas_switch": 1, "oxygen_breaks": {"on": 12, "off": 6}},
        },
    ),
    (
        # The deepest depth is a level twice; both are deeper.
        TWO_BOTTOM_GASES,
        "3 m deeper",
        {
            "levels": [
                {"depth": 57, "leave_at": 15},
                {"depth": 57, "leave_at": 20},
                {"depth": 30, "leave_at": 45},
            ]
        },
    ),
    (
        # Longer at the deepest, and all that follows is later by as much.
        TWO_BOTTOM_GASES,
        "5 min longer",
        {
            "levels": [
                {"depth": 54, "leave_at": 20},
                {"depth": 54, "leave_at": 25},
                {"depth": 30, "leave_at": 50},
            ]
        },
    ),
    (
        TWO_BOTTOM_GASES,
        "3 min held at the end of the bottom",
        {
            "levels": [
                {"depth": 54, "leave_at": 15},
                {"depth": 54, "leave_at": 20},
                {"depth": 30, "leave_at": 48},
            ]
        },
    ),
    (
        TWO_BOTTOM_GASES,
        "deco 80 (80 %) lost",
        {"cylinders": [large("21/35", "bottom"), large("32", "bottom")]},
    ),
    (ALTITUDE, "3 m deeper", {"levels": [{"depth": 42, "leave_at": 25}]}),
    (ALTITUDE, "5 min longer", {"levels": [{"depth": 39, "leave_at": 30}]}),
    (ALTITUDE, "3 m deeper, 5 min longer", {"levels": [{"depth": 42, "leave_at": 30}]}),
    (ALTITUDE, "slow ascent, half the rate", {"rates": {"ascent": 4.5}}),
    (ALTITUDE, "deco 50 (50 %) lost", {"cylinders": [large("air", "bottom")]}),
    (IMPERIAL, "10 ft deeper", {"levels": [{"depth": 160, "leave_at": 25}]}),
    (IMPERIAL, "5 min longer", {"levels": [{"depth": 150, "leave_at": 30}]}),
    (IMPERIAL, "10 ft deeper, 5 min longer", {"levels": [{"depth": 160, "leave_at": 30}]}),
    (IMPERIAL, "3 min held at the end of the bottom", {"levels": [{"depth": 150, "leave_at": 28}]}),
    (IMPERIAL, "slow ascent, half the rate", {"rates": {"ascent": 15}}),
    (IMPERIAL, "deco 50 (50 %) lost", {"cylinders": IMPERIAL["cylinders"][:1]}),
    (LOOP, "3 m deeper", {"levels": [{"depth": 63, "leave_at": 25}]}),
    (LOOP, "5 min longer", {"levels": [{"depth": 60, "leave_at": 30}]}),
    (LOOP, "3 m deeper, 5 min longer", {"levels": [{"depth": 63, "leave_at": 30}]}),
    (LOOP, "3 min held at the end of the bottom", {"levels": [{"depth": 60, "leave_at": 28}]}),
    (LOOP, "slow ascent, half the rate", {"rates": {"ascent": 4.5}}),
    (
        LOOP_LEVELS,
        "3 m deeper, 5 min longer",
        {
            "levels": [
                {"depth": 30, "leave_at": 8},
                {"depth": 53, "leave_at": 27},
                {"depth": 36, "leave_at": 45},
            ]
        },
    ),
    (LOOP_LEVELS, "slow ascent, half the rate", {"rates": {"descent": 20, "ascent": 5, "between_stops": 2.5}}),
]
NAMES = {
    id(AIR): "air", id(TRIMIX): "trimix", id(TWO_BOTTOM_GASES): "two bottom gases", id(ALTITUDE): "altitude",
    id(IMPERIAL): "imperial", id(LOOP): "loop", id(LOOP_LEVELS): "loop levels",
}  # fmt: skip


def planned(given: Tables) -> Plan:
    return plan_dive(parse_dive(given))


def named(found: Plan, name: str):
    """The one contingency of a name."""
    (one,) = [contingency for contingency in found.contingencies if contingency.name == name]
    return one


@pytest.mark.parametrize(
    ("given", "diluent", "lean"),
    [(LOOP, "18/45", "9/49.94"), (LOOP_LEVELS, "21/35", "10/39.87")],
    ids=["one", "levels"],
)
def test_a_loop_that_is_stuck_falls_to_its_setpoint(given, diluent, lean):
    """By hand: at 60 m diluent 18/45 alone has 1.27 bar, but nobody flushes, and the diver uses up what is over 0.7. It
    is the dive on a diluent of the same inert gases that is nowhere richer than that: 9 % of 7 bar is 0.63."""
    found = named(planned(given), "loop stuck at 0.7")
    cylinders = [one | {"gas": lean if one["use"] == "diluent" else one["gas"]} for one in given["cylinders"]]
    by_hand = planned(given | {"loop": {"diluent": lean, "setpoint": 0.7, "flushes": 1}, "cylinders": cylinders})
    assert [(s.depth_m, s.leave_min) for s in found.stops] == [(s.depth_m, s.leave_min) for s in by_hand.schedule.stops]
    assert found.oxygen.highest_ppo2_bar == pytest.approx(0.7)
    rich = planned(given | {"loop": {"diluent": diluent, "setpoint": 0.7, "flushes": 1}})  # flushed all the time
    assert found.run_time_min > rich.schedule.run_time_min + 5.0


@pytest.mark.parametrize(
    ("given", "name", "changes"), EDITED, ids=[f"{NAMES[id(dive)]}: {name}" for dive, name, _ in EDITED]
)
def test_a_contingency_is_the_plan_of_the_dive_file_that_says_it(given, name, changes):
    """The same legs, stops, switches, gas and oxygen to the last bit, but for the depth of feet added up."""
    found = named(planned(given), name)
    by_hand = planned(given | changes)
    assert by_hand.schedule.legs != planned(given).schedule.legs  # the edit says something
    assert found.leaves_at_min is None
    assert found.depth_m is None
    if given is IMPERIAL:  # 150 ft and 10 ft in metres are 160 ft but for the last bit
        assert len(found.legs) == len(by_hand.schedule.legs)
        for one, other in zip(found.legs, by_hand.schedule.legs, strict=True):
            assert (one.kind, one.source, one.level) == (other.kind, other.source, other.level)
            assert (one.start_min, one.end_min, one.start_m, one.end_m) == pytest.approx(
                (other.start_min, other.end_min, other.start_m, other.end_m), abs=1e-9
            )
        assert [use.used_l for use in found.supply] == pytest.approx([use.used_l for use in by_hand.supply], rel=1e-9)
        assert found.oxygen.cns_percent == pytest.approx(by_hand.oxygen.cns_percent, rel=1e-9)
        return
    assert found.legs == by_hand.schedule.legs
    assert found.stops == by_hand.schedule.stops
    assert found.switches == by_hand.schedule.switches
    assert found.run_time_min == by_hand.schedule.run_time_min
    assert found.tts_min == by_hand.schedule.tts_min
    assert found.supply == by_hand.supply
    assert found.loop == by_hand.loop
    assert found.oxygen == by_hand.oxygen


@pytest.mark.parametrize("given", [AIR, TRIMIX, ALTITUDE, LOOP, LOOP_LEVELS], ids=lambda given: NAMES[id(given)])
def test_every_whole_dive_of_a_set_is_checked_above(given):
    """So that no kind of whole dive is left out of the table above but those that are no other dive file."""
    whole = {c.kind for c in planned(given).contingencies if c.leaves_at_min is None and c.legs}
    checked = {named(planned(dive), name).kind for dive, name, _ in EDITED}
    assert whole <= checked | {"heavy breathing", "low setpoint"}


# --- Held at the first stop -------------------------------------------------------------------------------------------


def held(reference: Reference, own: str, depth_m: float, until_min: float) -> list[tuple[float, float, float]]:
    """The stops by the reference model, one of them not left before a run time."""
    reference.held = {depth_m: until_min}
    reference.swim()
    return reference.stops


def merged(stops) -> list[tuple[float, float, float]]:
    """Stops as depth, arrival, departure; a stop that changes its line or gas midway is one."""
    found: list[tuple[float, float, float]] = []
    for stop in stops:
        if found and found[-1][0] == stop.depth_m and found[-1][2] == stop.arrive_min:
            found[-1] = (stop.depth_m, found[-1][1], stop.leave_min)
        else:
            found.append((stop.depth_m, stop.arrive_min, stop.leave_min))
    return found


FIRST_STOPS = {
    "air": (
        tables(45, 25, deco=("50",)),
        Reference(levels=[(45.0, 25.0, "air")], deco=("50",)),
    ),
    "trimix, a minute at switches": (
        tables(60, 25, "18/45", ("50", "oxygen"), stops={"gas_switch": 1}),
        Reference(levels=[(60.0, 25.0, "18/45")], deco=("50", "oxygen"), hold=1.0),
    ),
    "loop": (
        looped(60, 25, "18/45", setpoint=1.3),
        Reference(levels=[(60.0, 25.0, "")], loop=Loop("18/45", 1.3)),
    ),
}


@pytest.mark.parametrize("minutes", [3, 10])
@pytest.mark.parametrize("name", FIRST_STOPS)
def test_a_delay_at_the_first_stop_is_the_independent_models(name, minutes):
    """Arrived as planned, left so many minutes after it would have been, and every later stop made again."""
    given, reference = FIRST_STOPS[name]
    found = planned(given | {"contingencies": {"delay": minutes}})
    first = merged(found.schedule.stops)[0]
    (contingency,) = [c for c in found.contingencies if c.name.startswith(f"{minutes} min held at the first stop")]
    assert contingency.name.endswith(f", {first[0]:g} m")
    theirs = Reference(**{key: getattr(reference, key) for key in ("levels", "deco", "loop", "hold")})
    assert merged(contingency.stops) == [
        pytest.approx(stop, abs=1e-6) for stop in held(theirs, "", first[0], first[2] + minutes)
    ]
    assert merged(contingency.stops)[0] == pytest.approx((first[0], first[1], first[2] + minutes))
    assert contingency.run_time_min == pytest.approx(theirs.run_time, abs=1e-6)


def test_a_delay_at_a_first_stop_off_the_grid_holds_too():
    """A level at 23 m whose stops begin at 23 m: held there 3 min longer than planned, and every stop made again."""
    given = tables(60, 40, "18/45", gf=(20, 80)) | {
        "levels": [{"depth": 60, "leave_at": 40}, {"depth": 23, "leave_at": 55}],
        "cylinders": [large("18/45", "bottom", size="100 L", pressure="300 bar")],
    }
    found = planned(given)
    first = next(stop for stop in found.schedule.stops if stop.arrive_min >= 55.0)
    assert first.depth_m == 23.0
    contingency = named(found, "3 min held at the first stop, 23 m")
    there = [leg.end_min for leg in contingency.legs if leg.end_m == leg.start_m == 23.0]
    assert there[-1] == first.leave_min + 3.0
    theirs = Reference(levels=[(60.0, 40.0, "18/45"), (23.0, 55.0, "18/45")], gf_low=0.2, gf_high=0.8)
    by_hand = held(theirs, "18/45", 23.0, first.leave_min + 3.0)
    assert merged(contingency.stops)[-6:] == [pytest.approx(stop, abs=1e-6) for stop in by_hand[-6:]]
    assert contingency.run_time_min == pytest.approx(theirs.run_time, abs=1e-6)


# --- More is breathed -------------------------------------------------------------------------------------------------


def test_heavy_breathing_at_depth_by_hand():
    """Air, 45 m (5.51325 bar), 20 L/min, twice as much for the first 5 min there: 20 · 5.51325 · 5 = 551.325 L more.

    The dive is the same.
    """
    found = planned(AIR)
    contingency = named(found, "RMV doubled for 5 min at depth")
    assert contingency.legs == found.schedule.legs
    assert contingency.supply[0].used_l - found.supply[0].used_l == pytest.approx(551.325, abs=1e-9)
    assert contingency.supply[1].used_l == found.supply[1].used_l
    assert contingency.oxygen == found.oxygen
    # Left at 4 min, 1.75 min after arriving at 20 m/min; the rest of the 5 min, 3.25 min, is on the way up.
    short = planned(AIR | {"levels": [{"depth": 45, "leave_at": 4}], "cylinders": [large("air", "bottom")]})
    assert not short.schedule.stops
    contingency = named(short, "RMV doubled for 5 min at depth")
    # The way up is one leg of 14/3 min, 3 m at its end, mean depth 24 m: litres are taken as even over it.
    more = 20.0 * (5.51325 * 1.75 + 3.41325 * 3.25)
    assert contingency.supply[0].used_l - short.supply[0].used_l == pytest.approx(more, abs=1e-9)


# --- Which are planned ------------------------------------------------------------------------------------------------


def names(given: Tables, **contingencies: object) -> list[str]:
    return [c.name for c in planned(given | {"contingencies": contingencies}).contingencies]


def first_stop_m(given: Tables) -> float:
    return planned(given).schedule.stops[0].depth_m


def test_the_set_of_an_open_circuit_dive():
    """Unasked: what a careful team writes down. Of pairs of gases only the worst is shown."""
    assert names(TRIMIX) == [
        "3 m deeper", "5 min longer", "3 m deeper, 5 min longer",
        "3 min held at the end of the bottom", f"3 min held at the first stop, {first_stop_m(TRIMIX):g} m",
        "deco 50 (50 %) lost", "deco oxygen (oxygen) lost", "deco 50 (50 %) and deco oxygen (oxygen) lost",
        "deco 50 (50 %) found empty at 21 m", "deco oxygen (oxygen) found empty at 6 m",
        "slow ascent, half the rate", "descent aborted", "RMV doubled for 5 min at depth", "mate out of gas",
    ]  # fmt: skip


def test_the_set_of_a_loop_dive():
    named = [name for name in names(LOOP) if not name.endswith(", where it takes most gas")]
    assert named == [
        "3 m deeper", "5 min longer", "3 m deeper, 5 min longer",
        "3 min held at the end of the bottom", f"3 min held at the first stop, {first_stop_m(LOOP):g} m",
        "bailout", "bailout without bailout 18/45 (18/45)", "bailout without bailout 50 (50 %)", "loop stuck at 0.7",
        "oxygen gone, semi-closed on diluent", "diluent gone, up on the loop",
        "slow ascent, half the rate", "descent aborted", "bailout, RMV doubled for 5 min",
        "mate off the loop, on this bailout",
    ]  # fmt: skip


ALL_KINDS = [
    "deeper", "longer", "deeper and longer", "delay", "lost gas", "two gases lost", "gas found empty",
    "bottom cylinder lost", "bailout", "bailout lost", "low setpoint", "oxygen gone", "diluent gone", "slow ascent",
    "aborted descent", "heavy breathing", "mate out of gas",
]  # fmt: skip


APART = TRIMIX | {"cylinders": [large("18/45", "bottom", name="second"), *TRIMIX["cylinders"]]}


@pytest.mark.parametrize("kind", ALL_KINDS)
def test_each_kind_can_be_left_out(kind):
    """It is gone, and all others stay."""
    for given in (TRIMIX, LOOP, APART):
        all_of_them = planned(given)
        fewer = planned(given | {"contingencies": {"leave_out": [kind]}})
        assert [c.name for c in fewer.contingencies] == [c.name for c in all_of_them.contingencies if c.kind != kind]
    assert kind in {c.kind for given in (TRIMIX, LOOP, APART) for c in planned(given).contingencies}


def test_all_can_be_left_out():
    for given in (TRIMIX, LOOP):
        found = planned(given | {"contingencies": {"leave_out": ALL_KINDS}})
        assert found.contingencies == ()
        assert "contingencies-met" not in {finding.code for finding in found.findings}


def test_the_set_can_be_widened():
    """Lists of depths and minutes, every one of them and every pair."""
    found = names(AIR, deeper=[3, 6], longer=[5, 10], delay=[2, 4])
    for name in (
        "3 m deeper", "6 m deeper", "5 min longer", "10 min longer", "6 m deeper, 10 min longer",
        "3 m deeper, 10 min longer", "2 min held at the end of the bottom", "4 min held at the end of the bottom",
    ):  # fmt: skip
        assert found.count(name) == 1


def test_nothing_is_no_contingency():
    found = names(AIR, deeper=0, longer=0, delay=0, heavy_breathing=0)
    assert not [name for name in found if "deeper" in name or "longer" in name or "held" in name or "doubled" in name]


def test_a_low_setpoint_of_the_loops_own_comes_first():
    """0.7 unless the loop or [contingencies] says otherwise; none if it is not lower than the setpoint."""
    own = LOOP | {"loop": {"diluent": "18/45", "setpoint": 1.3, "low_setpoint": 0.5, "high_from": 20}}
    assert "loop stuck at 0.5" in names(own, low_setpoint=0.8)
    assert "loop stuck at 0.8" in names(LOOP_LEVELS, low_setpoint=0.8)
    assert not [name for name in names(LOOP_LEVELS, low_setpoint=1.2) if "stuck" in name]


def test_a_gas_is_found_empty_once():
    """Oxygen is changed to again after every break: it is found empty at the first change only."""
    found = [name for name in names(TRIMIX) if "found empty" in name]
    assert len(found) == len(set(found)) == 2
    switches = [s.source.mix.label for s in planned(TRIMIX).schedule.switches]
    assert switches.count("oxygen") > 1


# --- A gas that is lost is nowhere breathed ---------------------------------------------------------------------------


def test_a_lost_gas_that_a_level_names_is_not_breathed_there():
    """As a file that names a gas not carried is refused, so a level whose gas is lost is dived on another."""
    given = tables(45, 20, "air", ("50",)) | {
        "levels": [{"depth": 45, "leave_at": 20}, {"depth": 18, "leave_at": 45, "gas": "50"}],
        "cylinders": [large("air", "bottom", size="36 L"), large("50", "deco")],
    }
    found = named(planned(given), "deco 50 (50 %) lost")
    assert {leg.source.mix.label for leg in found.legs} == {"air"}
    by_hand = planned(
        given
        | {
            "levels": [{"depth": 45, "leave_at": 20}, {"depth": 18, "leave_at": 45}],
            "cylinders": [large("air", "bottom", size="36 L")],
        }
    )
    assert found.legs == by_hand.schedule.legs
    assert found.supply == by_hand.supply


@pytest.mark.parametrize(
    "given", [AIR, TRIMIX, TWO_BOTTOM_GASES, ALTITUDE, LOOP, LOOP_LEVELS], ids=lambda g: NAMES[id(g)]
)
def test_no_litre_comes_from_nowhere(given):
    """All open-circuit gas of every contingency, bar by minute by RMV, is drawn from cylinders that are there."""
    dive = parse_dive(given)
    for found in plan_dive(dive).contingencies:
        carried = {cylinder.name for cylinder in found.scenario.dive.cylinders}
        assert {use.name for use in found.supply} == (carried if found.legs else set())
        mixes = {c.gas for c in found.scenario.dive.cylinders if c.use in ("bottom", "travel", "deco", "bailout")}
        assert {leg.source.mix for leg in found.legs if leg.source.circuit == "open"} <= mixes
        assert read_stops(found.legs) == found.stops
