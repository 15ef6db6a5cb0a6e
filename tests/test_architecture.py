"""The picture of the house is the house: the layers in docs/architecture.md are those that imports are held to."""

import re
import tomllib
from pathlib import Path

from leadline.show.sentences import SENTENCES

ROOT = Path(__file__).parents[1]


def test_the_layers_are_those_of_the_contract():
    contracts = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["importlinter"]["contracts"]
    held = [set(re.findall(r"leadline\.(\w+)", layer)) for layer in contracts[0]["layers"]]
    page = (ROOT / "docs" / "architecture.md").read_text(encoding="utf-8")
    told = page.split("<!-- layers -->")[1].split("<!-- end -->")[0]
    assert [set(re.findall(r"`(\w+)`", line)) for line in told.strip().splitlines()] == held


def test_every_package_is_in_a_layer():
    contracts = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["importlinter"]["contracts"]
    held = set(re.findall(r"leadline\.(\w+)", " ".join(contracts[0]["layers"])))
    packages = {path.parent.name for path in (ROOT / "src" / "leadline").glob("*/__init__.py")}
    assert packages <= held


STILL_WORDED = {
    "breathing.py",  # a MOD and its tolerance
    "compare.py", "models.py", "flying.py", "standard.py",
    "gases.py", "schedule.py",  # refusals
    "practice.py",  # usual ranges
    "rows.py", "scenarios.py",  # names of contingencies
}  # fmt: skip
"""Modules of the plan that show a number in units all the same: fewer is better, more fails."""


def test_the_plan_says_nothing():
    plan = ROOT / "src" / "leadline" / "plan"
    assert {path.name for path in plan.glob("*.py") if "SYSTEMS" in path.read_text(encoding="utf-8")} == STILL_WORDED


def test_every_finding_of_a_plan_has_its_sentence():
    """Every code that is written in a plan's modules."""
    plan, codes = ROOT / "src" / "leadline" / "plan", set[str]()
    for path in plan.glob("*.py"):
        codes |= set(re.findall(r'Finding\(\s*"([a-z-]+)"', path.read_text(encoding="utf-8")))
    assert len(codes) > 30
    assert codes <= set(SENTENCES)
