"""The command line as a user meets it: real processes, their output and exit status."""

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

import leadline

ROOT = Path(__file__).parents[1]
EXAMPLES = sorted((ROOT / "examples").glob("*.toml"))
COMMAND = [sys.executable, "-c", "from leadline.cli import run; run()"]
VERDICT = {"gull-stack-air": 1, "marigold-loop": 0, "marigold-trimix": 0}


def leadline_command(*arguments: str, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "PYTHONUTF8": "1", "COLUMNS": "100"}
    return subprocess.run([*COMMAND, *arguments], capture_output=True, text=True, cwd=cwd, env=environment, check=False)


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda path: path.stem)
def test_the_terminal_plan_of_every_example(example: Path):
    done = leadline_command("plan", str(example))
    assert done.returncode == VERDICT[example.stem]
    plan = leadline.plan(leadline.read_dive(example))
    lines = done.stdout.splitlines()
    assert ("NO-GO" in done.stdout) == plan.no_go
    for finding in plan.findings:  # every finding is said, in words (wrapped lines joined again)
        assert re.sub(r"\s+", "", finding.message) in re.sub(r"\s+", "", done.stdout)
    for stop in plan.schedule.stops:
        assert any(re.search(rf"\b{stop.minutes} +{stop.leave_min:.0f}\b", line) for line in lines)
    assert "not training" in done.stdout


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda path: path.stem)
def test_the_json_of_every_example(example: Path):
    done = leadline_command("plan", "--json", str(example))
    assert done.returncode == VERDICT[example.stem]
    data = json.loads(done.stdout, parse_constant=lambda text: pytest.fail(f"{text} is not JSON"))
    plan = leadline.plan(leadline.read_dive(example))
    assert [stop["leave_min"] for stop in data["schedule"]["stops"]] == [s.leave_min for s in plan.schedule.stops]
    for key in ("depth_m", "arrive_min", "leave_min", "gas", "circuit"):
        assert key in data["schedule"]["stops"][0]
    assert data["schedule"]["run_time_min"] == plan.schedule.run_time_min
    assert data["schedule"]["tts_min"] == plan.schedule.run_time_min - plan.dive.levels[-1].leave_at
    assert data["schedule"]["ndl_min"] == plan.schedule.ndl_min
    assert len(data["schedule"]["track"]) == len(plan.schedule.track)
    assert len(data["schedule"]["track"][0]["n2_bar"]) == 16
    assert data["oxygen"]["cns_percent"] == plan.oxygen.cns_percent
    assert {use["name"] for use in data["supply"]} == {cylinder.name for cylinder in plan.dive.cylinders}
    assert (data["bailout"] is None) == (plan.dive.loop is None)
    assert all(set(f) >= {"code", "severity", "message"} for f in data["findings"])
    documented = (ROOT / "docs" / "json.md").read_text(encoding="utf-8")
    assert not [key for key in every_key(data) if f"`{key}`" not in documented and key not in documented]


def every_key(data: object) -> set[str]:
    if isinstance(data, dict):
        inner = [every_key(value) for key, value in data.items() if key != "values"]
        return set(data) | set().union(*inner)
    if isinstance(data, list):
        return set().union(*(every_key(item) for item in data))
    return set()


def test_sheets_are_written(tmp_path: Path):
    done = leadline_command("sheets", str(ROOT / "examples" / "marigold-loop.toml"), "-o", "out", cwd=tmp_path)
    assert done.returncode == 0
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == ["briefing.pdf", "slate.pdf", "wetnotes.pdf"]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('units = "metric"\n[[levels]]\ndepht = 40\nleave_at = 20\n', ["[[levels]] 1, depht", "'depth'"]),
        ('units = "metric"\n[[levels]]\ndepth = "40 psi"\nleave_at = 20\n', ["[[levels]] 1, depth", "psi", "m or ft"]),
        ("", ["is empty"]),
        ("units = ", ["not TOML"]),
        ("\x00\x01", ["not TOML"]),
    ],
)
@pytest.mark.parametrize("command", ["plan", "sheets"])
def test_bad_input_is_refused_in_words(tmp_path: Path, command: str, text: str, words: list[str]):
    (tmp_path / "bad.toml").write_text(text, encoding="utf-8")
    done = leadline_command(command, "bad.toml", cwd=tmp_path)
    assert done.returncode == 2
    assert done.stdout == ""
    assert "Traceback" not in done.stderr
    assert done.stderr.startswith("bad.toml: ")
    assert all(word in done.stderr for word in words)
    assert [path.name for path in tmp_path.iterdir()] == ["bad.toml"]


def test_a_file_that_is_not_there(tmp_path: Path):
    done = leadline_command("plan", "nowhere.toml", cwd=tmp_path)
    assert (done.returncode, done.stdout) == (2, "")
    assert "nowhere.toml: cannot be read" in done.stderr


def test_sheets_into_a_file(tmp_path: Path):
    (tmp_path / "out").write_text("mine", encoding="utf-8")
    done = leadline_command("sheets", str(EXAMPLES[0]), "-o", "out", cwd=tmp_path)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert "out" in done.stderr
    assert (tmp_path / "out").read_text(encoding="utf-8") == "mine"


def test_the_python_of_the_readme_runs(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]):
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    (code,) = re.findall(r"```python\n(.*?)```", readme, re.DOTALL)
    monkeypatch.chdir(ROOT)
    exec(compile(code, "README.md", "exec"), {})
    assert "oxygen" in capsys.readouterr().out


def test_the_dive_file_of_the_readme_has_no_no_go():
    import tomllib

    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    (text,) = re.findall(r"```toml\n(.*?)```", readme, re.DOTALL)
    assert not leadline.plan(leadline.parse_dive(tomllib.loads(text))).no_go
