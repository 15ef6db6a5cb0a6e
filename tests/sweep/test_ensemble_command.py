"""`leadline ensemble` as a user meets it."""

from __future__ import annotations

import json
import re

import pytest

from leadline.dive_file import read_dive
from leadline.ensemble import words as words
from leadline.ensemble.robustness import run_ensemble
from leadline.units import SYSTEMS
from tests.test_cli import ROOT, leadline_command, said

FEW = "\n[ensemble]\ndives = 300\n"
DOCUMENTED = (ROOT / "docs" / "json.md").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """Examples, with few dives to draw."""
    folder = tmp_path_factory.mktemp("ensembles")
    for name in ("marigold-trimix", "marigold-loop", "gull-stack-air"):
        text = (ROOT / "examples" / f"{name}.toml").read_text(encoding="utf-8")
        few = text.replace("[ensemble]\n", "[ensemble]\ndives = 300\n") if "[ensemble]" in text else text + FEW
        (folder / f"{name}.toml").write_text(few, encoding="utf-8")
    dense = f"{few}\n[limits]\ndensity_no_go = 6.2\n"
    (folder / "too-dense.toml").write_text(dense, encoding="utf-8")
    return folder


@pytest.mark.parametrize(
    ("name", "status"), [("marigold-trimix", 0), ("marigold-loop", 0), ("gull-stack-air", 0), ("too-dense", 1)]
)
def test_the_terminal(files, name, status):
    """All that is found is said, and that it is no chance of decompression sickness; a no-go of the plan first."""
    file = files / f"{name}.toml"
    done = leadline_command("ensemble", str(file))
    assert done.returncode == status, done.stderr
    [found] = run_ensemble(read_dive(file))
    shown = said(done.stdout)
    for line in (*words.summary(found), words.NOT_A_RISK, words.sample(found), words.HOW_COVERED):
        assert said(line) in shown
    assert ("NO-GO" in done.stdout) == (status == 1)
    if status:
        assert done.stdout.index("NO-GO") < done.stdout.index("dives drawn")
    for slate in found.slates:
        assert said(words.chance(slate.taken)) in shown
    for ascents in (found.recomputed, found.by_slate, found.by_slates):
        for one in (*(limit.over for limit in ascents.limits), *(c.lasts for c in ascents.cylinders)):
            assert said(words.chance(one)) in shown
    commons = sum(one.common for one in found.inputs)
    assert shown.count(said(words.COMMON)) == commons > 0
    assert f"left, {SYSTEMS[found.plan.dive.units].pressure_unit}" in done.stdout
    assert "\x1b" not in done.stdout


def every_key(data):
    if isinstance(data, dict):
        for key, value in data.items():
            yield key
            yield from every_key(value) if key != "left_bar" or "quantiles" in value else ()
    elif isinstance(data, list):
        for value in data:
            yield from every_key(value)


def test_json(files):
    """Every key is documented, and the numbers are those of the ensemble."""
    file = files / "marigold-trimix.toml"
    done = leadline_command("ensemble", "--json", str(file))
    assert done.returncode == 0
    data = json.loads(done.stdout, parse_constant=lambda text: pytest.fail(f"{text} is not JSON"))
    part = DOCUMENTED[DOCUMENTED.index("## An ensemble") :]
    assert not [key for key in every_key(data) if f"`{key}`" not in part and key not in ("code",)]
    [found] = run_ensemble(read_dive(file))
    [diver] = data["divers"]
    assert data["dives"] == 300
    assert diver["recomputed"]["all_last"]["count"] == found.recomputed.all_last.count
    assert [q["value"] for q in diver["by_slate"]["tts_min"]["quantiles"]] == [
        q.value for q in found.by_slate.tts_min.quantiles
    ]
    assert [slate["needed"]["count"] for slate in diver["slates"]] == [slate.taken.count for slate in found.slates]
    assert diver["inputs"][0]["distribution"] == "triangular"
    assert diver["drivers"][0]["inputs"][0]["total"]["value"] == found.driven[0].drivers[0].total.value


def test_the_same_bits_from_two_processes(files):
    first, second = (leadline_command("ensemble", "--json", str(files / "gull-stack-air.toml")).stdout for _ in "ab")
    assert first == second


@pytest.mark.parametrize(
    ("line", "status", "message"),
    [
        ("dives = 5", 2, r"d\.toml: \[ensemble\] dives: 5 is outside 100 to 1000000"),
        (
            "\n".join(f'{name} = "as planned"' for name in ("depth", "time", "ascent", "rmv", "switch")),
            2,
            r"d\.toml: \[ensemble\]: keeps every input as planned",
        ),
        ('depth = { distribution = "normal", spread = 0 }', 2, r"d\.toml: \[ensemble\.depth\] spread: 0 is no spread"),
    ],
)
def test_bad_input(tmp_path, line, status, message):
    text = (ROOT / "examples" / "gull-stack-air.toml").read_text(encoding="utf-8")
    (tmp_path / "d.toml").write_text(f"{text}\n[ensemble]\n{line}\n")
    done = leadline_command("ensemble", str(tmp_path / "d.toml"))
    assert done.returncode == status
    assert done.stdout == ""
    assert re.search(message, done.stderr)
    assert "Traceback" not in done.stderr


def test_a_dive_that_cannot_be_planned(tmp_path):
    text = (ROOT / "examples" / "gull-stack-air.toml").read_text(encoding="utf-8")
    file = tmp_path / "d.toml"
    file.write_text(re.sub(r"depth = \d+", "depth = 90", text, count=1).replace('"air"', '"32"'))
    done = leadline_command("ensemble", str(file))
    assert done.returncode == 2
    assert "d.toml: [[levels]] 1, depth: 32 % at 90 m is hyperoxic: ppO2 3.22 bar" in done.stderr
