"""The divers of a team: what each takes from the file, and what from the diver's own table."""

from __future__ import annotations

from pathlib import Path

import pytest

from leadline.dive_file import Dive, divers
from leadline.physics.mix import Mix
from leadline.units import CUBIC_FOOT_L
from tests.dive_file.files import AIR_DIVE, LEVEL, LOOP, LOOP_DIVE, METRIC, TWIN, read

ANN, BO = '[[team]]\nname = "Ann"\n', '[[team]]\nname = "Bo"\n'
OWN = TWIN.replace("[[cylinders]]", "[[team.cylinders]]")
FEEDING = TWIN.replace("twin", "d").replace('"air"', '"21/25"').replace("bottom", "diluent")
OXYGEN = TWIN.replace("twin", "o").replace('"air"', '"oxygen"').replace("bottom", "oxygen")


def named(text: str, folder: Path) -> dict[str, Dive]:
    return dict(divers(read(text, folder)))


def carried(dive: Dive) -> list[str]:
    return [cylinder.name for cylinder in dive.cylinders]


def test_a_dive_without_a_team_is_one_diver_of_no_name(tmp_path: Path) -> None:
    dive = read(AIR_DIVE, tmp_path)
    assert divers(dive) == (("", dive),)


def test_what_is_left_out_is_as_in_the_file(tmp_path: Path) -> None:
    alone, team = read(AIR_DIVE, tmp_path), named(AIR_DIVE + ANN + BO, tmp_path)
    assert list(team) == ["Ann", "Bo"]
    assert all(dive == alone for dive in team.values())


def test_what_a_table_gives_is_the_divers_own(tmp_path: Path) -> None:
    own = "gradient_factors = [30, 70]\nrmv_bottom = 14\nrmv_deco = 12\nrmv_stressed = 40\n"
    text = (
        AIR_DIVE + "[model]\ncoefficients = 'ZH-L16B'\n[diver]\nrmv_stressed = 33\nsorting_out = 4\n" + BO + own + ANN
    )
    team = named(text + OWN.replace("twin", "back"), tmp_path)
    bo, ann = team["Bo"], team["Ann"]
    assert (bo.model.gradient_factors, bo.model.coefficients) == ((30, 70), "ZH-L16B")
    assert (bo.diver.rmv_bottom, bo.diver.rmv_deco, bo.diver.rmv_stressed, bo.diver.sorting_out) == (14, 12, 40, 4)
    assert (ann.model.gradient_factors, ann.diver.rmv_bottom, ann.diver.rmv_stressed) == ((40, 80), 20, 33)
    assert (carried(bo), carried(ann)) == (["twin"], ["back"])
    assert bo.team == ann.team == ()


def test_open_circuit_in_a_team_on_loops(tmp_path: Path) -> None:
    """What feeds the loop stays with those who have one."""
    text = LOOP_DIVE + FEEDING + OXYGEN + TWIN + ANN + BO + 'circuit = "open"\n'
    team = named(text, tmp_path)
    assert team["Ann"].loop is not None
    assert team["Bo"].loop is None
    assert (carried(team["Ann"]), carried(team["Bo"])) == (["d", "o", "twin"], ["twin"])


def test_a_loop_of_ones_own(tmp_path: Path) -> None:
    text = AIR_DIVE + ANN + "[team.loop]\ndiluent = '18/45'\nsetpoint = 1.2\n" + BO
    team = named(text, tmp_path)
    assert team["Bo"].loop is None
    assert team["Ann"].loop is not None
    assert (team["Ann"].loop.diluent, team["Ann"].loop.setpoint) == (Mix.parse("18/45"), 1.2)
    over_the_files = named(
        LOOP_DIVE + ANN + 'circuit = "closed"\n[team.loop]\ndiluent = "18/45"\nsetpoint = 1.2\n', tmp_path
    )
    assert over_the_files["Ann"].loop == team["Ann"].loop


def test_the_gas_of_a_level_and_breaks_are_those_of_open_circuit(tmp_path: Path) -> None:
    level = LEVEL + 'gas = "air"\n[stops.oxygen_breaks]\non = 20\noff = 5\n'
    team = named(METRIC + level + LOOP + TWIN + ANN + BO + 'circuit = "open"\n', tmp_path)
    assert team["Bo"].levels[0].gas == Mix.parse("air")
    assert team["Bo"].stops.oxygen_breaks is not None
    assert (team["Ann"].levels[0].gas, team["Ann"].stops.oxygen_breaks) == (None, None)


def test_no_cylinders_in_the_file_where_every_diver_has_his_own(tmp_path: Path) -> None:
    text = METRIC + LEVEL + ANN + OWN + BO + OWN.replace("twin", "stage")
    team = named(text, tmp_path)
    assert (carried(team["Ann"]), carried(team["Bo"])) == (["twin"], ["stage"])


def test_two_divers_may_mark_cylinders_alike(tmp_path: Path) -> None:
    assert len(named(METRIC + LEVEL + ANN + OWN + BO + OWN, tmp_path)) == 2


def test_defaults_of_a_team_are_round_in_the_units_of_the_file(tmp_path: Path) -> None:
    own = OWN.replace("size = 24", "size = 80\nworking_pressure = 3000").replace("230", "3000")
    text = (
        'units = "imperial"\n'
        + LEVEL.replace("45", "150")
        + ANN
        + own
        + "[team.loop]\ndiluent = '21/25'\nsetpoint = 1\n"
    )
    ann = named(text, tmp_path)["Ann"]
    assert ann.loop is not None
    assert ann.loop.metabolic_oxygen == pytest.approx(0.035 * CUBIC_FOOT_L)  # not the metric 1.0 L/min
    assert ann.cylinders[0].pressure == pytest.approx(206.843, abs=0.001)  # 3000 psi of 0.0689476 bar


@pytest.mark.parametrize(
    ("given", "kept"),
    [("deeper = 0", (0.0,)), ("deeper = 6", (6.0,)), ("deeper = [3, '20 ft']", (3.0, 6.096)), ("deeper = []", ())],
)
def test_one_value_or_a_list(given: str, kept: tuple[float, ...], tmp_path: Path) -> None:
    assert read(AIR_DIVE + f"[contingencies]\n{given}\n", tmp_path).contingencies.deeper == pytest.approx(kept)


def test_defaults_of_contingencies(tmp_path: Path) -> None:
    feet = AIR_DIVE.replace("metric", "imperial").replace("24", "'24 L'").replace("45", "150")
    assert read(AIR_DIVE, tmp_path).contingencies.deeper == (3.0,)
    assert read(feet, tmp_path).contingencies.deeper == pytest.approx((3.048,))  # 10 ft
    assert read(AIR_DIVE, tmp_path).contingencies.longer == (5.0,)


@pytest.mark.parametrize(
    ("given", "turn"),
    [('"thirds"', "thirds"), ('"halves"', "halves"), ('"all usable"', "all usable"), ("0.4", 0.4), ("1", 1.0)],
)
def test_turn_rules(given: str, turn: str | float, tmp_path: Path) -> None:
    assert read(AIR_DIVE + f"[gas]\nturn = {given}\n", tmp_path).gas.turn == turn
