"""END, EAD, density, ppO2 and counterdiffusion: the numbers by hand, and the findings drawn from them."""

import pytest

from leadline.dive_file import DiveFileError, parse_dive
from leadline.physics.mix import Mix
from leadline.plan import plan_dive
from leadline.plan.breathing import breathed, judge, mod_shown, tolerances
from leadline.plan.gases import Source
from leadline.plan.schedule import Leg
from tests.dives import cylinder, looped, sentence, tables


def worst(given):
    """The first part of a plan: what is breathed at the bottom, and the finding of each code."""
    found = plan_dive(parse_dive(given))
    return found.breathing[0], {f.code: f for f in found.findings}


def at(source, depth_m, **more):
    """One source at one depth of an air dive there."""
    dive = parse_dive(tables(depth_m, 20, **more))
    legs = [Leg("level", 0.0, 20.0, depth_m, depth_m, source, 0, False)]
    return breathed(dive, legs)[0], {f.code: f for f in judge(dive, breathed(dive, legs), legs)}


def open_circuit(label):
    return Source(Mix.parse(label))


def test_end_and_ead_by_hand():
    """18/45 at 60 m: not helium, 7.01325 · 0.55 = 3.8572875 bar, air at 28.44 m. (Dalton's law.)

    Nitrogen: 7.01325 · 0.37 / 0.7902 = 3.28388 bar, air at 22.706 m (the NOAA Diving Manual's EAD).
    """
    found, _ = at(open_circuit("18/45"), 60.0)
    assert found.end_m == pytest.approx(28.440375, abs=1e-6)
    assert found.ead_m == pytest.approx(22.706, abs=0.001)


def test_end_without_oxygen_is_the_ead():
    found, _ = at(open_circuit("18/45"), 60.0, limits={"oxygen_narcotic": False})
    assert found.end_m == found.ead_m == pytest.approx(22.706, abs=0.001)


@pytest.mark.parametrize(("depth_m", "said"), [(30.0, False), (30.5, False), (30.6, True), (40.0, True)])
def test_end_is_a_caution_over_the_divers_limit(depth_m, said):
    """Air's END is the depth itself. The limit of 30 m, and half a metre of leave: common practice, no source."""
    found, findings = at(open_circuit("air"), depth_m)
    assert found.end_m == pytest.approx(depth_m, abs=1e-9)
    assert ("end" in findings) is said
    if said:
        assert findings["end"].severity == "caution"
        assert findings["end"].values["end_m"] == pytest.approx(depth_m)
        assert findings["end"].values["limit_m"] == 30.0


def test_the_divers_own_end_limit():
    assert "end" not in at(open_circuit("air"), 40.0, limits={"end_caution": 40})[1]


@pytest.mark.parametrize(
    ("label", "depth_m", "density"),
    [
        # air at 0 °C and one atmosphere: 0.2098 · 1.429 + 0.7902 · 1.251 = 0.299804 + 0.988540 = 1.288344 g/L
        ("air", 30.0, 5.1028),  # · 4.01325 / 1.01325 = · 3.960770
        ("air", 36.0, 5.8657),  # · 4.61325 / 1.01325 = · 4.552924
        ("air", 40.0, 6.3743),  # · 5.01325 / 1.01325 = · 4.947693
        # 18/45: 0.18 · 1.429 + 0.37 · 1.251 + 0.45 · 0.1786 = 0.25722 + 0.46287 + 0.08037 = 0.80046 g/L
        ("18/45", 60.0, 5.5404),  # · 7.01325 / 1.01325 = · 6.921540
    ],
)
def test_density_by_hand(label, depth_m, density):
    """Handbook densities (CRC), Boyle's law."""
    assert at(open_circuit(label), depth_m)[0].density_g_l == pytest.approx(density, abs=5e-4)


@pytest.mark.parametrize(
    ("depth_m", "severity"),
    [(30.0, None), (30.5, None), (31.0, "caution"), (38.0, "caution"), (39.0, "grave"), (40.0, "grave")],
)
def test_density_findings(depth_m, severity):
    """Anthony & Mitchell (2016): 5.2 g/L recommended, 6.2 g/L the limit. Air has 5.17 at 30.5 m, 6.25 at 39 m. Over the
    limit it is the gravest caution, and a no-go only if the file says so."""
    finding = at(open_circuit("air"), depth_m)[1].get("density")
    assert (("grave" if finding.grave else finding.severity) if finding else None) == severity
    assert finding is None or finding.severity == "caution"


def test_a_density_no_go_of_the_divers_own():
    """Over the published limit, within the diver's own of 6.5 g/L: a caution that says so. Over that too: a no-go."""
    raised = {"limits": {"density_no_go": 6.5}}
    finding = at(open_circuit("air"), 40.0, **raised)[1]["density"]
    assert (finding.severity, finding.grave) == ("caution", True)
    assert "the published limit of 6.2" in sentence(finding)
    assert finding.values["key"] == "[limits] density_caution"
    over = at(open_circuit("air"), 42.0, **raised)[1]["density"]  # 6.63 g/L
    assert over.severity == "no-go"
    assert over.values["key"] == "[limits] density_no_go"


def test_a_lowered_density_limit_is_a_no_go():
    assert at(open_circuit("air"), 36.0, limits={"density_no_go": 5.5})[1]["density"].severity == "no-go"


def test_end_is_a_no_go_if_the_file_says_so():
    assert at(open_circuit("air"), 36.0, limits={"end_no_go": 35})[1]["end"].severity == "no-go"
    assert at(open_circuit("air"), 35.5, limits={"end_no_go": 35})[1]["end"].severity == "caution"


def test_ppo2_between_the_divers_limits_is_a_caution():
    """32 % at 36 m: 4.61325 · 0.32 = 1.476 bar, over 1.4 and within a no-go of 1.5; at 38 m 1.540, over that too."""
    wide = {"limits": {"ppo2_bottom_no_go": 1.5}}
    assert at(open_circuit("32"), 36.0)[1]["ppo2-high"].severity == "no-go"
    assert at(open_circuit("32"), 36.0, **wide)[1]["ppo2-high"].severity == "caution"
    assert at(open_circuit("32"), 38.0, **wide)[1]["ppo2-high"].severity == "no-go"


@pytest.mark.parametrize(
    ("label", "depth_m", "ppo2", "severity"),
    [
        ("28", 40.0, 1.40371, None),  # 5.01325 · 0.28: 1.40 as it is written
        ("32", 34.0, 1.41224, "caution"),  # 4.41325 · 0.32
        ("32", 35.0, 1.44424, "no-go"),  # 4.51325 · 0.32: past 1.4 and the 0.03 bar of grid tolerance
        ("32", 40.0, 1.60424, "no-go"),
    ],
)
def test_ppo2_at_the_bottom(label, depth_m, ppo2, severity):
    """Dalton's law; 1.4 bar at the bottom is common practice, no source."""
    part, findings = worst(tables(depth_m, 15, bottom=label))
    assert part.ppo2_high_bar == pytest.approx(ppo2, abs=1e-5)
    finding = findings.get("ppo2-high")
    assert (finding.severity if finding else None) == severity
    if finding:
        assert finding.values["ppo2_bar"] == pytest.approx(ppo2, abs=1e-5)
        assert finding.values["limit_bar"] == 1.4


def test_deco_gas_is_held_to_the_deco_limit():
    """Oxygen at 6 m: 1.61325 bar, within 1.6 and the grid tolerance. Its MOD is 0.58675 bar down, and 6 m tolerated."""
    found = plan_dive(parse_dive(tables(45, 25, deco=("oxygen",))))
    part = next(p for p in found.breathing if p.source.mix.label == "oxygen")
    assert part.on_the_way_up
    assert part.ppo2_high_bar == pytest.approx(1.61325, abs=1e-9)
    assert part.mod_m == pytest.approx(5.8675, abs=1e-9)
    assert (part.tolerated_m, part.tolerance_bar) == (6.0, 0.03)
    assert mod_shown(found.dive, part) == "6 (1.61)"
    assert tolerances(found.dive, found.breathing) == "oxygen at 6 m: ppO2 1.61, within 0.03 of 1.6"
    assert not any(f.code == "ppo2-high" and f.values["gas"] == "oxygen" for f in found.findings)


def carrying(levels, *cylinders, **more):
    """An open-circuit dive with plenty of each gas."""
    given = tables(60, 20, **more) | {"cylinders": [{**c, "size": "300 L"} for c in cylinders]}
    return given | {"levels": [{"depth": depth, "leave_at": leave_at} | rest for depth, leave_at, rest in levels]}


def test_a_travel_gas_taken_up_again_is_held_to_the_deco_limit():
    """50 % down to 18 m (1.407 bar, within 1.4 and the tolerance), and up from 21 m: 1.557 bar, within 1.6."""
    given = carrying([(60, 20, {})], cylinder("10/50", "bottom"), cylinder("50", "travel"))
    found = plan_dive(parse_dive(given))
    assert 21.0 in {s.depth_m for s in found.schedule.switches if s.source.mix.label == "50"}
    assert not [f for f in found.findings if f.code == "ppo2-high" and f.severity == "no-go"]


DEEP, TRAVEL = cylinder("10/70", "bottom"), cylinder("50", "travel")


@pytest.mark.parametrize(
    "given",
    [
        carrying(
            [(80, 20, {})], DEEP, TRAVEL, cylinder("oxygen", "deco"), stops={"oxygen_breaks": {"on": 12, "off": 6}}
        ),  # 10/70 in a break at 3 m: 0.131 bar
        carrying([(80, 15, {"gas": "10/70"}), (5, 200, {"gas": "50"})], DEEP, TRAVEL),  # up to 5 m on 10/70: 0.151 bar
        carrying([(3, 5, {"gas": "50"}), (60, 20, {"gas": "10/70"})], DEEP, TRAVEL),  # down from 3 m on 10/70
    ],
    ids=["oxygen break", "up to a level", "down from a level"],
)
def test_no_planned_gas_is_hypoxic(given):
    """Below 0.16 bar a gas carries no life (NOAA Diving Manual): refused, or a no-go, or another gas; not a caution."""
    try:
        found = plan_dive(parse_dive(given))
    except DiveFileError:
        return
    grave = {f.values.get("ppo2_bar") for f in found.findings if f.severity == "no-go"}
    hypoxic = [part.ppo2_low_bar for part in found.breathing if part.ppo2_low_bar < 0.16]
    assert set(hypoxic) <= grave


@pytest.mark.parametrize(("label", "ppo2"), [("17/30", 0.17225), ("18/30", 0.18239)])
def test_low_ppo2_is_a_caution(label, ppo2):
    """At the surface, 1.01325 bar: 17 % is below 0.18 bar, 18 % is not. (0.18 bar: common practice, no source.)"""
    part, findings = worst(tables(45, 15, bottom=label, deco=("50",)))
    assert part.ppo2_low_bar == pytest.approx(ppo2, abs=1e-5)
    assert ("ppo2-low" in findings) is (ppo2 < 0.18)
    if ppo2 < 0.18:
        assert findings["ppo2-low"].severity == "caution"


@pytest.mark.parametrize(
    ("before", "after", "depth_m", "said"),
    [
        ("18/45", "50", 21.0, True),  # N2 37 to 50 %: +13; He -45: a fifth is 9
        ("18/45", "35/25", 30.0, False),  # N2 37 to 40 %: +3; He -20: a fifth is 4
        ("10/70", "30/45", 40.0, False),  # N2 20 to 25 %: +5; He -25: a fifth is 5, just met
        ("10/70", "29/45", 40.0, True),  # N2 20 to 26 %: +6
        ("21/35", "50", 21.0, False),  # N2 44 to 50 %: +6; He -35: a fifth is 7
        ("air", "50", 21.0, False),  # no helium to lose
        ("18/45", "oxygen", 6.0, False),  # nitrogen falls too
    ],
)
def test_counterdiffusion(before, after, depth_m, said):
    """The rule of fifths, common practice, no source: nitrogen up by no more than a fifth of helium's fall."""
    dive = parse_dive(tables(45, 20))
    legs = [
        Leg("ascent", 20.0, 22.0, 45.0, depth_m, open_circuit(before), 0, False),
        Leg("stop", 22.0, 24.0, depth_m, depth_m, open_circuit(after), 0, True),
    ]
    findings = [f for f in judge(dive, breathed(dive, legs), legs) if f.code == "counterdiffusion"]
    old, new = Mix.parse(before), Mix.parse(after)
    by_hand = old.he > new.he and (new.n2 - old.n2) > 0.2 * (old.he - new.he) + 1e-9
    assert by_hand is said
    assert bool(findings) is said
    for f in findings:
        assert f.severity == "caution"
        assert f.depth_m == depth_m
        assert f.values["n2_rise"] == pytest.approx(new.n2 - old.n2)
        assert f.values["he_fall"] == pytest.approx(old.he - new.he)


def test_counterdiffusion_shows_in_a_plan():
    found = plan_dive(parse_dive(tables(60, 25, bottom="18/45", deco=("50", "oxygen"))))
    said = [f for f in found.findings if f.code == "counterdiffusion"]
    assert [f.depth_m for f in said] == [21.0]
    assert "13 %" in sentence(said[0])
    assert "45 %" in sentence(said[0])


def test_the_loop_by_hand():
    """18/45 at setpoint 1.3, 60 m: dry 7.01325 - 0.0627 = 6.95055 bar; O2 1.3 / 6.95055 = 0.187036.

    Of the other 0.812964 helium has 45/82, 0.446139; nitrogen 0.366825. END: 7.01325 · 0.553861 = 3.884366 bar,
    28.711 m. Density: (0.187036 · 1.429 + 0.366825 · 1.251 + 0.446139 · 0.1786) · 6.921540 = 0.805853 · 6.921540
    = 5.5777 g/L. (Dalton's law, the loop's convention of docs/method.md, CRC densities.)
    """
    part, findings = worst(looped(60, 20, "18/45", setpoint=1.3))
    assert part.ppo2_high_bar == 1.3
    assert part.end_m == pytest.approx(28.711, abs=0.001)
    assert part.density_g_l == pytest.approx(5.5777, abs=5e-4)
    assert findings["density"].severity == "caution"
    assert "ppo2-high" not in findings
    assert "diluent-rich" not in findings


@pytest.mark.parametrize(("depth_m", "said"), [(38.0, False), (40.0, True)])
def test_a_diluent_richer_than_the_setpoint(depth_m, said):
    """Air at setpoint 1.0: at 38 m (4.81325 - 0.0627) · 0.2098 = 0.99666 bar; at 40 m 4.95055 · 0.2098 = 1.03863."""
    part, findings = worst(looped(depth_m, 20, "air", setpoint=1.0))
    assert part.ppo2_high_bar == pytest.approx(1.03863 if said else 1.0, abs=1e-5)
    assert ("diluent-rich" in findings) is said
    if said:
        assert findings["diluent-rich"].severity == "caution"


def test_stops_between_levels_say_what_they_are_planned_on():
    """A deco gas is taken up only on the last ascent; where that lengthens stops on the way, the plan says so."""
    given = {
        "units": "metric",
        "levels": [{"depth": 60, "leave_at": 25}, {"depth": 9, "leave_at": 90}],
        "cylinders": [
            {"name": "back gas", "gas": "18/45", "size": 40, "pressure": 230, "use": "bottom"},
            {"name": "fifty", "gas": "50", "size": 11, "pressure": 200, "use": "deco"},
        ],
    }
    found = plan_dive(parse_dive(given))
    before = [s for s in found.schedule.stops if s.leave_min < 90]
    assert before
    assert {s.source.mix.label for s in before} == {"18/45"}
    assert [f.severity for f in found.findings if f.code == "stops-between-levels"] == ["note"]
    assert "stops-between-levels" not in {
        f.code for f in plan_dive(parse_dive(given | {"levels": given["levels"][:1]})).findings
    }
