"""What is printed: every finding, contingency and pressure, in whole numbers a diver reads, at any width."""

from __future__ import annotations

import io
import math
import re
from itertools import pairwise
from pathlib import Path

import pytest
from rich.console import Console

from leadline.dive_file import parse_dive, read_dive
from leadline.plan.team import Team, plan_team
from leadline.show.outcome import in_words
from leadline.terminal import show
from leadline.units import SYSTEMS
from tests.dives import Tables, cylinder, looped, sentence, tables, timer

ROOT = Path(__file__).parents[1]
EXAMPLES = sorted((ROOT / "examples").glob("*.toml"))
LONG = "a name as long as the dive file allows 4"
IN_FEET = tables("150 ft", 25, "21/35", ("50",), units="imperial") | {
    "gas": {"turn": "thirds"},
    "cylinders": [
        cylinder("21/35", "bottom", size="200 cuft", working_pressure=3000, pressure=3000, name="twin set"),
        cylinder("50", "deco", size="80 cuft", working_pressure=3000, pressure=3000, name="left stage"),
    ],
}
SHORT = tables(60, 25, "18/45", ("50", "oxygen"))
NO_BAILOUT = looped(60, 20, "18/45", setpoint=1.3)
EVERY_KIND = ["deeper", "longer", "deeper and longer", "delay", "slow ascent", "aborted descent", "heavy breathing"]
NOTHING_PLANNED = tables(12, 20) | {"contingencies": {"leave_out": [*EVERY_KIND, "mate out of gas"]}}
LONG_NAMES = tables(45, 20) | {
    "title": "Saltby " * 11,
    "cylinders": [cylinder("air", "bottom", name=LONG), cylinder("50", "deco", name="x" * 40)],
}
SHORT_IN_FEET = IN_FEET | {"cylinders": [IN_FEET["cylinders"][0] | {"size": "60 cuft"}, IN_FEET["cylinders"][1]]}
THREE = IN_FEET | {
    "team": [
        {"name": "Ann"},
        {"name": "Bo", "gradient_factors": [30, 70], "rmv_bottom": 0.6},
        {
            "name": "Cleo with a name of thirty let",
            "cylinders": [IN_FEET["cylinders"][0] | {"name": "back"}, IN_FEET["cylinders"][1]],
        },
    ]
}
ON_LOOPS = NO_BAILOUT | {
    "gas": {"team_bailout": True},
    "cylinders": [cylinder("18/45", "bailout", name="deep"), cylinder("50", "bailout", name="shallow")],
    "team": [{"name": "Ann"}, {"name": "Bo", "rmv_stressed": 40}],
}
DIVES: dict[str, Tables] = {
    "in feet": IN_FEET, "short in feet": SHORT_IN_FEET, "short": SHORT, "no bailout": NO_BAILOUT,
    "nothing planned": NOTHING_PLANNED, "long names": LONG_NAMES, "three": THREE, "on loops": ON_LOOPS,
}  # fmt: skip
NAMES = [*(path.stem for path in EXAMPLES), *DIVES]
PSI_BAR = 0.0689475729


@pytest.fixture(scope="module")
def planned() -> dict[str, Team]:
    made = {path.stem: plan_team(read_dive(path), path.name) for path in EXAMPLES}
    return made | {name: plan_team(parse_dive(given)) for name, given in DIVES.items()}


def printed(team: Team, width: int = 80) -> str:
    console = Console(file=io.StringIO(), width=width, highlight=False, force_terminal=False)
    show(team, console)
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue()


def joined(text: str) -> str:
    return re.sub(r"\s+", "", text)


@pytest.mark.parametrize("width", [60, 80, 120])
@pytest.mark.parametrize("name", NAMES)
def test_everything_is_said_and_fits(planned: dict[str, Team], name: str, width: int) -> None:
    team = planned[name]
    text = printed(team, width)
    assert max(len(line) for line in text.splitlines()) <= width
    assert "…" not in text
    assert ("NO-GO" in text) == team.no_go
    for finding in team.findings:
        assert joined(sentence(finding, team.dive.units)) in joined(text)
        assert joined(finding.cure) in joined(text)
    for member in team.members:
        assert joined(member.name) in joined(text)
        for use in member.plan.supply:
            assert use.name[:10] in text
    assert "No model is proof against decompression sickness." in text


@pytest.mark.parametrize("name", NAMES)
def test_the_verdict_is_read_first(planned: dict[str, Team], name: str) -> None:
    """Title, how it is planned, verdict, findings; and no finding parts a number from its unit."""
    team = planned[name]
    lines = printed(team).splitlines()
    verdict = next(i for i, line in enumerate(lines) if line.startswith(("NO-GO: ", "Can be dived as planned")))
    assert verdict <= 3
    said = lines[verdict + 1 : next(i for i, line in enumerate(lines) if i > verdict and not line.strip())]
    assert sum(line.startswith(("NO-GO ", "caution ", "note ")) for line in said) == len(team.findings)


@pytest.mark.parametrize("name", ["short in feet", "marigold-trimix"])
def test_no_number_is_parted_from_its_unit(planned: dict[str, Team], name: str) -> None:
    for width in range(40, 110):
        said = printed(planned[name], width).split("\nSchedule")[0].splitlines()
        for line, following in pairwise(said):
            unit = re.match(r"\s+(%|m|ft|min|bar|psi|L|cu)\b|\s+%", following)
            assert not (unit and re.search(r"\d\s*$", line))
            assert not (re.match(r"\s+ft\b", following) and re.search(r"\bcu\s*$", line))


@pytest.mark.parametrize("name", NAMES)
def test_every_contingency_is_a_line(planned: dict[str, Team], name: str) -> None:
    for member in planned[name].members:
        text = printed(Team(member.plan.dive, (member,), "", (), (), (), member.plan.findings), 200)
        for found in member.plan.contingencies:
            (line,) = [line for line in text.splitlines() if line.startswith(f"{found.name}  ")]
            words = line.removeprefix(found.name).replace("\u2212", "-").split()
            said = "; ".join(in_words(found)) + (" (two failures)" if found.scenario.two_failures else "")
            assert line.rstrip().endswith(f" {said}")
            if found.left_at is not None:
                assert words.pop(0) == timer(found.left_at[0])
            if found.legs:
                run_min = math.ceil(found.run_time_min - 1e-6)
                more = run_min - math.ceil(member.plan.schedule.run_time_min - 1e-6)
                assert words[:3] == [f"{run_min}", f"{more:+d}", f"{math.ceil(found.tts_min - 1e-6)}"]
            breathed = [use.left_bar for use in found.breathed if use.used_l > 0.0]
            if breathed:
                unit = 1.0 if member.plan.dive.units == "metric" else PSI_BAR
                least = found.least
                assert least is not None
                if least.missing_l > 1e-6:
                    assert f" {least.name}: " in line
                    assert " short" in line
                else:
                    assert f" {least.name}: {math.floor(min(breathed) / unit + 1e-6)} " in line


def test_without_contingencies_that_is_said(planned: dict[str, Team]) -> None:
    assert "What if: every contingency is left out in the dive file." in printed(planned["nothing planned"])


@pytest.mark.parametrize(("name", "unit", "bar"), [("in feet", "psi", PSI_BAR), ("marigold-trimix", "bar", 1.0)])
def test_what_must_be_kept_is_rounded_up(planned: dict[str, Team], name: str, unit: str, bar: float) -> None:
    """Up to 5 bar or 100 psi, what a gauge is read to: one step less would be below what must be there."""
    (member,) = planned[name].members
    (turn,) = member.plan.turns
    said = re.search(rf"twin set: keep (\d+) {unit}, turn at (\d+) {unit} \({turn.rule}\)", printed(planned[name]))
    assert said
    for told, exact_bar in zip(said.groups(), (turn.kept_bar, turn.turn_bar), strict=True):
        step = 100 if unit == "psi" else 5
        assert int(told) % step == 0
        assert -1e-5 < int(told) - exact_bar / bar < step
    (gas,) = member.plan.minimum_gas
    litres = 28.316846592 * 1.01325 if unit == "psi" else 1.0
    amount = math.ceil(gas.litres / litres - 1e-6)
    assert f"{amount} {'cu ft' if unit == 'psi' else 'L'} of {gas.mix.name}" in re.sub(
        r"\s+", " ", printed(planned[name])
    )


def test_pressures_at_the_stops(planned: dict[str, Team]) -> None:
    """What is left in the cylinder that is breathed, rounded down."""
    (member,) = planned["marigold-trimix"].members
    supply = {use.mix: use for use in member.plan.supply}
    text = printed(planned["marigold-trimix"])
    for stop in member.plan.schedule.stops:
        left = math.floor(supply[stop.source.mix].bar_at(stop.leave_min) + 1e-6)
        assert re.search(rf"^ +{stop.depth_m:.0f} +{stop.minutes} +{stop.leave_min:.0f} .* {left}$", text, re.MULTILINE)


def test_on_the_loop_there_is_no_column_of_pressures(planned: dict[str, Team]) -> None:
    heads = [line for line in printed(planned["marigold-loop"]).splitlines() if line.startswith("Depth ft")]
    (member,) = planned["marigold-loop"].members
    assert member.plan.bailouts
    bailouts = [["Left", "psi"]] * len(member.plan.bailouts)
    assert [head.split()[-2:] for head in heads] == [["Gas", "ppO2"], *bailouts]


def test_a_short_cylinder_stands_out(planned: dict[str, Team]) -> None:
    (member,) = planned["short"].members
    short = [use.name for use in member.plan.supply if use.short_l > 0.0]
    assert short
    gas = printed(planned["short"]).split("\nGas ")[1].split("\nWhat if")[0]
    assert [line.split("  ")[0] for line in gas.splitlines() if " SHORT" in line] == short


def test_a_team_comes_first(planned: dict[str, Team]) -> None:
    """The team's part before the first diver's: who is most demanding, run times, matched turn pressures."""
    team = planned["three"]
    text = printed(team)
    common, *apart = re.split(r"^[^─\n]* ─+$", text, flags=re.MULTILINE)
    assert len(apart) == 3
    assert [line for line in common.splitlines() if "most demanding" in line and line.startswith("Bo")]
    for member in team.members:
        row = next(line for line in common.splitlines() if line.startswith(member.name[:20]) and "open" in line)
        alone, together = re.findall(r" (\d+)(?= )", row.split("/")[1])[:2]
        assert int(alone) == math.ceil(member.alone_min - 1e-6)
        assert int(together) == math.ceil(member.plan.schedule.run_time_min - 1e-6)
    for turn in team.turns:
        kept = 100 * math.ceil(turn.turn_bar / PSI_BAR / 100 - 1e-6)
        assert re.search(rf"{turn.cylinder} .* {kept}$", common, re.MULTILINE)
    for part, member in zip(apart, team.members, strict=True):
        low, high = member.plan.dive.model.gradient_factors
        assert f"GF {low:g}/{high:g}" in part
        assert part.count("Schedule") == 1


def test_who_gives_to_whom(planned: dict[str, Team]) -> None:
    team = planned["on loops"]
    common = re.sub(r"\s+", " ", printed(team).split("─ \nZH")[0])
    assert team.bailouts
    for bailout in team.bailouts:
        found = bailout.contingency
        assert found.leaves_at_min is not None
        at = SYSTEMS["metric"].at(found.depth_m or 0.0)
        assert f"{bailout.diver}, off the loop at {timer(found.leaves_at_min)} min, {at}: " in common
        for given in bailout.handovers:
            said = (
                f"{given.giver} gives {given.cylinder} ({given.mix.name}), {math.ceil(given.litres)} L of it breathed."
            )
            assert said in common
    for carry in team.carries:
        asked = rf"({math.ceil(carry.litres)}|{math.floor(carry.litres)} {math.floor(carry.litres)})"  # or just enough
        assert re.search(rf"{carry.diver} {carry.cylinder} {carry.mix.name} {asked} ", common)
