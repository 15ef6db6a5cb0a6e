"""The command line as a user meets it: real processes, their output and exit status."""

import json
import os
import re
import signal
import socket
import struct
import subprocess
import sys
import time
import xml.etree.ElementTree as ElementTree
import zlib
from pathlib import Path

import pytest

import leadline
from leadline import solve
from leadline.cautions import SHORT
from leadline.plan.team import plan_team
from leadline.show.outcome import in_words
from tests.dives import sentence

ROOT = Path(__file__).parents[1]
EXAMPLES = sorted((ROOT / "examples").glob("*.toml"))
COMMAND = [sys.executable, "-c", "from leadline.cli.main import run; run()"]
VERDICT = {
    "gull-stack-air": 0, "marigold-loop": 0, "marigold-trimix": 0, "marigold-team": 0, "marigold-fills": 0,
    "marigold-second": 0, "marigold-sweep": 0, "gull-stack-tables": 0,
}  # fmt: skip


def leadline_command(*arguments: str, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "PYTHONUTF8": "1", "COLUMNS": "100"}
    return subprocess.run([*COMMAND, *arguments], capture_output=True, text=True, cwd=cwd, env=environment, check=False)


def said(output: str) -> str:
    """Output without the white space and the bars of tables: wrapped lines joined again."""
    return re.sub(r"\s+", "", output)


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda path: path.stem)
def test_the_terminal_plan_of_every_example(example: Path):
    done = leadline_command("plan", str(example))
    assert done.returncode == VERDICT[example.stem]
    team = plan_team(leadline.read_dive(example))
    lines = done.stdout.splitlines()
    assert ("NO-GO" in done.stdout) == team.no_go
    for member in team.members:
        assert member.name in done.stdout
        for finding in member.plan.findings:  # every finding is said, in words
            assert said(sentence(finding, team.dive.units)) in said(done.stdout)
        for stop in member.plan.schedule.stops:
            assert any(re.search(rf"\b{stop.minutes} +{stop.leave_min:.0f}\b", line) for line in lines)
    assert "not training" in done.stdout


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda path: path.stem)
def test_the_json_of_every_example(example: Path):
    done = leadline_command("plan", "--json", str(example))
    assert done.returncode == VERDICT[example.stem]
    data = json.loads(done.stdout, parse_constant=lambda text: pytest.fail(f"{text} is not JSON"))
    team = plan_team(leadline.read_dive(example))
    plans = [diver["plan"] for diver in data["divers"]] if len(team.members) > 1 else [data]
    for one, member in zip(plans, team.members, strict=True):
        plan = member.plan
        assert [stop["leave_min"] for stop in one["schedule"]["stops"]] == [s.leave_min for s in plan.schedule.stops]
        for key in ("depth_m", "arrive_min", "leave_min", "gas", "circuit"):
            assert key in one["schedule"]["stops"][0]
        assert one["schedule"]["run_time_min"] == plan.schedule.run_time_min
        assert one["schedule"]["tts_min"] == plan.schedule.run_time_min - plan.dive.levels[-1].leave_at
        assert one["schedule"]["ndl_min"] == plan.schedule.ndl_min
        assert len(one["schedule"]["track"]) == len(plan.schedule.track)
        assert len(one["schedule"]["track"][0]["n2_bar"]) == 16
        assert one["oxygen"]["cns_percent"] == plan.oxygen.cns_percent
        assert {use["name"] for use in one["supply"]} == {cylinder.name for cylinder in plan.dive.cylinders}
        levels = [bailout["level"] for bailout in one["bailouts"] if bailout["level"] is not None]
        assert levels == ([] if plan.dive.loop is None else list(range(1, len(plan.dive.levels) + 1)))
        first = one["schedule"]["rows"][0]
        assert (first["kind"], first["depth_m"], first["leave_min"]) == ("start", 0.0, 0.0)
        assert [found["in_words"] for found in one["contingencies"]] == [list(in_words(c)) for c in plan.contingencies]
    assert all(set(f) >= {"code", "severity", "message"} for f in data["findings"])
    documented = (ROOT / "docs" / "json.md").read_text(encoding="utf-8")
    assert not [key for key in every_key(data) if f"`{key}`" not in documented and key not in documented]


def test_a_no_go_is_an_exit_status_and_a_word(tmp_path: Path):
    """The air dive's density is a caution across the verdict, and a no-go to who makes it one."""
    text = (ROOT / "examples" / "gull-stack-air.toml").read_text(encoding="utf-8")
    (tmp_path / "air.toml").write_text(text, encoding="utf-8")
    (tmp_path / "never.toml").write_text(text + "\n[limits]\ndensity_no_go = 6.2\n", encoding="utf-8")
    done = leadline_command("plan", "air.toml", cwd=tmp_path)
    assert done.returncode == 0
    assert re.search(
        r"^Can be dived as planned, but gas density \d\.\d g/L at 45 m, over 6\.2: ", done.stdout, re.MULTILINE
    )
    for arguments in (("plan", "never.toml"), ("plan", "--json", "never.toml"), ("sheets", "never.toml", "-o", "out")):
        done = leadline_command(*arguments, cwd=tmp_path)
        assert done.returncode == 1
        assert "NO-GO" in done.stdout + done.stderr


NAMED = ("values", "pressures")
"""Objects whose keys are the finding's own, or names of cylinders."""


def every_key(data: object) -> set[str]:
    if isinstance(data, dict):
        inner = [every_key(value) for key, value in data.items() if key not in NAMED]
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
@pytest.mark.parametrize("command", ["plan", "sheets", "solve"])
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


# --- solve ------------------------------------------------------------------------------------------------------------

SHORT_DIVE = """
title = "Saltby, the <old> quay"
units = "metric"
[[levels]]
depth = 24
leave_at = 15
[[cylinders]]
name = "single"
gas = "32"
size = 12
pressure = 200
use = "bottom"
[[cylinders]]
name = "stage"
gas = "50"
size = 7
pressure = 200
use = "deco"
"""
LISTS = """
[solve]
gases = ["air", "32"]
deco_gases = ["50", "oxygen"]
[[solve.cylinders]]
size = 12
pressure = 230
[[solve.cylinders]]
size = 7
pressure = 200
"""


@pytest.fixture
def quay(tmp_path: Path) -> Path:
    path = tmp_path / "quay.toml"
    path.write_text(SHORT_DIVE + LISTS, encoding="utf-8")
    return path


def test_solve_says_the_longest_bottom_time_and_what_binds(quay: Path):
    done = leadline_command("solve", quay.name, cwd=quay.parent)
    answer = solve.longest(leadline.read_dive(quay))
    assert done.returncode == 0
    assert f"Longest bottom time at 24 m: {answer.best} min" in done.stdout
    for bound in (*answer.binding, *answer.behind):
        assert re.search(rf" {bound.holds_to} ", done.stdout)
        # A name and its reason stand side by side in columns: every word of both is there.
        assert all(word in done.stdout for word in f"{bound.name} {bound.limits[0].message}".split())
    assert "not training" in done.stdout


@pytest.mark.parametrize(
    ("sought", "words"),
    [
        ("depth", ["Deepest depth for 15 min:", "Holds to m"]),
        ("mix", ["Best mix for 24 m: 32 %", "air"]),
        ("deco", ["Best deco gases:", "Runner-up:"]),
        ("cylinders", ["Smallest cylinders that suffice", "7 L, 200 bar"]),
        ("gas", ["Least gas: air in 12 L, 230 bar", "Carried L"]),
    ],
)
def test_solve_for_all_else(quay: Path, sought: str, words: list[str]):
    done = leadline_command("solve", quay.name, "--for", sought, cwd=quay.parent)
    assert done.returncode == 0
    assert [word for word in words if word not in done.stdout] == []


def test_the_examples_list_what_solve_chooses_from():
    """As docs/solve.md shows it, and every other target of the example with a list of everything."""
    documented = (ROOT / "docs" / "solve.md").read_text(encoding="utf-8")
    command, *shown = re.search(r"    \$ leadline (.*)\n    (.*)\n    (.*)\n", documented).groups()
    done = leadline_command(*command.split(), cwd=ROOT)
    assert [line for line in shown if line not in done.stdout] == []
    for sought in ("mix", "deco", "cylinders", "gas"):
        assert leadline_command("solve", "examples/marigold-trimix.toml", "--for", sought, cwd=ROOT).returncode == 0


def test_solve_in_json_with_the_frontier(quay: Path):
    done = leadline_command("solve", "--json", quay.name, cwd=quay.parent)
    assert done.returncode == 0
    data = json.loads(done.stdout, parse_constant=lambda text: pytest.fail(f"{text} is not JSON"))
    answer = solve.longest(leadline.read_dive(quay))
    assert (data["for"], data["best"], data["found"], data["complete"]) == ("time", answer.best, True, True)
    points = [point for limit in data["frontier"]["limits"] for point in limit["points"] if point["depth_m"] == 24.0]
    assert min(point["holds_to_min"] for point in points if not point["beyond"]) == answer.best
    documented = (ROOT / "docs" / "solve.md").read_text(encoding="utf-8")
    assert not [key for key in every_key(data) if f"`{key}`" not in documented]


@pytest.mark.parametrize("sought", ["mix", "deco", "cylinders", "gas"])
def test_solve_in_json_for_all_else(quay: Path, sought: str):
    done = leadline_command("solve", "--json", quay.name, "--for", sought, cwd=quay.parent)
    assert done.returncode == 0
    data = json.loads(done.stdout)
    assert data["for"] == sought
    documented = (ROOT / "docs" / "solve.md").read_text(encoding="utf-8")
    assert not [key for key in every_key(data) if f"`{key}`" not in documented]


def test_nothing_holds(tmp_path: Path):
    dense = SHORT_DIVE.replace("24", "50").replace('"32"', '"air"') + "[limits]\ndensity_no_go = 6.2\n"
    (tmp_path / "dense.toml").write_text(dense, encoding="utf-8")
    done = leadline_command("solve", "dense.toml", cwd=tmp_path)
    assert done.returncode == 1
    assert "No bottom time of 3 to 15 min holds at 50 m." in done.stdout
    assert "density of air" in done.stdout
    assert "The deepest at which a shortest dive holds is 38 m" in done.stdout
    assert "Traceback" not in done.stderr


def test_keys_of_the_dive_file_keep_their_brackets(tmp_path: Path):
    """A refusal among the limits: from deeper, the second level is left before it is reached."""
    levels = "[[levels]]\ndepth = 6\nleave_at = 18\n[[cylinders]]"
    (tmp_path / "two.toml").write_text(SHORT_DIVE.replace("[[cylinders]]", levels, 1), encoding="utf-8")
    done = leadline_command("solve", "two.toml", "--for", "depth", cwd=tmp_path)
    assert "[[levels]] 2, leave_at: 18 min is before" in re.sub(r"\s+", " ", done.stdout)


@pytest.mark.parametrize("sought", ["deco", "cylinders"])
def test_nothing_to_choose_from(tmp_path: Path, sought: str):
    (tmp_path / "quay.toml").write_text(SHORT_DIVE, encoding="utf-8")
    done = leadline_command("solve", "quay.toml", "--for", sought, cwd=tmp_path)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.splitlines()[-1].startswith("quay.toml: [solve] ")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["-o", "limits.pdf"], ".png or .svg"),
        (["-o", "limits.png", "--for", "mix"], "--for time or --for depth"),
        (["--for", "luck"], "luck"),
    ],
)
def test_what_solve_cannot_do(quay: Path, arguments: list[str], words: str):
    done = leadline_command("solve", quay.name, *arguments, cwd=quay.parent)
    assert (done.returncode, done.stdout) == (2, "")
    assert words in done.stderr
    assert "Traceback" not in done.stderr
    assert [path.name for path in quay.parent.iterdir()] == ["quay.toml"]


def png_size(content: bytes) -> tuple[int, int]:
    """Width and height of a PNG whose every part is whole. (PNG specification, W3C 2003)"""
    assert content[:8] == b"\x89PNG\r\n\x1a\n"
    at, pixels, size = 8, b"", (0, 0)
    while at < len(content):
        length, kind = struct.unpack(">I4s", content[at : at + 8])
        data = content[at + 8 : at + 8 + length]
        assert struct.unpack(">I", content[at + 8 + length : at + 12 + length])[0] == zlib.crc32(kind + data)
        if kind == b"IHDR":
            size = struct.unpack(">II", data[:8])
        pixels += data if kind == b"IDAT" else b""
        at += 12 + length
    assert len(set(zlib.decompress(pixels))) > 2  # something is drawn on it
    return size


def test_the_picture_of_the_limits(quay: Path):
    """Drawn twice in one run each: the PNG is whole, the SVG is XML with every label in its description."""
    done = leadline_command("solve", quay.name, "-o", "limits.png", cwd=quay.parent)
    assert done.returncode == 0
    assert done.stdout.splitlines()[-1] == "limits.png"
    wide, high = png_size((quay.parent / "limits.png").read_bytes())
    assert (wide > 1000, high > 600) == (True, True)

    done = leadline_command("solve", quay.name, "--json", "-o", "limits.svg", cwd=quay.parent)
    assert done.returncode == 0
    data = json.loads(done.stdout)
    svg = ElementTree.parse(quay.parent / "limits.svg").getroot()
    assert svg.tag == "{http://www.w3.org/2000/svg}svg"
    title, description = (svg.find(f"{{http://www.w3.org/2000/svg}}{tag}").text for tag in ("title", "desc"))
    assert title == "Saltby, the <old> quay"
    for label in ("depth, m", "bottom time, min", "this dive: 24 m, 15 min", SHORT):
        assert label in description
    assert all(limit["name"] in description for limit in data["frontier"]["limits"])
    assert sorted(path.name for path in quay.parent.iterdir()) == ["limits.png", "limits.svg", "quay.toml"]


@pytest.mark.skipif(os.name == "nt", reason="Ctrl-C reaches a child process another way there")
def test_ctrl_c_says_what_is_known(tmp_path: Path):
    """Stopped once the answer stands and the picture is being worked out, which takes many plans more."""
    environment = {**os.environ, "PYTHONUTF8": "1", "COLUMNS": "100"}
    example = str(ROOT / "examples" / "marigold-loop.toml")
    said, picture = tmp_path / "said.txt", tmp_path / "limits.png"
    with (
        said.open("w", encoding="utf-8") as out,
        subprocess.Popen(
            [*COMMAND, "solve", example, "-o", str(picture)],
            stdout=out, stderr=subprocess.PIPE, text=True, env=environment,
        ) as running,
    ):  # fmt: skip
        until = time.monotonic() + 60.0
        while "Cross-check" not in said.read_text(encoding="utf-8") and time.monotonic() < until:
            time.sleep(0.1)
        time.sleep(0.5)
        running.send_signal(signal.SIGINT)
        _, errors = running.communicate(timeout=60)
    assert running.returncode == 130
    assert "Longest bottom time at 150 ft: 38 min" in said.read_text(encoding="utf-8")
    assert "stopped before the end" in errors
    assert "Traceback" not in errors
    assert {path.name for path in tmp_path.iterdir()} <= {said.name, picture.name}  # no half a file


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
    assert not leadline.plan_dive(leadline.parse_dive(tomllib.loads(text))).no_go


# --- serve


def test_serve_refuses_what_it_cannot_open(tmp_path: Path):
    (tmp_path / "picture.toml").write_bytes(b"\xff\xfe\x00")
    for name, words in (("none.toml", "No such file"), ("picture.toml", "not text")):
        done = leadline_command("serve", str(tmp_path / name))
        assert done.returncode == 2
        assert words in done.stderr
        assert "Traceback" not in done.stderr


def test_serve_says_that_a_port_is_taken():
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        done = leadline_command("serve", "--port", str(port))
    assert done.returncode == 2
    assert f"127.0.0.1, port {port}: Address already in use" in done.stderr
    assert "Traceback" not in done.stderr
