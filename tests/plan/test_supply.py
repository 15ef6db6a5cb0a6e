"""What the dive takes from its cylinders: worked by hand, with the arithmetic beside each figure.

Litres are free litres, at 1 bar: RMV · ambient pressure · minutes (Boyle's law). What a cylinder holds is checked
against published equations of state in tests/authority/test_real_gas.py.
"""

import math

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from leadline.dive_file import DiveFileError, parse_dive
from leadline.physics.mix import Mix
from leadline.physics.real_gas import free_litres
from leadline.plan import plan_dive
from leadline.plan.gases import Source
from leadline.plan.schedule import Leg
from leadline.plan.supply import cylinder_use, reserve, stressed_rmv
from tests.dives import cylinder, looped, sentence, tables

AIR = Source(Mix.parse("air"))


def leg(start_min, end_min, start_m, end_m, source=AIR, kind="level", after_first_stop=False):
    return Leg(kind, start_min, end_min, start_m, end_m, source, 0, after_first_stop)


def holding(*cylinders, depth=30, leave_at=10, **more):
    """An open-circuit dive with these cylinders."""
    return parse_dive(tables(depth, leave_at, **more) | {"cylinders": list(cylinders)})


def breathed(dive, legs):
    """The cylinders over some legs."""
    return cylinder_use(dive, legs)[0]


def findings(dive):
    return {f.code: f for f in plan_dive(dive).findings}


# --- What is drawn ----------------------------------------------------------------------------------------------------


def test_a_level_by_hand():
    """20 L/min at 40 m, 5.01325 bar, for 10 min: 20 · 5.01325 · 10 = 1002.65 L."""
    dive = holding(cylinder("air", "bottom"))
    (use,) = breathed(dive, [leg(5, 15, 40, 40)])
    assert use.used_l == pytest.approx(1002.65, abs=1e-9)


def test_travel_by_hand():
    """Pressure changes steadily, so the mean counts: 0 to 40 m in 2 min at 20 L/min, 3.01325 bar: 120.53 L."""
    dive = holding(cylinder("air", "bottom"))
    (use,) = breathed(dive, [leg(0, 2, 0, 40, kind="descent")])
    assert use.used_l == pytest.approx(120.53, abs=1e-9)


def test_stops_are_breathed_at_the_deco_rmv():
    """16 L/min from the first stop on: 6 m, 1.61325 bar, 10 min: 258.12 L. Before it, and at levels, 20: 322.65 L."""
    dive = holding(cylinder("air", "bottom"))

    def drawn(**how):
        return breathed(dive, [leg(20, 30, 6, 6, **how)])[0].used_l

    assert drawn(kind="stop", after_first_stop=True) == pytest.approx(258.12, abs=1e-9)
    assert drawn(kind="stop", after_first_stop=False) == pytest.approx(322.65, abs=1e-9)
    assert drawn(kind="level", after_first_stop=True) == pytest.approx(322.65, abs=1e-9)


def test_a_whole_dive_by_hand():
    """Air, 18 m until 20 min, no stop, 20 L/min throughout.

    Down 0.9 min, mean 9 m, 1.91325 bar: 34.4385 L. At 18 m 19.1 min, 2.81325 bar: 1074.6615 L. Up to 3 m at 9 m/min
    5/3 min, mean 10.5 m, 2.06325 bar: 68.775 L; to the surface 1/3 min, mean 1.5 m, 1.16325 bar: 7.755 L.
    """
    found = plan_dive(parse_dive(tables(18, 20)))
    assert not found.schedule.stops
    assert found.supply[0].used_l == pytest.approx(34.4385 + 1074.6615 + 68.775 + 7.755, abs=1e-6)
    assert sum(use.litres for use in found.supply[0].legs) == pytest.approx(found.supply[0].used_l, rel=1e-12)


def test_the_stops_of_a_dive_by_hand():
    """Each stop of a planned dive on its own gas: 16 L/min · bar · minutes, as the slate has them."""
    found = plan_dive(parse_dive(tables(45, 25, deco=("50",))))
    for stop in found.schedule.stops:
        by_hand = 16.0 * (1.01325 + stop.depth_m / 10.0) * (stop.leave_min - stop.arrive_min)
        drawn = [
            use.litres
            for cylinder_use in found.supply
            if cylinder_use.mix == stop.source.mix
            for use in cylinder_use.legs
            if use.start_min == pytest.approx(stop.arrive_min) and use.end_min == pytest.approx(stop.leave_min)
        ]
        assert drawn == [pytest.approx(by_hand, rel=1e-9)]


def test_imperial_is_the_same_gas():
    """0.7 cu ft/min · 28.316847 L · 100 ft (30.48 m, 4.06125 bar) · 10 min = 805.013 L. (NIST SP 811 factors.)"""
    dive = holding(
        cylinder("air", "bottom", size="80 cuft", working_pressure=3000, pressure=3000), depth=100, units="imperial"
    )
    (use,) = breathed(dive, [leg(5, 15, 30.48, 30.48)])
    assert use.used_l == pytest.approx(0.7 * 28.316846592 * 4.06125 * 10.0, rel=1e-12)
    assert use.used_l == pytest.approx(805.013, abs=0.001)


def test_stressed_rmv():
    """Half as much again as the bottom RMV, common practice, no source: 30 of 20 L/min; the diver's own if given."""
    assert stressed_rmv(holding(cylinder("air", "bottom"))) == pytest.approx(30.0)
    assert stressed_rmv(holding(cylinder("air", "bottom"), diver={"rmv_stressed": 40})) == 40.0


# --- Which cylinder gives it ------------------------------------------------------------------------------------------


def test_cylinders_of_one_mix_share_by_what_they_can_give():
    """12 and 7 L, both from 200 to 50 bar: 12/19 and 7/19 of 1002.65 L are 633.253 and 369.397 L."""
    dive = holding(cylinder("air", "bottom"), cylinder("air", "bottom", name="small", size="7 L"))
    large, small = breathed(dive, [leg(5, 15, 40, 40)])
    assert large.used_l == pytest.approx(633.253, abs=0.001)
    assert small.used_l == pytest.approx(369.397, abs=0.001)
    assert large.left_bar == pytest.approx(small.left_bar, rel=1e-9)


def test_a_fuller_cylinder_gives_more():
    """The shares are those of the usable litres, whatever the pressures; together they give what is drawn."""
    dive = holding(cylinder("air", "bottom"), cylinder("air", "bottom", name="other", pressure="120 bar"))
    full, other = breathed(dive, [leg(5, 15, 40, 40)])
    assert full.used_l + other.used_l == pytest.approx(1002.65, abs=1e-9)
    assert full.used_l / other.used_l == pytest.approx(full.usable_l / other.usable_l, rel=1e-12)


def test_only_its_own_mix_is_drawn_from_a_cylinder():
    dive = holding(cylinder("air", "bottom"), cylinder("50", "deco"))
    legs = [leg(5, 15, 40, 40), leg(20, 25, 6, 6, Source(Mix.parse("50")), "stop", True)]
    air, rich = breathed(dive, legs)
    assert air.used_l == pytest.approx(1002.65, abs=1e-9)
    assert rich.used_l == pytest.approx(16.0 * 1.61325 * 5.0, abs=1e-9)


def test_a_cylinder_that_is_not_breathed_stays_full():
    found = plan_dive(holding(cylinder("air", "bottom"), cylinder("50", "bailout")))
    use = found.supply[1]
    assert (use.used_l, use.left_bar) == (0.0, 200.0)
    assert {f.code: f.severity for f in found.findings}["not-planned"] == "note"


def test_a_bailout_cylinder_is_not_planned_to_be_breathed():
    """On open circuit neither a level nor an oxygen break may name a gas that only a bailout cylinder holds."""
    given = tables(30, 20, bottom="air")
    given["cylinders"].append(cylinder("32", "bailout"))
    given["levels"].append({"depth": 20, "leave_at": 40, "gas": "32"})
    with pytest.raises(DiveFileError, match=r"\[\[levels\]\] 2, gas: no cylinder holds 32 %"):
        parse_dive(given)
    given = tables(30, 90, bottom="32", stops={"oxygen_breaks": {"on": 12, "off": 6, "gas": "50"}})
    given["cylinders"] += [cylinder("oxygen", "deco"), cylinder("50", "bailout")]
    with pytest.raises(DiveFileError, match="no cylinder holds 50 %"):
        parse_dive(given)


# --- What a cylinder holds, keeps back and has left -------------------------------------------------------------------


def test_reserves():
    """50 bar or 700 psi, 20 bar or 300 psi on a loop dive (common practice, no source); the diver's own, if given.

    1 psi = 0.0689476 bar (NIST SP 811): 48.263 and 20.684 bar.
    """
    metric = holding(cylinder("air", "bottom"), cylinder("50", "deco", reserve="30 bar"))
    assert [reserve(metric, c) for c in metric.cylinders] == [50.0, 30.0]
    imperial = holding(
        cylinder("air", "bottom", size="80 cuft", working_pressure=3000, pressure=3000), depth=100, units="imperial"
    )
    assert reserve(imperial, imperial.cylinders[0]) == pytest.approx(48.263, abs=0.001)
    loop = parse_dive(looped(60, 20, "18/45", setpoint=1.3) | {"cylinders": [cylinder("18/45", "bailout")]})
    assert reserve(loop, loop.cylinders[0]) == 20.0
    loop = parse_dive(
        tables(130, 20, units="imperial")
        | {"loop": {"diluent": "18/45", "setpoint": 1.3}, "cylinders": [cylinder("18/45", "bailout")]}
    )
    assert reserve(loop, loop.cylinders[0]) == pytest.approx(20.684, abs=0.001)


@pytest.mark.parametrize("bar", [220, 232, 300])
@pytest.mark.parametrize("label", ["air", "32", "21/35", "18/45", "10/70"])
def test_a_full_cylinder_holds_less_than_an_ideal_gas(label, bar):
    """z > 1 for all of these from 220 bar up (GERG-2008): 12 L at 232 bar are fewer than 12 · 232 = 2784 L."""
    dive = holding(cylinder("air", "bottom"), cylinder(label, "bailout", name="full", pressure=f"{bar} bar"))
    content_l = plan_dive(dive).supply[1].content_l
    assert 0.8 * 12.0 * bar < content_l < 12.0 * bar


def test_a_cylinder_of_oxygen_holds_more_than_an_ideal_gas():
    """z of oxygen is about 0.95 at 200 bar and 14 °C (the NIST reference equation gives less than 1)."""
    dive = holding(cylinder("air", "bottom"), cylinder("oxygen", "deco"))
    assert 2400.0 < plan_dive(dive).supply[1].content_l < 1.1 * 2400.0


@pytest.mark.parametrize("label", ["air", "18/45", "10/70"])
def test_the_pressure_left_holds_what_is_left(label):
    """There and back: the content at the pressure left is what was there, less what was drawn."""
    dive = holding(cylinder(label, "bottom", size="24 L", pressure="232 bar"))
    legs = [leg(5, 25, 40, 40, Source(Mix.parse(label)))]
    (use,) = breathed(dive, legs)
    assert use.used_l == pytest.approx(2005.3, abs=1e-9)  # 20 · 5.01325 · 20
    left_l = free_litres(use.mix, 24.0, use.left_bar, dive.site.temperature)
    assert left_l == pytest.approx(use.content_l - use.used_l, rel=1e-9)
    at_reserve_l = free_litres(use.mix, 24.0, use.reserve_bar, dive.site.temperature)
    assert use.usable_l == pytest.approx(use.content_l - at_reserve_l, rel=1e-12)
    assert use.short_l == 0.0


def test_colder_water_leaves_less_pressure_to_use():
    """The same gauge reading in the cold is more gas (Charles's law); litres stay free litres at that temperature."""
    cold, warm = (
        holding(cylinder("air", "bottom", pressure="232 bar"), site={"temperature": f"{celsius} °C"})
        for celsius in (2, 30)
    )
    assert plan_dive(cold).supply[0].content_l != plan_dive(warm).supply[0].content_l


# --- Short of gas -----------------------------------------------------------------------------------------------------


def test_short_of_gas_is_a_no_go_with_the_litres():
    """30 m until 25 min from a 12 L cylinder: some 1900 L at the level alone, about 1740 L usable."""
    found = plan_dive(holding(cylinder("air", "bottom"), leave_at=25))
    use = found.supply[0]
    finding = next(f for f in found.own if f.code == "gas-short")
    assert found.no_go
    assert finding.severity == "no-go"
    assert use.short_l == pytest.approx(use.used_l - use.usable_l, rel=1e-12)
    assert finding.values["short_l"] == use.short_l > 100.0
    assert finding.values["needed_l"] == use.used_l > 20.0 * 4.01325 * 23.5
    assert finding.values["usable_l"] == use.usable_l
    assert f"{math.ceil(use.short_l)} L short" in sentence(finding)
    assert "reserve of 50 bar" in sentence(finding)


def test_more_than_everything_leaves_nothing():
    use = plan_dive(holding(cylinder("air", "bottom", size="3 L"), leave_at=20)).supply[0]
    assert use.left_bar == 0.0
    assert use.used_l > use.content_l


def test_the_reserve_is_not_planned_to_be_breathed():
    """Enough to the last litre with a reserve of 0, but not with one of 150 bar."""
    assert "gas-short" not in findings(holding(cylinder("air", "bottom", reserve="0 bar")))
    assert "gas-short" in findings(holding(cylinder("air", "bottom", reserve="150 bar")))


def test_a_cylinder_below_the_common_reserve_gives_nothing():
    """At 40 bar there is nothing above a reserve of 50: all that the dive takes is short, not silently none of it."""
    found = plan_dive(holding(cylinder("air", "bottom", pressure="40 bar")))
    use = found.supply[0]
    assert use.usable_l == 0.0
    assert use.used_l > 20.0 * 4.01325 * 8.5
    assert use.short_l == pytest.approx(use.used_l)
    assert "gas-short" in {f.code for f in found.findings}


# --- The loop ---------------------------------------------------------------------------------------------------------


def loop_dive(*cylinders, levels=((60, 20),), **loop):
    given = looped(60, 20, "18/45", setpoint=1.3, **loop)
    given["levels"] = [{"depth": depth, "leave_at": leave_at} for depth, leave_at in levels]
    return parse_dive(given | {"cylinders": list(cylinders)})


def test_loop_oxygen_and_diluent_by_hand():
    """0 to 60 m fills 7 L by 6 bar, 42 L of diluent; oxygen 1 L/min over the whole time on the loop."""
    found = plan_dive(loop_dive(cylinder("18/45", "diluent", size="3 L"), cylinder("oxygen", "oxygen", size="3 L")))
    assert found.loop.diluent_l == pytest.approx(42.0, abs=1e-9)
    assert found.loop.minutes == pytest.approx(found.schedule.run_time_min, rel=1e-12)
    assert found.loop.oxygen_l == pytest.approx(found.schedule.run_time_min, rel=1e-12)
    assert [use.used_l for use in found.supply] == pytest.approx([42.0, found.loop.oxygen_l])


def test_every_descent_takes_diluent():
    """60, up to 40, down to 50 m: 7 · (6 + 1) = 49 L; a loop of 5 L: 35 L."""
    levels = ((60, 10), (40, 20), (50, 25))
    assert plan_dive(loop_dive(levels=levels)).loop.diluent_l == pytest.approx(49.0, abs=1e-9)
    assert plan_dive(loop_dive(levels=levels, volume="5 L")).loop.diluent_l == pytest.approx(35.0, abs=1e-9)


def test_metabolic_oxygen_is_the_divers():
    dive = loop_dive(metabolic_oxygen="1.5 L/min")
    found = cylinder_use(dive, [leg(0, 40, 60, 60, Source(Mix.parse("18/45"), 1.3))])[1]
    assert found.oxygen_l == pytest.approx(60.0)


def test_two_oxygen_cylinders_share():
    dive = loop_dive(cylinder("oxygen", "oxygen", size="2 L"), cylinder("oxygen", "oxygen", name="b", size="2 L"))
    found = plan_dive(dive)
    assert [use.used_l for use in found.supply] == pytest.approx([found.loop.oxygen_l / 2] * 2)


@pytest.mark.parametrize("use", ["oxygen", "diluent"])
def test_too_little_for_the_loop_is_a_no_go(use):
    gas = "oxygen" if use == "oxygen" else "18/45"
    found = findings(loop_dive(cylinder(gas, use, size="0.2 L", pressure="100 bar")))
    assert found["gas-short"].severity == "no-go"


def test_an_oxygen_cylinder_below_the_common_reserve_gives_nothing():
    """At 15 bar there is nothing above a loop dive's reserve of 20."""
    assert "gas-short" in findings(loop_dive(cylinder("oxygen", "oxygen", size="3 L", pressure="15 bar")))


def test_what_is_not_listed_is_said_to_be_unchecked():
    found = findings(loop_dive())
    assert found["oxygen-unchecked"].severity == found["diluent-unchecked"].severity == "caution"
    assert found["diluent-unchecked"].values["needed_l"] == pytest.approx(42.0)
    assert found["scrubber-unchecked"].severity == "note"


@pytest.mark.parametrize(("share", "severity"), [(0.75, None), (0.85, "caution"), (1.01, "no-go")])
def test_scrubber(share, severity):
    """A caution over 80 % of its rated time (common practice, no source), a no-go over all of it."""
    minutes = plan_dive(loop_dive()).loop.minutes
    found = findings(loop_dive(scrubber=f"{minutes / share} min"))
    assert (found["scrubber"].severity if "scrubber" in found else None) == severity
    assert "scrubber-unchecked" not in found


def test_open_circuit_has_no_loop():
    assert cylinder_use(holding(cylinder("air", "bottom")), [])[1] is None


# --- Drysuit, wing and flushes ----------------------------------------------------------------------------------------


def test_inflation_by_hand():
    """Drysuit 10 L, wing 12 L, to 30 m: 22 · 3 bar = 66 L, from the inflation cylinder and nowhere else."""
    without = plan_dive(holding(cylinder("air", "bottom")))
    dive = holding(
        cylinder("air", "bottom"), cylinder("air", "inflation", size="1.5 L"), gas={"drysuit": 10, "wing": 12}
    )
    bottom, suit = plan_dive(dive).supply
    assert suit.used_l == pytest.approx(66.0, abs=1e-9)
    assert bottom.used_l == without.supply[0].used_l
    left_l = free_litres(suit.mix, 1.5, suit.left_bar, 14.0)
    assert left_l == pytest.approx(free_litres(suit.mix, 1.5, 200.0, 14.0) - 66.0, rel=1e-9)


def test_inflation_without_a_cylinder_of_its_own():
    """From the bottom gas, 66 L more; two twins share it. On a loop from the diluent: 10 L · 6 bar and 7 L · 6 bar."""
    plain = holding(cylinder("air", "bottom", size="18 L"))
    suit = holding(cylinder("air", "bottom", size="18 L"), gas={"drysuit": 10, "wing": 12})
    assert plan_dive(suit).supply[0].used_l - plan_dive(plain).supply[0].used_l == pytest.approx(66.0, abs=1e-9)
    twins = holding(*(cylinder("air", "bottom", name=name) for name in "ab"), gas={"drysuit": 10, "wing": 12})
    one, other = plan_dive(twins).supply
    assert one.used_l == pytest.approx(other.used_l, rel=1e-12)
    assert one.used_l + other.used_l == pytest.approx(plan_dive(suit).supply[0].used_l, abs=1e-9)
    given = looped(60, 20, "18/45", setpoint=1.3) | {"gas": {"drysuit": 10}}
    loop = plan_dive(parse_dive(given | {"cylinders": [cylinder("18/45", "diluent"), cylinder("oxygen", "oxygen")]}))
    assert [use.used_l for use in loop.supply] == pytest.approx([60.0 + 42.0, loop.schedule.run_time_min], abs=1e-9)


def test_every_descent_is_inflated():
    """To 30 m, up to 12, down to 21: 10 L · (3 + 0.9) bar = 39 L. Nothing is taken on the way up."""
    given = tables(30, 10, gas={"drysuit": 10, "wing": 0})
    given["levels"] = [{"depth": d, "leave_at": t} for d, t in ((30, 10), (12, 15), (21, 20))]
    given["cylinders"] = [cylinder("air", "bottom", size="24 L"), cylinder("air", "inflation", size="2 L")]
    assert plan_dive(parse_dive(given)).supply[1].used_l == pytest.approx(39.0, abs=1e-9)


def test_inflation_too_little_is_a_no_go():
    """0.5 L from 60 bar to the reserve of 50 gives some 5 L; 66 are asked."""
    dive = holding(
        cylinder("air", "bottom"), cylinder("air", "inflation", size="0.5 L", pressure="60 bar"),
        gas={"drysuit": 10, "wing": 12},
    )  # fmt: skip
    finding = findings(dive)["gas-short"]
    assert (finding.severity, finding.values["cylinder"]) == ("no-go", "inflation air")


def test_imperial_wings():
    """1 cu ft is 28.316847 L (NIST SP 811): 100 ft of EN 13319 water are 3.048 bar: 86.3098 L."""
    dive = holding(
        cylinder("air", "bottom", size="120 cuft", working_pressure=3442, pressure=3400),
        cylinder("air", "inflation", size="13 cuft", working_pressure=3000, pressure=3000),
        depth=100, units="imperial", gas={"wing": 1},
    )  # fmt: skip
    assert plan_dive(dive).supply[1].used_l == pytest.approx(28.316846592 * 3.048, rel=1e-9)


def test_flushes_by_hand():
    """Two flushes of 7 L at 60 m (7.01325 bar): 98.1855 L, with the 42 L of the descent 140.1855; at a second level of
    40 m (5.01325 bar) 70.1855 L more."""
    assert plan_dive(loop_dive(flushes=2)).loop.diluent_l == pytest.approx(140.1855, abs=1e-9)
    levels = ((60, 10), (40, 30))
    assert plan_dive(loop_dive(levels=levels, flushes=2)).loop.diluent_l == pytest.approx(210.371, abs=1e-9)
    assert plan_dive(loop_dive(levels=levels, flushes=0)).loop.diluent_l == pytest.approx(42.0, abs=1e-9)


def test_semi_closed_by_hand():
    """One breath in three of 20 L/min at 30 m (4.01325 bar), 10 min: 267.55 L of diluent, and no oxygen."""
    dive = loop_dive(cylinder("18/45", "diluent"), cylinder("oxygen", "oxygen"))
    diluent, oxygen = breathed(dive, [leg(20, 30, 30, 30, Source(Mix.parse("18/45"), None, 0.15))])
    assert diluent.used_l == pytest.approx(267.55, abs=1e-9)
    assert oxygen.used_l == 0.0


@pytest.mark.parametrize(
    ("gas", "loop", "named"),
    [
        ({}, None, ("drysuit", "wing")),
        ({"drysuit": 10}, None, ("wing",)),
        ({"drysuit": 0, "wing": 0}, None, ()),
        ({"drysuit": 10, "wing": 12}, {}, ("flushes",)),
        ({"drysuit": 10, "wing": 12}, {"flushes": 0}, ()),
    ],
)
def test_what_is_not_counted_is_said(gas, loop, named):
    given = tables(30, 10) if loop is None else looped(60, 20, "18/45", setpoint=1.3, **loop)
    found = findings(parse_dive(given | {"gas": gas}))
    message = sentence(found["gas-uncounted"]) if "gas-uncounted" in found else ""
    assert [word for word in ("drysuit", "wing", "flushes") if f"] {word}" in message] == list(named)


# --- Sharing when there is not enough ---------------------------------------------------------------------------------


@pytest.mark.parametrize("minutes", [5, 20, 35, 42, 46, 60])
def test_unlike_twins_share_by_usable_then_reserve_then_content(minutes):
    """12 L from 200 bar, 50 kept; 7 L from 230 bar, 120 kept; 20 L/min at 40 m (5.01325 bar).

    As long as there is gas above the reserves, by that; from there by what the reserves hold; beyond all, by content.
    No litre is lost.
    """
    dive = holding(
        cylinder("air", "bottom", reserve="50 bar"),
        cylinder("air", "bottom", name="small", size="7 L", pressure="230 bar", reserve="120 bar"),
    )
    air = Mix.parse("air")
    held = [free_litres(air, 12.0, 200.0, 14.0), free_litres(air, 7.0, 230.0, 14.0)]
    kept = [free_litres(air, 12.0, 50.0, 14.0), free_litres(air, 7.0, 120.0, 14.0)]
    usable = [h - k for h, k in zip(held, kept, strict=True)]
    asked = 20.0 * 5.01325 * minutes
    if asked <= sum(usable):
        by_hand = [asked * u / sum(usable) for u in usable]
    elif asked <= sum(held):
        into = (asked - sum(usable)) / sum(kept)
        by_hand = [u + into * k for u, k in zip(usable, kept, strict=True)]
    else:
        by_hand = [asked * h / sum(held) for h in held]
    drawn = breathed(dive, [leg(5, 5 + minutes, 40, 40)])
    assert [use.used_l for use in drawn] == pytest.approx(by_hand, rel=1e-9)
    assert sum(use.used_l for use in drawn) == pytest.approx(asked, rel=1e-12)
    assert [use.missing_l > 0.0 for use in drawn] == [asked > sum(held)] * 2


def test_breathing_and_inflating_share_as_one():
    """What two twins are asked for together runs neither dry before the other. Content and reserves are unlike."""
    dive = holding(
        cylinder("air", "bottom", size="2 L", reserve="0 bar"),
        cylinder("air", "bottom", name="other", size="12 L", reserve="170 bar"),
        gas={"drysuit": 10, "wing": 12},
    )
    legs = [leg(0, 1.5, 0, 30, kind="descent"), leg(1.5, 10.5, 30, 30)]
    one, other = breathed(dive, legs)
    asked = 20.0 * 2.51325 * 1.5 + 20.0 * 4.01325 * 9.0 + 66.0
    assert one.used_l + other.used_l == pytest.approx(asked, rel=1e-12)
    assert one.usable_l + other.usable_l < asked < one.content_l + other.content_l
    assert (one.missing_l, other.missing_l) == (0.0, 0.0)


# --- The pressure on the slate ----------------------------------------------------------------------------------------


def test_the_pressure_at_every_stop_by_hand():
    """RMV · bar · min of each leg on the gas so far; the pressure is the one that holds what is left."""
    dive = parse_dive(
        tables(60, 25, "18/45", stops={"oxygen_breaks": {"on": 12, "off": 6}})
        | {
            "cylinders": [
                cylinder("18/45", "bottom", size="30 L", pressure="230 bar"),
                cylinder("50", "deco", size="11 L"),
                cylinder("oxygen", "deco", size="11 L"),
            ]
        }
    )
    found = plan_dive(dive)
    for use in found.supply:
        for at_min in [0.0, 10.0, 25.0, *(s.arrive_min for s in found.schedule.stops), found.schedule.run_time_min]:
            used_l = 0.0
            for step in found.schedule.legs:
                if step.source.mix == use.mix:
                    rmv = 16.0 if step.after_first_stop and step.kind != "level" else 20.0
                    minutes = min(max(at_min - step.start_min, 0.0), step.minutes)
                    used_l += rmv * (1.01325 + 0.05 * (step.start_m + step.end_m)) * minutes
            left_l = free_litres(use.mix, use.water_l, use.bar_at(at_min), 14.0)
            assert left_l == pytest.approx(use.content_l - used_l, abs=1e-6), (use.name, at_min)


def test_a_cylinder_is_full_until_it_is_breathed():
    found = plan_dive(parse_dive(tables(45, 25, deco=("50",))))
    rich = found.supply[1]
    first_min = next(s.run_time_min for s in found.schedule.switches if s.source.mix == rich.mix)
    assert rich.bar_at(first_min) == 200.0
    assert rich.bar_at(first_min + 1.0) < 200.0
    assert rich.bar_at(found.schedule.run_time_min) == pytest.approx(rich.left_bar)


def test_when_so_much_has_been_used():
    """20 L/min at 40 m: 100.265 L a minute, so 501.325 L after 5 min; in travel the middle of the leg is the depth."""
    dive = holding(cylinder("air", "bottom"))
    (use,) = breathed(dive, [leg(0, 2, 0, 40, kind="descent"), leg(2, 12, 40, 40)])
    down_l = 20.0 * 3.01325 * 2.0
    assert use.reaches(down_l + 501.325) == pytest.approx((7.0, 40.0))
    assert use.reaches(0.5 * down_l) == pytest.approx((1.0, 20.0))
    assert use.reaches(down_l + 1002.65 - 1e-6) == pytest.approx((12.0, 40.0))
    assert use.reaches(down_l + 1002.65 + 1e-6) is None


def test_when_so_much_has_been_used_while_the_suit_is_filled():
    """66 L into suit and wing, 20 · 2.51325 · 1.5 = 75.3975 L breathed, descent of 1.5 min: half way, half of both."""
    dive = holding(cylinder("air", "bottom"), gas={"drysuit": 10, "wing": 12})
    (use,) = breathed(dive, [leg(0, 1.5, 0, 30, kind="descent"), leg(1.5, 5, 30, 30)])
    assert use.reaches(0.5 * (66.0 + 75.3975)) == pytest.approx((0.75, 15.0))


def test_gas_that_runs_out_reads_zero():
    dive = holding(cylinder("air", "bottom", size="3 L"))
    (use,) = breathed(dive, [leg(0, 20, 40, 40)])
    when, depth_m = use.reaches(use.content_l)
    assert when == pytest.approx(use.content_l / (20.0 * 5.01325))
    assert depth_m == 40.0
    assert use.bar_at(when + 0.1) == 0.0
    assert use.bar_at(when - 0.1) > 0.0


# --- A warm fill ------------------------------------------------------------------------------------------------------


def test_a_warm_fill_cools():
    """The gas in the cylinder stays. Litres at 1 bar are n·R·T: what 230 bar hold at 30 °C, times 282.15/303.15, is
    what is there at 9 °C. An ideal gas would be at 230 · 282.15/303.15 = 214.1 bar; air is below that."""
    given = {"site": {"temperature": 9}, "gas": {"fill_temperature": 30}}
    dive = holding(cylinder("air", "bottom", size="24 L", pressure="230 bar"), **given)
    (use,) = plan_dive(dive).supply
    assert use.content_l == pytest.approx(free_litres(use.mix, 24.0, 230.0, 30.0) * 282.15 / 303.15, rel=1e-9)
    assert 205.0 < use.start_bar < 214.1
    assert use.bar_at(0.0) == use.start_bar
    cold = holding(cylinder("air", "bottom", size="24 L", pressure="230 bar"), site={"temperature": 9})
    assert plan_dive(cold).supply[0].start_bar == 230.0


def test_a_cold_reading_gains():
    """Read at 0 °C and dived at 20 °C: more than 200 bar, by at least 200 · 20/273.15 = 14.6 bar."""
    dive = holding(cylinder("air", "bottom"), site={"temperature": 20}, gas={"fill_temperature": 0})
    assert plan_dive(dive).supply[0].start_bar > 214.6


# --- More gas ---------------------------------------------------------------------------------------------------------


def grievances(dive):
    """What is no-go of the plan itself, and the contingencies that are not survived."""
    found = plan_dive(dive)
    alone = {
        f.code for f in found.findings
        if f.severity == "no-go" and "contingency" not in f.values and not f.code.startswith("bailout-")
    }  # fmt: skip
    return alone | {c.name for c in found.contingencies if not c.holds}


@settings(max_examples=60)
@given(
    st.floats(10.0, 290.0), st.floats(1.0, 60.0), st.floats(3.0, 24.0), st.floats(0.0, 12.0),
    st.sampled_from([(30, 15), (30, 25), (18, 30), (45, 20)]),
)  # fmt: skip
@example(40.0, 20.0, 12.0, 0.0, (30, 15))  # from below the common reserve to above it
def test_more_gas_never_makes_a_no_go(bar, more_bar, size_l, more_l, where):
    """A fuller or larger cylinder is never the reason not to dive."""
    depth, leave_at = where
    before, after = (
        holding(
            cylinder("air", "bottom", size=f"{litres} L", pressure=f"{pressure} bar"),
            cylinder("50", "deco", size="11 L"),
            depth=depth, leave_at=leave_at,
        )
        for litres, pressure in ((size_l, bar), (size_l + more_l, bar + more_bar))
    )  # fmt: skip
    assert grievances(after) <= grievances(before)


@settings(max_examples=20)
@given(st.floats(30.0, 240.0), st.floats(1.0, 60.0), st.floats(3.0, 24.0), st.floats(0.0, 12.0))
def test_more_bailout_gas_never_makes_a_no_go(bar, more_bar, size_l, more_l):
    before, after = (
        loop_dive(
            cylinder("18/45", "bailout", size=f"{litres} L", pressure=f"{pressure} bar"),
            cylinder("50", "bailout", size=f"{litres} L", pressure=f"{pressure} bar"),
        )
        for litres, pressure in ((size_l, bar), (size_l + more_l, bar + more_bar))
    )
    assert grievances(after) <= grievances(before)
