"""What is breathed where, and the gases that nobody can breathe there."""

from __future__ import annotations

from typing import Any

import pytest

from leadline.dive_file import DiveFileError, parse_dive
from leadline.physics.mix import Mix
from leadline.plan.gases import (
    ANY_DEPTH_M,
    Gap,
    Source,
    Step,
    Stretch,
    bailout_way,
    break_source,
    gap,
    source_at,
    stretches,
)
from leadline.plan.schedule import lay_out
from leadline.units import FOOT_M
from tests.dives import Tables, cylinder, looped, tables


def way(steps: tuple[Step, ...], unit_m: float = 1.0) -> list[tuple[float | None, str]]:
    """Depth and name of each step; None is "however deep"."""
    return [
        (None if step.from_depth_m == ANY_DEPTH_M else round(step.from_depth_m / unit_m, 6), step.source.name)
        for step in steps
    ]


def breathed(given: Tables) -> list[Stretch]:
    return stretches(parse_dive(given))


def refusal(given: Tables) -> tuple[str, str]:
    with pytest.raises(DiveFileError) as refused:
        lay_out(parse_dive(given), "reef.toml")
    assert refused.value.source == "reef.toml"
    (problem,) = refused.value.problems
    return problem.key, problem.message


# --- Refusals ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("given", "key", "message"),
    [
        (
            tables(45, 20, "32"),
            "[[levels]] 1, depth",
            "32 % at 45 m is hyperoxic: ppO2 1.76 bar, its depth limit at 1.6 is 39.9 m; choose a leaner gas",
        ),
        (
            tables(150, 20, "32", units="imperial"),
            "[[levels]] 1, depth",
            "32 % at 150 ft is hyperoxic: ppO2 1.79 bar, its depth limit at 1.6 is 131 ft; choose a leaner gas",
        ),
        (
            looped(90, 20, "21/25", setpoint=1.3),
            "[[levels]] 1, depth",
            "21/25 at 90 m is hyperoxic: ppO2 2.10 bar, its depth limit at 1.6 is 66.1 m; choose a leaner gas",
        ),
        (
            tables(6, 20, "8/60"),
            "[[levels]] 1, depth",
            "8/60 at 6 m is hypoxic: ppO2 0.13 bar, at least 0.16 keeps a diver awake; choose a richer gas",
        ),
        (
            tables(80, 20, "12/60", ("50",)),
            "[[cylinders]]",
            "no breathable gas on the way down at 0 m: 12/60 is hypoxic there (ppO2 0.12 bar, least 0.16), "
            'breathable only below 3.2 m; add a cylinder with use = "travel"',
        ),
        (
            tables(80, 20, cylinders=[cylinder("8/60", "bottom"), cylinder("50", "travel", switch_depth=6)]),
            "[[cylinders]]",
            "no breathable gas on the way down at 6 m: 8/60 is hypoxic there (ppO2 0.13 bar, least 0.16), "
            'breathable only below 9.9 m; add a cylinder with use = "travel"',
        ),
        (
            tables(45, 20, cylinders=[cylinder("air", "bottom"), cylinder("50", "deco", switch_depth=20)]),
            "[[cylinders]] 2, switch_depth",
            "20 m is not on the stop grid; nearest is 21 m",
        ),
        (
            tables(
                150,
                20,
                cylinders=[cylinder("air", "bottom"), cylinder("50", "deco", switch_depth=68)],
                units="imperial",
            ),
            "[[cylinders]] 2, switch_depth",
            "68 ft is not on the stop grid; nearest is 70 ft",
        ),
        (
            tables(45, 20, cylinders=[cylinder("air", "bottom"), cylinder("oxygen", "deco", switch_depth=9)]),
            "[[cylinders]] 2, switch_depth",
            "oxygen at 9 m is hyperoxic: ppO2 1.91 bar, its depth limit at 1.6 is 5.9 m; choose a leaner gas",
        ),
    ],
)
def test_a_gas_that_nobody_can_breathe(given: Tables, key: str, message: str) -> None:
    assert refusal(given) == (key, message)


def test_a_travel_gas_makes_a_hypoxic_dive_breathable() -> None:
    lay_out(
        parse_dive(tables(80, 20, cylinders=[cylinder("8/60", "bottom"), cylinder("50", "travel", switch_depth=12)]))
    )


# --- Open circuit -----------------------------------------------------------------------------------------------------


def test_gases_change_on_the_stop_grid_the_richest_usable_first() -> None:
    (stretch,) = breathed(tables(60, 20, "18/45", ("oxygen", "50")))
    assert way(stretch.to) == [(None, "18/45")]
    assert stretch.at.name == "18/45"
    assert way(stretch.up) == [(None, "18/45"), (21.0, "50 %"), (6.0, "oxygen")]


def test_in_feet_at_70_and_20() -> None:
    (stretch,) = breathed(tables(200, 20, "18/45", ("50", "oxygen"), units="imperial"))
    assert way(stretch.up, FOOT_M) == [(None, "18/45"), (70.0, "50 %"), (20.0, "oxygen")]


def test_a_stricter_limit_changes_shallower() -> None:
    (stretch,) = breathed(tables(60, 20, "18/45", ("50",), limits={"ppo2_deco": 1.4}))
    assert way(stretch.up) == [(None, "18/45"), (18.0, "50 %")]


def test_a_gas_within_no_limit_on_the_grid_is_left_alone() -> None:
    (stretch,) = breathed(tables(45, 20, "air", ("oxygen",), limits={"ppo2_deco": 1.2}))
    assert way(stretch.up) == [(None, "air")]


def test_a_leaner_gas_is_not_gone_back_to() -> None:
    (stretch,) = breathed(tables(45, 20, "28", ("air",), limits={"ppo2_bottom": 1.6}))
    assert way(stretch.up) == [(None, "28 %")]
    given = tables(60, 20, cylinders=[cylinder("18/45", "bottom"), cylinder("50", "deco", switch_depth=9),
                                      cylinder("32", "deco", switch_depth=9)])  # fmt: skip
    assert way(breathed(given)[0].up) == [(None, "18/45"), (9.0, "50 %")]


def test_a_switch_depth_of_the_divers_own() -> None:
    given = tables(45, 20, cylinders=[cylinder("air", "bottom"), cylinder("50", "deco", switch_depth=18)])
    assert way(breathed(given)[0].up) == [(None, "air"), (18.0, "50 %")]


def test_a_switch_depth_for_each_way() -> None:
    """By the limits 32 % would be left at 33 m going down, and taken up at 36 m."""

    def travelled(**given: Any) -> list[list[tuple[float | None, str]]]:
        carried = [cylinder("18/45", "bottom"), cylinder("32", "travel", **given)]
        (stretch,) = breathed(tables(60, 20, cylinders=carried))
        return [way(stretch.to), way(stretch.up)]

    assert travelled() == [[(None, "18/45"), (33.0, "32 %")], [(None, "18/45"), (36.0, "32 %")]]
    assert travelled(switch_depth=30) == [[(None, "18/45"), (30.0, "32 %")]] * 2
    both = {"down": 24, "up": "39 m"}
    assert travelled(switch_depth=both) == [[(None, "18/45"), (24.0, "32 %")], [(None, "18/45"), (39.0, "32 %")]]
    up, down = travelled(switch_depth={"up": 30}), travelled(switch_depth={"down": 30})
    assert up == [[(None, "18/45"), (33.0, "32 %")], [(None, "18/45"), (30.0, "32 %")]]
    assert down == [[(None, "18/45"), (30.0, "32 %")], [(None, "18/45"), (36.0, "32 %")]]


@pytest.mark.parametrize(
    ("given", "key", "message"),
    [
        ({"down": 30, "up": 35}, "[[cylinders]] 2, switch_depth, up", "35 m is not on the stop grid; nearest is 36 m"),
        ({"down": 48}, "[[cylinders]] 2, switch_depth, down", "32 % at 48 m is hyperoxic"),
    ],
)
def test_a_switch_depth_of_one_way_is_refused_by_name(given: Tables, key: str, message: str) -> None:
    carried = [cylinder("18/45", "bottom"), cylinder("32", "travel", switch_depth=given)]
    told_key, told = refusal(tables(60, 20, cylinders=carried))
    assert told_key == key
    assert told.startswith(message)


# --- Density ----------------------------------------------------------------------------------------------------------
# At 0 °C and one atmosphere, g/L (CRC): oxygen 1.429, nitrogen 1.251, helium 0.1786.


def test_density_moves_a_switch_up() -> None:
    """32 %: 0.32 · 1.429 + 0.68 · 1.251 = 1.308 g/L; at 39 m, 4.91325 bar, 6.34 g/L, at 36 m 5.95. ppO2 lets it be
    taken up at 39 m, 1.57 bar. With a limit of 5.2 g/L it is 4.03 bar: 30 m."""
    (stretch,) = breathed(tables(60, 20, "18/45", ("32",)))
    assert way(stretch.up) == [(None, "18/45"), (36.0, "32 %")]
    (stretch,) = breathed(tables(60, 20, "18/45", ("32",), limits={"density_caution": 3, "density_no_go": 5.2}))
    assert way(stretch.up) == [(None, "18/45"), (30.0, "32 %")]
    (stretch,) = breathed(tables(60, 20, "18/45", ("32",), limits={"density_caution": 3, "density_no_go": 8}))
    assert way(stretch.up) == [(None, "18/45"), (36.0, "32 %")]  # the published limit holds where it is lower


def test_density_moves_a_travel_gas_on_the_way_down() -> None:
    """28 %: 1.301 g/L; within 1.41 bar down to 39 m, where it has 6.31 g/L; at 36 m 5.92."""
    (stretch,) = breathed(tables(60, 20, cylinders=[cylinder("18/45", "bottom"), cylinder("28", "travel")]))
    assert way(stretch.to) == [(None, "18/45"), (36.0, "28 %")]


def test_density_leaves_no_depth_without_gas() -> None:
    """Off the loop the first gas is breathed however dense. 6/80 is below 0.16 bar at 15 m (0.15), not at 18 m (0.17):
    50 %, of 1.340 g/L, is taken up there even where no more than 3 g/L are wanted, its 12 m."""
    assert bailout(cylinder("air", "bailout")) == [(None, "air")]
    assert bailout(cylinder("air", "bailout"), cylinder("32", "bailout")) == [(None, "air"), (36.0, "32 %")]
    (stretch,) = breathed(
        tables(
            80,
            20,
            cylinders=[cylinder("6/80", "bottom"), cylinder("50", "travel")],
            limits={"density_caution": 3, "density_no_go": 3},
        )
    )
    assert way(stretch.up) == [(None, "6/80"), (18.0, "50 %")]
    assert way(stretch.to) == [(None, "6/80"), (18.0, "50 %")]
    (stretch,) = breathed(tables(80, 20, "12/60", ("50",), levels=[{"depth": 80, "leave_at": 20}],
                                 limits={"density_caution": 3, "density_no_go": 3})
                          | {"cylinders": [cylinder("12/60", "bottom"), cylinder("50", "travel")]})  # fmt: skip
    assert way(stretch.up) == [(None, "12/60"), (12.0, "50 %")]  # 0.27 bar of 12/60 there


def test_density_keeps_nobody_on_a_denser_gas() -> None:
    """36/20 has 1.10 g/L, 32 % 1.31: to wait with it would make things worse."""
    (stretch,) = breathed(
        tables(36, 20, "32", ("36/20",), limits={"density_caution": 3, "density_no_go": 3, "ppo2_bottom": 1.6})
    )
    assert way(stretch.up) == [(None, "32 %"), (33.0, "36/20")]


def test_a_last_stop_off_the_grid_is_on_it() -> None:
    cylinders = [cylinder("air", "bottom"), cylinder("oxygen", "deco", switch_depth=4.5)]
    given = tables(45, 20, cylinders=cylinders, stops={"last": 4.5})
    assert way(breathed(given)[0].up) == [(None, "air"), (4.5, "oxygen")]
    assert way(breathed(tables(45, 20, "air", ("oxygen",), stops={"last": 4.5}))[0].up)[-1] == (6.0, "oxygen")


def test_a_travel_gas_on_the_way_down_and_up() -> None:
    (stretch,) = breathed(tables(80, 20, cylinders=[cylinder("12/60", "bottom"), cylinder("50", "travel")]))
    assert way(stretch.to) == [(None, "12/60"), (18.0, "50 %")]  # ppO2 1.4 going down ...
    assert way(stretch.up) == [(None, "12/60"), (21.0, "50 %")]  # ... and 1.6 coming up


def test_two_travel_gases_each_as_deep_as_it_may() -> None:
    cylinders = [cylinder("10/70", "bottom"), cylinder("50", "travel"), cylinder("30/30", "travel")]
    (stretch,) = breathed(tables(90, 20, cylinders=cylinders))
    assert way(stretch.to) == [(None, "10/70"), (36.0, "30/30"), (18.0, "50 %")]


def test_the_richest_bottom_gas_within_its_limit_is_breathed_at_a_level() -> None:
    given = tables(0, 0, cylinders=[cylinder("18/45", "bottom"), cylinder("28", "bottom")])
    given["levels"] = [{"depth": 60, "leave_at": 15}, {"depth": 30, "leave_at": 30}]
    deep, shallow = breathed(given)
    assert (deep.at.name, shallow.at.name) == ("18/45", "28 %")
    assert way(shallow.to) == [(None, "18/45")]
    assert way(shallow.up) == [(None, "28 %")]


def test_a_level_gas_is_breathed_whatever_else_is_carried() -> None:
    given = tables(0, 0, cylinders=[cylinder("air", "bottom"), cylinder("32", "bottom"), cylinder("50", "deco")])
    given["levels"] = [{"depth": 18, "leave_at": 15, "gas": "air"}, {"depth": 30, "leave_at": 30, "gas": "32"}]
    first, second = breathed(given)
    assert (first.at.name, second.at.name) == ("air", "32 %")
    assert way(second.to) == [(None, "32 %")]


def test_bailout_is_not_breathed_on_open_circuit() -> None:
    (stretch,) = breathed(tables(45, 20, cylinders=[cylinder("air", "bottom"), cylinder("50", "bailout")]))
    assert way(stretch.up) == [(None, "air")]


@pytest.mark.parametrize(
    ("breaks", "name"),
    [(None, None), ({"on": 20, "off": 5}, "18/45"), ({"on": 20, "off": 5, "gas": "50"}, "50 %")],
)
def test_what_is_breathed_in_an_oxygen_break(breaks: Tables | None, name: str | None) -> None:
    given = tables(60, 20, "18/45", ("50", "oxygen"), **({"stops": {"oxygen_breaks": breaks}} if breaks else {}))
    source = break_source(parse_dive(given))
    assert (source.name if source else None) == name


# --- The loop ---------------------------------------------------------------------------------------------------------


def on_loop(**more: Any) -> list[Stretch]:
    return breathed(looped(60, 20, "18/45", setpoint=1.3, **more))


def test_one_setpoint_all_the_way() -> None:
    (stretch,) = on_loop()
    assert way(stretch.to) == way(stretch.up) == [(None, "loop 1.3")]
    assert stretch.at == Source(Mix.parse("18/45"), 1.3)


def test_setpoints_by_depth() -> None:
    (stretch,) = on_loop(low_setpoint=0.7, high_from=21, low_from=3, deco_setpoint=1.5, deco_from=12)
    assert way(stretch.to) == [(None, "loop 1.3"), (21.0, "loop 0.7")]
    assert stretch.at.name == "loop 1.3"
    assert way(stretch.up) == [(None, "loop 1.3"), (12.0, "loop 1.5"), (3.0, "loop 0.7")]


def test_without_low_from_the_high_setpoint_stays_to_the_surface() -> None:
    (stretch,) = on_loop(low_setpoint=0.7, high_from=21)
    assert way(stretch.up) == [(None, "loop 1.3")]


def test_a_level_on_the_very_depth_of_a_change_has_changed() -> None:
    (stretch,) = breathed(looped(21, 20, "18/45", setpoint=1.3, low_setpoint=0.7, high_from=21))
    assert stretch.at.name == "loop 1.3"
    (stretch,) = breathed(looped(20, 20, "18/45", setpoint=1.3, low_setpoint=0.7, high_from=21))
    assert stretch.at.name == "loop 0.7"


def test_after_the_deepest_level_the_way_up_decides() -> None:
    given = looped(60, 20, "18/45", setpoint=1.3, low_setpoint=0.7, high_from=21, low_from=6)
    given["levels"].append({"depth": 15, "leave_at": 40})
    assert [stretch.at.name for stretch in breathed(given)] == ["loop 1.3", "loop 1.3"]


@pytest.mark.parametrize(
    ("depth_m", "name"), [(60, "loop 1.3"), (12.1, "loop 1.3"), (12, "loop 1.5"), (3, "loop 0.7"), (0, "loop 0.7")]
)
def test_the_source_at_a_depth(depth_m: float, name: str) -> None:
    (stretch,) = on_loop(low_setpoint=0.7, high_from=21, low_from=3, deco_setpoint=1.5, deco_from=12)
    assert source_at(stretch.up, depth_m).name == name


# --- Bailout ----------------------------------------------------------------------------------------------------------


def bailout(*cylinders: Tables, depth: float = 60) -> list[tuple[float | None, str]]:
    given = looped(depth, 20, "18/45", setpoint=1.3)
    given["cylinders"] = list(cylinders)
    return way(bailout_way(parse_dive(given)))


def test_bailout_is_the_richest_usable_at_every_depth() -> None:
    carried = [cylinder("oxygen", "bailout"), cylinder("18/45", "bailout"), cylinder("50", "bailout")]
    assert bailout(*carried) == [(None, "18/45"), (21.0, "50 %"), (6.0, "oxygen")]


def test_every_open_circuit_cylinder_is_bailout_on_a_loop() -> None:
    """32 % is within 1.63 bar at 39 m, and 6.0 g/L at 36 m."""
    carried = [cylinder("18/45", "bottom"), cylinder("32", "travel"), cylinder("50", "deco")]
    carried += [cylinder("oxygen", "bailout"), cylinder("18/45", "diluent"), cylinder("air", "inflation")]
    assert bailout(*carried) == [(None, "18/45"), (36.0, "32 %"), (21.0, "50 %"), (6.0, "oxygen")]


def test_oxygen_and_diluent_for_the_loop_are_not_bailout() -> None:
    assert bailout(cylinder("oxygen", "oxygen"), cylinder("18/45", "diluent")) == []
    assert bailout() == []


def test_one_gas_is_all_there_is_however_deep() -> None:
    assert bailout(cylinder("50", "bailout")) == [(None, "50 %")]


def test_no_way_off_the_loop_where_no_gas_is_within_its_limit_anywhere() -> None:
    """90 % at 3 m is 1.18 bar, over 0.5: it is not breathed for want of another."""
    given = looped(60, 20, "18/45", setpoint=1.3)
    given |= {"cylinders": [cylinder("oxygen", "bailout"), cylinder("90", "bailout")], "limits": {"ppo2_deco": 0.5}}
    assert bailout_way(parse_dive(given)) == ()
    assert gap(parse_dive(given), (), 60.0) == Gap(60.0, 0.0)


def test_bailout_changes_where_the_diver_says() -> None:
    carried = [cylinder("18/45", "bailout"), cylinder("50", "bailout", switch_depth=15)]
    assert bailout(*carried) == [(None, "18/45"), (15.0, "50 %")]


def test_oxygen_breaks_that_cannot_be_taken_are_refused():
    """Never silently left out: no gas for them, or a loop."""
    breaks = {"oxygen_breaks": {"on": 12, "off": 6}}
    hypoxic = [cylinder("10/70", "bottom"), cylinder("oxygen", "travel", switch_depth=6)]
    with pytest.raises(DiveFileError, match="no gas carried can be breathed in an oxygen break at 3 m"):
        lay_out(parse_dive(tables(60, 20, cylinders=hypoxic, stops=breaks)))
    with pytest.raises(DiveFileError, match=r"\[stops\] oxygen_breaks: are taken on open circuit only"):
        parse_dive(looped(60, 20, "18/45", setpoint=1.3) | {"stops": breaks})
