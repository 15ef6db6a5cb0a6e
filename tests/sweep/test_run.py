"""A sweep's rows are plans; what is finished is kept, whatever ends it, and the result is the same to the last byte."""

from __future__ import annotations

import copy
import errno
import itertools
import json
import math
import os
import re
import subprocess
import sys
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

import leadline
from leadline.atomic_write import write_whole
from leadline.cautions import CAUTIONS
from leadline.dive_file import Dive, DiveFileError, parse_dive, read_dive
from leadline.dive_file.schema import Kept, json_schema
from leadline.many import workers
from leadline.plan.planned import Plan, plan_dive
from leadline.plan.team import plan_team
from leadline.sweep import parts, run
from leadline.sweep.axes import SweepPlan
from leadline.sweep.chunk import evaluate
from leadline.sweep.run import Stopped, chunks_of, fingerprint, run_sweep, worth_processes
from leadline.tissue.loading import Dose, Residual
from tests.sweep.sweeps import AIR, LOOP, axis, rows_in, rows_of, sweep_in

Row = dict[str, Any]
Set = dict[tuple[str | int, ...], Any]

EXACT = ("run_time_min", "tts_min", "first_stop_m", "verdict", "no_go_codes",
         "longest_contingency", "longest_contingency_tts_min", "bailout_l", "gas_lasts")  # fmt: skip
"""What comes of the schedule alone, or of the same code, is the same to the last bit."""
SIX = [axis("levels.1.depth", "[30, 40]"), axis("levels.1.leave_at", "[15, 20, 25]")]


def with_values(text: str, values: Set) -> Dive:
    """The dive of a dive file with other values, put there by hand."""
    tables = copy.deepcopy(tomllib.loads(text))
    for place, value in values.items():
        at: Any = tables
        for part in place[:-1]:
            at = at.setdefault(part, {}) if isinstance(at, dict) else at[part]
        at[place[-1]] = value
    return parse_dive(tables)


def figures(found: Plan) -> Row:
    """What a row says, from a plan."""
    stops = [s for s in found.schedule.stops if s.arrive_min >= found.dive.levels[-1].leave_at - 1e-6]
    row: Row = {
        "refused": None,
        "run_time_min": found.schedule.run_time_min,
        "tts_min": found.schedule.tts_min,
        "stops_min": sum(stop.leave_min - stop.arrive_min for stop in stops),
        "first_stop_m": max((stop.depth_m for stop in stops), default=None),
        "gf_surface_percent": 100.0 * float(found.schedule.track.points[-1]["gf_surface"]),
        "cns_percent": found.oxygen.cns_percent,
        "otu": found.oxygen.otu,
        "highest_ppo2_bar": found.oxygen.highest_ppo2_bar,
    }
    for use in found.supply:
        row |= {f"{use.name} {key}": getattr(use, key) for key in ("used_l", "left_bar", "short_l")}
    if found.loop is not None:
        row |= {"loop_oxygen_l": found.loop.oxygen_l, "loop_diluent_l": found.loop.diluent_l}
    return row


def assert_same(row: Row, expected: Row) -> None:
    for name, figure in expected.items():
        if name in EXACT or not isinstance(figure, float):
            assert row[name] == figure, name
        else:
            assert row[name] == pytest.approx(figure, rel=1e-9, abs=1e-6), name


# --- Rows are plans ---------------------------------------------------------------------------------------------------


def test_every_row_of_a_grid_is_the_plan_of_that_file(tmp_path: Path):
    depths, times, lows, highs = (33, 45), (15, 24), (30, 55), (70, 85)
    sweep = sweep_in(
        tmp_path, AIR,
        axis("levels.1.depth", str(list(depths))),
        axis("levels.1.leave_at", str(list(times))),
        axis("model.gradient_factors.low", str(list(lows))),
        axis("model.gradient_factors.high", str(list(highs))),
        axis("rates.ascent", "[6, 9]"),
        axis("diver.rmv_deco", "[14]"),
        axis("stops.gas_switch", "[0, 2]"),
    )  # fmt: skip
    rows = rows_of(sweep, tmp_path / "r.parquet")
    every = list(itertools.product(depths, times, lows, highs, (6, 9), (0, 2)))
    assert len(rows) == len(every) == 64  # 2^6
    for number, (row, (depth, leave_at, low, high, ascent, hold)) in enumerate(zip(rows, every, strict=True), start=1):
        assert row["dive"] == number
        assert (row["levels.1.depth"], row["levels.1.leave_at"]) == (depth, leave_at)
        assert (row["model.gradient_factors.low"], row["model.gradient_factors.high"]) == (low, high)
        found = plan_dive(
            with_values(
                AIR,
                {
                    ("levels", 0, "depth"): depth,
                    ("levels", 0, "leave_at"): leave_at,
                    ("model", "gradient_factors"): [low, high],
                    ("rates", "ascent"): ascent,
                    ("diver", "rmv_deco"): 14,
                    ("stops", "gas_switch"): hold,
                },
            )
        )
        assert_same(row, figures(found))


def test_layouts_of_their_own(tmp_path: Path):
    """Altitude, mix, cylinder and water ask for another layout; the grid is walked in the order that is written."""
    gases, altitudes, waters = ("air", "28", "18/20"), (0, 1500), ("sea", "fresh")
    sweep = sweep_in(
        tmp_path, AIR,
        axis("cylinders.back gas.gas", '["air", "28", "18/20"]'),
        axis("site.altitude", "[0, 1500]"),
        axis("site.water", '["sea", "fresh"]'),
    )  # fmt: skip
    rows = rows_of(sweep, tmp_path / "r.parquet")
    for row, (gas, altitude, water) in zip(rows, itertools.product(gases, altitudes, waters), strict=True):
        assert (row["cylinders.back gas.gas"], row["site.altitude"], row["site.water"]) == (gas, altitude, water)
        values = {("cylinders", 0, "gas"): gas, ("site", "altitude"): altitude, ("site", "water"): water}
        try:
            expected = figures(plan_dive(with_values(AIR, values)))
        except DiveFileError as error:
            expected = {"refused": f"{error.problems[0].key}: {error.problems[0].message}", "run_time_min": None}
        assert_same(row, expected)
    assert [row["refused"] is not None for row in rows] == [False] * 10 + [True] * 2  # 18 % of 0.845 bar is hypoxic


def test_the_loop_and_its_contingencies(tmp_path: Path):
    keys = '["loop.diluent", "cylinders.diluent.gas"]'
    axes = [
        axis(keys, '["15/55", "18/45"]'),
        axis("loop.setpoint", "[1.2, 1.3]"),
        axis("levels.1.leave_at", "[20, 35]"),
    ]
    quick = rows_of(sweep_in(tmp_path, LOOP, *axes), tmp_path / "quick.parquet")
    whole = rows_of(sweep_in(tmp_path, LOOP, *axes, head="contingencies = true"), tmp_path / "whole.parquet")
    every = list(itertools.product(("15/55", "18/45"), (1.2, 1.3), (20, 35)))
    verdicts = set()
    for row, more, (gas, setpoint, leave_at) in zip(quick, whole, every, strict=True):
        values: Set = {
            ("loop", "diluent"): gas, ("cylinders", 0, "gas"): gas, ("loop", "setpoint"): setpoint,
            ("levels", 0, "leave_at"): leave_at,
        }  # fmt: skip
        found = plan_dive(with_values(LOOP, values))
        longest = max((c for c in found.contingencies if c.legs), key=lambda c: c.tts_min)
        grave = [f.code for f in found.findings if f.severity == "no-go"]
        bailout = [c for c in found.contingencies if c.kind == "bailout"]
        assert_same(row, figures(found))
        assert_same(
            more,
            figures(found)
            | {
                "verdict": "no-go" if found.no_go else "go",
                "no_go_codes": " ".join(dict.fromkeys(grave)) or None,
                "longest_contingency": longest.name,
                "longest_contingency_tts_min": longest.tts_min,
                "bailout_l": max(sum(use.used_l for use in c.breathed) for c in bailout),
                "gas_lasts": not any("gas-short" in code or "no-way-up" in code for code in grave),
            },
        )
        verdicts.add((more["verdict"], more["gas_lasts"]))
    assert len(verdicts) > 1  # else nothing was told apart


TEAM = LOOP + '[[team]]\nname = "Ann"\n[[team]]\nname = "Ben"\ngradient_factors = [30, 70]\n'


@pytest.mark.parametrize("head", ["", "contingencies = true"])
def test_a_team_has_a_row_for_each_diver(tmp_path: Path, head: str):
    sweep = sweep_in(tmp_path, TEAM, axis("team.ann.rmv_bottom", "[15, 25]"), axis("levels.1.depth", "[50]"), head=head)
    rows = rows_of(sweep, tmp_path / "r.parquet")
    assert [(row["dive"], row["diver"]) for row in rows] == [(1, "Ann"), (1, "Ben"), (2, "Ann"), (2, "Ben")]
    for i, rmv in enumerate((15, 25)):
        team = plan_team(with_values(TEAM, {("team", 0, "rmv_bottom"): rmv, ("levels", 0, "depth"): 50}))
        for row, member in zip(rows[2 * i : 2 * i + 2], team.members, strict=True):
            assert_same(row, figures(member.plan))
            assert row.get("verdict", "none") == (("no-go" if team.no_go else "go") if head else "none")
    # Ben's rules are the stricter, and both are on the same stops.
    assert rows[0]["run_time_min"] == rows[1]["run_time_min"]


def test_dives_before_it(tmp_path: Path):
    (tmp_path / "first.toml").write_text(AIR, encoding="utf-8")
    before = AIR + '[[previous]]\nfile = "first.toml"\nsurface_interval = 60\n'
    sweep = sweep_in(
        tmp_path, before, axis("previous.1.surface_interval", '[45, "3 h"]'), axis("diver.rmv_bottom", "[18]")
    )
    rows = rows_of(sweep, tmp_path / "r.parquet")
    for row, minutes in zip(rows, (45, 180), strict=True):
        assert row["previous.1.surface_interval"] == minutes
        text = before.replace("= 60", f"= {minutes}") + "[diver]\nrmv_bottom = 18\n"
        (tmp_path / "one.toml").write_text(text, encoding="utf-8")
        assert_same(row, figures(plan_dive(read_dive(tmp_path / "one.toml"))))
    assert rows[0]["run_time_min"] > rows[1]["run_time_min"]
    assert rows[0]["cns_percent"] > rows[1]["cns_percent"]


def test_a_dive_of_the_log_before_it(tmp_path: Path):
    """The log is asked once for every surface interval, before anything is planned; its answers go with the sweep."""
    before = AIR + "[[previous]]\nlog = 7\nsurface_interval = 60\noxygen = 30\n"
    asked = []

    def log(number: int, coefficients: str, diver: str, interval_min: float) -> Kept:
        asked.append((number, interval_min))
        if interval_min > 100.0:
            raise LookupError("after dive 7 the log has dive 8; name that one")
        tensions = ((1.2,) * 16, (0.0,) * 16)
        return Kept("wreck", 0.0, Residual(tensions, 20.0, (Dose(100.0, 0.2, 0.0),)))

    axes = [axis("previous.1.surface_interval", "[20, 90, 120]"), axis("previous.1.oxygen", "[10, 80]")]
    sweep = sweep_in(tmp_path, before, *axes, log=log)
    assert {60.0, 20.0, 90.0, 120.0} == {interval for _, interval in asked}
    done = len(asked)
    rows = rows_of(sweep, tmp_path / "r.parquet")
    assert len(asked) == done
    reasons = [row["refused"] for row in rows]
    assert [reason is None for reason in reasons] == [True, False, True, True, False, False]
    assert "oxygen: 80 min are longer than the surface interval, 20 min" in reasons[1]
    assert "after dive 7 the log has dive 8" in reasons[4]
    for i, (interval, on_oxygen) in {0: (20, 10), 2: (90, 10), 3: (90, 80)}.items():
        text = before.replace("= 60", f"= {interval}").replace("= 30\n", f"= {on_oxygen}\n")
        assert_same(rows[i], figures(plan_dive(parse_dive(tomllib.loads(text), log=log))))


def test_what_cannot_be_dived_is_a_row_that_says_why(tmp_path: Path):
    sweep = sweep_in(
        tmp_path, AIR,
        axis("levels.1.depth", "[30, 90]"),
        axis("levels.1.leave_at", "[1, 20]"),
        axis("model.gradient_factors.low", "[60]"),
        axis("model.gradient_factors.high", "[50, 80]"),
    )  # fmt: skip
    rows = rows_of(sweep, tmp_path / "r.parquet")
    assert len(rows) == 8
    for row in rows:
        if row["levels.1.depth"] == 90:  # air at 90 m: 10 bar x 0.21 = 2.1 bar of oxygen
            assert row["refused"].startswith("[[levels]] 1, depth: air at 90 m is hyperoxic: ppO2 2.10 bar")
        elif row["model.gradient_factors.high"] == 50:
            assert row["refused"] == "[model] gradient_factors: GF low is over GF high"
        elif row["levels.1.leave_at"] == 1:  # 30 m at 20 m/min take 1.5 min
            assert "a level is left before the way to it" in row["refused"]
        else:
            assert row["refused"] is None
        assert (row["run_time_min"] is None) == (row["refused"] is not None)
    assert run_sweep(sweep, tmp_path / "r.parquet").summed.refused == 7


def test_a_half_that_the_dive_does_not_have_refuses_nothing(tmp_path: Path):
    """GF low 45 stands with GF high 90, whatever GF high the file has."""
    text = AIR + "[model]\ngradient_factors = [10, 40]\n"
    with_water = axis('["model.gradient_factors.low", "site.temperature"]', "[10, 45]")  # of a layout of their own
    sweep = sweep_in(tmp_path, text, with_water, axis("model.gradient_factors.high", "[30, 90]"))
    rows = rows_of(sweep, tmp_path / "r.parquet")
    assert [row["refused"] is None for row in rows] == [True, True, False, True]
    plan_of = with_values(text, {("model", "gradient_factors"): [45, 90]})
    assert rows[3]["run_time_min"] == figures(plan_dive(plan_of))["run_time_min"]


def test_together_walks_side_by_side(tmp_path: Path):
    axes = [axis("levels.1.depth", "[30, 40, 30]"), axis("levels.1.leave_at", "[30, 20, 10]")]
    rows = rows_of(sweep_in(tmp_path, AIR, *axes, head="together = true"), tmp_path / "r.parquet")
    for row, (depth, leave_at) in zip(rows, ((30, 30), (40, 20), (30, 10)), strict=True):
        values = {("levels", 0, "depth"): depth, ("levels", 0, "leave_at"): leave_at}
        assert_same(row, figures(plan_dive(with_values(AIR, values))))


def test_feet_are_read_as_a_dive_file_reads_them(tmp_path: Path):
    imperial = AIR.replace("metric", "imperial").replace("= 40", "= 130").replace("24", '"24 L"').replace("230", "3300")
    imperial = imperial.replace("size = 11.1", 'size = "11.1 L"').replace("= 200", "= 2900")
    sweep = sweep_in(tmp_path, imperial, axis("levels.1.depth", "from = 100\nto = 130\nstep = 10"))
    rows = rows_of(sweep, tmp_path / "r.parquet")
    assert [row["levels.1.depth"] for row in rows] == pytest.approx([30.48, 33.528, 36.576, 39.624])
    for row, feet in zip(rows, (100, 110, 120, 130), strict=True):
        assert_same(row, figures(plan_dive(with_values(imperial, {("levels", 0, "depth"): feet}))))


SCHEMA = json_schema()
WHOLE = (20, 3, 1, "air", "sea", [30, 70])
"""One of these is a value of any key."""


def numbers_of(table: Row, before: str = "") -> Iterator[str]:
    """The way to every key of the dive file's schema that takes a number or a gas: first items of lists only."""
    for name, key in table["properties"].items():
        if found := re.search(r"#/\$defs/(\w+)", str(key)):
            if name not in ("solve", "fills", "compare", "sweep", "tables", "ensemble"):
                yield from numbers_of(SCHEMA["$defs"][found[1]], f"{before}{name}.{'1.' if 'items' in key else ''}")
        elif re.search("'(number|integer)'", str(key)):
            yield before + name


VERDICT_ALONE = (
    "contingencies.", "after.", "limits.end_", "limits.density_caution", "limits.cns_", "limits.otu_",
    "limits.scrubber_", "limits.ppo2_bottom_no_go", "limits.ppo2_deco_no_go", "limits.tts", "limits.run_time",
    "gas.turn", "diver.rmv_stressed", "diver.stressed_for", "diver.rmv_bailout", "diver.sorting_out", "loop.scrubber",
    "loop.semi_closed",
)  # fmt: skip


@pytest.mark.parametrize(
    ("text", "absent"),
    [
        (AIR + "[stops.oxygen_breaks]\non = 20\noff = 5\n", ("loop.", "team.", "previous.")),
        (LOOP, ("stops.oxygen_breaks.", "team.", "previous.")),
    ],
    ids=["open", "loop"],
)
def test_every_number_of_a_dive_file_can_be_varied(tmp_path: Path, text: str, absent: tuple[str, ...]):
    swept = set()
    for key in numbers_of(SCHEMA):
        for value in WHOLE:
            try:
                sweep = sweep_in(tmp_path, text, axis(key, f"[{json.dumps(value)}]"))
            except DiveFileError:
                continue
            [row] = rows_of(sweep, tmp_path / f"{key}.parquet")
            place = tuple(int(part) - 1 if part.isdigit() else part for part in key.split("."))
            try:
                expected = figures(plan_dive(with_values(text, {place: value})))
            except DiveFileError:
                assert row["refused"]
            else:
                assert_same(row, expected)
            swept.add(key)
            break
    left_out = [key for key in numbers_of(SCHEMA) if key not in swept]
    assert [key for key in left_out if not key.startswith((*VERDICT_ALONE, *absent))] == []


def test_one_value_for_keys_of_other_units(tmp_path: Path):
    """25 is 25 ft/min at the one key, and 25 min at the other."""
    imperial = AIR.replace("metric", "imperial").replace("= 40", "= 130").replace("24", '"24 L"').replace("230", "3300")
    imperial = imperial.replace("size = 11.1", 'size = "11.1 L"').replace("= 200", "= 2900")
    [row] = rows_of(
        sweep_in(tmp_path, imperial, axis('["rates.ascent", "levels.1.leave_at"]', "[25]")), tmp_path / "r.csv"
    )
    found = plan_dive(with_values(imperial, {("rates", "ascent"): 25, ("levels", 0, "leave_at"): 25}))
    assert float(row["run_time_min"]) == found.schedule.run_time_min


# --- The result -------------------------------------------------------------------------------------------------------


def test_parquet_and_csv_agree(tmp_path: Path):
    axes = [axis("levels.1.depth", "[30, 40, 90]"), axis("cylinders.1.gas", '["air", "21/35"]')]
    sweep = sweep_in(tmp_path, AIR, *axes, head="contingencies = true")
    columnar, lines = rows_of(sweep, tmp_path / "r.parquet"), rows_of(sweep, tmp_path / "r.csv")
    assert list(columnar[0]) == list(lines[0])
    for one, other in zip(columnar, lines, strict=True):
        for name, value in one.items():
            if value is None:
                assert other[name] == ""
            elif isinstance(value, bool):
                assert other[name] == str(value).lower()
            elif isinstance(value, float):
                assert float(other[name]) == value
            else:
                assert other[name] == str(value)


def test_the_result_says_what_it_is(tmp_path: Path):
    sweep = sweep_in(tmp_path, AIR, *SIX)
    run_sweep(sweep, tmp_path / "r.parquet")
    found = pq.read_metadata(tmp_path / "r.parquet")
    about = {key.decode(): value.decode() for key, value in found.metadata.items()}
    assert about["leadline"] == leadline.__version__
    assert about["sweep"] == fingerprint(sweep)
    assert about["title"] == "Marigold, foredeck"
    assert about["cautions"] == " ".join(CAUTIONS)
    assert about["dives"] == "6"
    meanings = pq.read_schema(tmp_path / "r.parquet").field("tts_min").metadata
    assert meanings[b"meaning"] == b"from leaving the last level to the surface"


@pytest.mark.parametrize(
    "change",
    [
        lambda text: text.replace("40", "41", 1),
        lambda text: text.replace("[15, 20, 25]", "[15, 20, 26]"),
        lambda text: text.replace("[sweep]", "[sweep]\ncontingencies = true"),
        lambda text: text.replace('title = "Marigold', 'title = "Gull Stack'),
        lambda text: text.replace("[sweep]", "[diver]\nrmv_bottom = 19\n[sweep]"),
    ],
)
def test_another_sweep_has_another_fingerprint(tmp_path: Path, change: Callable[[str], str]):
    sweep = sweep_in(tmp_path, AIR, *SIX)
    text = (tmp_path / "dive.toml").read_text(encoding="utf-8")
    assert change(text) != text
    assert fingerprint(sweep) != fingerprint(read_text(tmp_path, change(text)))
    # What says nothing of the dive leaves it as it is, and so does another way to write a number.
    same = text.replace("[sweep]", "[fills]\ngauge_step = 2\n[sweep]").replace("depth = 40", 'depth = "40 m"')
    assert fingerprint(sweep) == fingerprint(read_text(tmp_path, same))


def test_the_fingerprint_knows_the_dive_before(tmp_path: Path):
    before = AIR + '[[previous]]\nfile = "first.toml"\nsurface_interval = 60\n'
    (tmp_path / "first.toml").write_text(AIR, encoding="utf-8")
    one = fingerprint(sweep_in(tmp_path, before, *SIX))
    assert one == fingerprint(sweep_in(tmp_path, before, *SIX))
    (tmp_path / "first.toml").write_text(AIR.replace("leave_at = 20", "leave_at = 21"), encoding="utf-8")
    assert one != fingerprint(sweep_in(tmp_path, before, *SIX))


def read_text(folder: Path, text: str) -> SweepPlan:
    (folder / "dive.toml").write_text(text, encoding="utf-8")
    return run.read_sweep(run_read_file(folder / "dive.toml"))


def run_read_file(path: Path) -> Any:
    from leadline.dive_file.reader import read_file

    return read_file(path)


# --- Stopped, and gone on with ----------------------------------------------------------------------------------------


@pytest.fixture
def small_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    """Parts of two dives, and row groups of three rows or more."""
    monkeypatch.setattr(run, "MOST_DIVES", 2)
    monkeypatch.setattr(parts, "ROWS", 3)


def full_after(monkeypatch: pytest.MonkeyPatch, files: int) -> None:
    """No room for more than so many parts."""
    written = itertools.count()

    def write(path: Path, content: bytes) -> None:
        if next(written) >= files:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(path))
        write_whole(path, content)

    monkeypatch.setattr(run, "write_whole", write)


@pytest.mark.usefixtures("small_parts")
@pytest.mark.parametrize("ending", ["parquet", "csv"])
def test_a_full_disk_in_mid_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ending: str):
    sweep = sweep_in(tmp_path, AIR, *SIX)
    assert chunks_of(sweep) == [(0, 2), (2, 4), (4, 6)]
    whole = tmp_path / f"whole.{ending}"
    run_sweep(sweep, whole)
    with monkeypatch.context() as patched:
        full_after(patched, 2)
        with pytest.raises(Stopped) as stopped:
            run_sweep(sweep, tmp_path / f"r.{ending}")
    folder = tmp_path / f"r.{ending}.parts"
    assert not stopped.value.interrupted
    assert str(stopped.value) == (
        f"{folder / '000002.parquet'}: No space left on device. 4 of 6 dives are finished, in {folder}; "
        "make room, and the same command goes on"
    )
    assert not (tmp_path / f"r.{ending}").exists()
    # The finished part is usable as it is: a folder that any reader of Parquet takes as one table.
    assert [row["dive"] for row in rows_in(folder)] == [1, 2, 3, 4]
    heard = []
    done = run_sweep(sweep, tmp_path / f"r.{ending}", told=lambda done, of: heard.append((done, of)))
    assert heard == [(4, 6), (6, 6)]
    assert (done.dives, done.planned) == (6, 2)
    assert (tmp_path / f"r.{ending}").read_bytes() == whole.read_bytes()
    assert not folder.exists()


@pytest.mark.usefixtures("small_parts")
def test_a_full_disk_while_parts_are_joined(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    sweep, path = sweep_in(tmp_path, AIR, *SIX), tmp_path / "r.csv"

    def full(self: object, file: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patched:
        patched.setattr(parts.Parts, "_join_to", full)
        with pytest.raises(Stopped, match=r"r\.csv: No space left on device\. 6 of 6 dives are finished"):
            run_sweep(sweep, path)
    assert sorted(os.listdir(tmp_path / "r.csv.parts"))[:3] == ["000000.parquet", "000001.parquet", "000002.parquet"]
    assert run_sweep(sweep, path).planned == 0
    assert len(rows_in(path)) == 6


def test_nothing_is_left_where_nothing_is_finished(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    full_after(monkeypatch, 0)
    with pytest.raises(Stopped, match="Nothing is finished yet; make room, and the same command begins anew"):
        run_sweep(sweep_in(tmp_path, AIR, *SIX), tmp_path / "r.parquet")
    assert os.listdir(tmp_path) == ["dive.toml"]


@pytest.mark.usefixtures("small_parts")
def test_parts_may_come_in_any_order(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    sweep = sweep_in(tmp_path, AIR, *SIX)
    run_sweep(sweep, tmp_path / "whole.parquet")
    real = workers.run

    def backwards(evaluate: Any, chunks: Any, *rest: Any) -> Any:
        yield from real(evaluate, reversed(list(chunks)), *rest)

    monkeypatch.setattr(workers, "run", backwards)
    run_sweep(sweep, tmp_path / "r.parquet")
    assert (tmp_path / "r.parquet").read_bytes() == (tmp_path / "whole.parquet").read_bytes()


@pytest.mark.usefixtures("small_parts")
def test_a_worker_lost_in_mid_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    sweep, path = sweep_in(tmp_path, AIR, *SIX), tmp_path / "r.parquet"
    real = workers.run

    def lost(evaluate: Any, chunks: Any, *rest: Any) -> Any:
        yield from itertools.islice(real(evaluate, chunks, *rest), 1)
        raise DiveFileError("--workers", [leadline.dive_file.Problem("", "the scheduler is lost")])

    with monkeypatch.context() as patched:
        patched.setattr(workers, "run", lost)
        with pytest.raises(Stopped, match=r"--workers: the scheduler is lost\. 2 of 6 dives are finished"):
            run_sweep(sweep, path)
    assert run_sweep(sweep, path).planned == 4


@pytest.mark.usefixtures("small_parts")
def test_a_part_that_is_damaged_is_planned_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    sweep, path = sweep_in(tmp_path, AIR, *SIX), tmp_path / "r.parquet"
    run_sweep(sweep, tmp_path / "whole.parquet")
    with monkeypatch.context() as patched:
        full_after(patched, 2)
        with pytest.raises(Stopped):
            run_sweep(sweep, path)
    part = tmp_path / "r.parquet.parts" / "000001.parquet"
    part.write_bytes(part.read_bytes()[:-20])
    (tmp_path / "r.parquet.parts" / ".000002.parquet.0123abcd.part").write_bytes(b"half")  # as a kill leaves it
    assert run_sweep(sweep, path).planned == 4
    assert path.read_bytes() == (tmp_path / "whole.parquet").read_bytes()
    assert not (tmp_path / "r.parquet.parts").exists()


@pytest.mark.usefixtures("small_parts")
@pytest.mark.parametrize("ending", ["parquet", "csv"])
def test_killed_between_the_last_two_steps(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ending: str):
    """The result is there, and so is the folder: the next run takes it away and plans nothing."""
    sweep, path = sweep_in(tmp_path, AIR, *SIX), tmp_path / f"r.{ending}"
    with monkeypatch.context() as patched:
        patched.setattr(parts.Parts, "_clear", lambda self: None)
        run_sweep(sweep, path)
    before = path.read_bytes()
    assert (tmp_path / f"r.{ending}.parts").exists()
    assert run_sweep(sweep, path).planned == 0
    assert path.read_bytes() == before
    assert not (tmp_path / f"r.{ending}.parts").exists()


def test_a_result_of_the_same_sweep_is_not_made_again(tmp_path: Path):
    sweep, path = sweep_in(tmp_path, AIR, *SIX, axis("model.gradient_factors.low", "[90, 30]")), tmp_path / "r.parquet"
    first = run_sweep(sweep, path)
    before = path.stat().st_mtime_ns
    again = run_sweep(sweep, path)
    assert (again.planned, again.summed) == (0, first.summed)
    assert again.summed.refused == 6  # GF low 90 over GF high 80, in half of twelve
    assert path.stat().st_mtime_ns == before


# --- Something else in the way ----------------------------------------------------------------------------------------


def refused(sweep: SweepPlan, path: Path) -> str:
    with pytest.raises(DiveFileError) as error:
        run_sweep(sweep, path)
    [line] = error.value.lines()
    return line


def test_another_sweep_in_the_way(tmp_path: Path):
    path = tmp_path / "r.parquet"
    run_sweep(sweep_in(tmp_path, AIR, *SIX), path)
    before = path.read_bytes()
    said = refused(sweep_in(tmp_path, AIR, SIX[0]), path)
    assert f"{path}: is of another sweep ('Marigold, foredeck' by Leadline {leadline.__version__}, 6 dives)" in said
    assert said.endswith("move it away, or name another result with -o")
    assert path.read_bytes() == before


def test_a_result_that_was_changed_is_not_taken_for_whole(tmp_path: Path):
    """What other tools write of a result has its metadata still."""
    sweep, path = sweep_in(tmp_path, AIR, *SIX), tmp_path / "r.parquet"
    run_sweep(sweep, path)
    pq.write_table(pq.read_table(path).slice(0, 2), path)
    before = path.read_bytes()
    assert "r.parquet: was made of this sweep, and changed since; move it away" in refused(sweep, path)
    assert path.read_bytes() == before


@pytest.mark.parametrize("name", ["r.parquet", "r.csv"])
def test_any_other_file_in_the_way(tmp_path: Path, name: str):
    (tmp_path / name).write_text("mine", encoding="utf-8")
    said = refused(sweep_in(tmp_path, AIR, *SIX), tmp_path / name)
    assert "is there already, and nothing says that it is of this sweep" in said
    assert (tmp_path / name).read_text(encoding="utf-8") == "mine"
    noted = pa.table({"x": [1]}).replace_schema_metadata({b"no text": b"\xff"})
    pq.write_table(noted, tmp_path / "n.parquet")
    assert "is there already" in refused(sweep_in(tmp_path, AIR, *SIX), tmp_path / "n.parquet")
    (tmp_path / "d.parquet").mkdir()
    assert "is there already" in refused(sweep_in(tmp_path, AIR, *SIX), tmp_path / "d.parquet")


@pytest.mark.usefixtures("small_parts")
def test_parts_of_another_sweep_in_the_way(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    path = tmp_path / "r.parquet"
    with monkeypatch.context() as patched:
        full_after(patched, 2)
        with pytest.raises(Stopped):
            run_sweep(sweep_in(tmp_path, AIR, *SIX), path)
    there = sorted(os.listdir(tmp_path / "r.parquet.parts"))
    said = refused(sweep_in(tmp_path, AIR, SIX[0]), path)
    assert "r.parquet.parts: holds finished parts of another sweep ('Marigold, foredeck', dive.toml, 6 dives" in said
    assert sorted(os.listdir(tmp_path / "r.parquet.parts")) == there


def test_a_folder_of_something_else_in_the_way(tmp_path: Path):
    sweep, folder = sweep_in(tmp_path, AIR, *SIX), tmp_path / "r.parquet.parts"
    folder.mkdir()
    (folder / "photo.jpg").write_bytes(b"mine")
    assert "holds something else than the finished parts of a sweep" in refused(sweep, tmp_path / "r.parquet")
    (folder / "_sweep.json").write_text("{", encoding="utf-8")
    assert "holds something else" in refused(sweep, tmp_path / "r.parquet")
    assert sorted(os.listdir(folder)) == ["_sweep.json", "photo.jpg"]
    (tmp_path / "s.parquet.parts").write_text("mine", encoding="utf-8")
    assert "is a file, where the finished parts go" in refused(sweep, tmp_path / "s.parquet")
    assert "is no folder; make it first" in refused(sweep, tmp_path / "nowhere" / "r.parquet")


@pytest.mark.usefixtures("small_parts")
def test_what_was_put_into_the_folder_stays(tmp_path: Path):
    sweep, folder = sweep_in(tmp_path, AIR, *SIX), tmp_path / "r.parquet.parts"

    def told(done: int, of: int) -> None:
        (folder / "note.txt").write_text("mine", encoding="utf-8")

    run_sweep(sweep, tmp_path / "r.parquet", told=told)
    assert os.listdir(folder) == ["note.txt"]


@pytest.mark.skipif(sys.platform == "win32", reason="there is no such lock")
def test_two_at_a_time(tmp_path: Path):
    sweep, heard = sweep_in(tmp_path, AIR, *SIX), []

    def told(done: int, of: int) -> None:
        if not heard:
            heard.append(refused(sweep, tmp_path / "r.parquet"))

    run_sweep(sweep, tmp_path / "r.parquet", told=told)
    assert "another command is at work on this sweep" in heard[0]


@pytest.mark.skipif(sys.platform == "win32", reason="there is no such lock")
def test_a_file_system_without_locks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    import fcntl

    def none(file: object, how: int) -> None:
        raise OSError(errno.ENOLCK, "No locks available")

    monkeypatch.setattr(fcntl, "flock", none)
    assert len(rows_of(sweep_in(tmp_path, AIR, *SIX), tmp_path / "r.parquet")) == 6


# --- Chunks -----------------------------------------------------------------------------------------------------------


def test_chunks_are_every_dive_once(tmp_path: Path):
    ten = axis("model.gradient_factors.low", "from = 20\nto = 29\nstep = 1")
    times = axis("levels.1.leave_at", "from = 5\nto = 304\nstep = 1")
    for axes, head in (([ten, times], ""), ([*SIX], "contingencies = true"), ([times], "contingencies = true")):
        sweep = sweep_in(tmp_path, AIR, *axes, head=head)
        chunks = chunks_of(sweep)
        assert [i for first, end in chunks for i in range(first, end)] == list(range(sweep.dives))
    assert len(chunks) >= 16  # several workers have something to do
    assert worth_processes(sweep) is (300 * run.PLAN_S > run.WORTH_PROCESSES_S)


def test_a_hundred_million_dives_are_chunks_that_fit(tmp_path: Path):
    """No chunk is larger for a larger sweep, and its rows are those of its place in the grid."""
    ten_thousand = axis("levels.1.leave_at", "from = 5\nto = 1004\nstep = 1"), axis(
        "diver.rmv_bottom", "from = 10\nto = 19.99\nstep = 0.1"
    )  # fmt: skip
    sweep = sweep_in(
        tmp_path, AIR, *ten_thousand, axis("model.gradient_factors.low", "from = 10\nto = 19.99\nstep = 0.01")
    )
    assert sweep.dives == 1000 * 100 * 1000
    chunks = chunks_of(sweep)
    assert max(end - first for first, end in chunks) == run.MOST_DIVES
    assert len(chunks) == math.ceil(sweep.dives / run.MOST_DIVES)
    last = pq.read_table(pq_bytes(evaluate(sweep, "x", (sweep.dives - 2, sweep.dives)).content)).to_pylist()
    assert [row["dive"] for row in last] == [99_999_999, 100_000_000]
    assert [row["levels.1.leave_at"] for row in last] == [1004.0, 1004.0]
    assert [row["model.gradient_factors.low"] for row in last] == [19.98, 19.99]


@pytest.mark.skipif(sys.platform == "win32", reason="there is no such measure")
def test_memory_does_not_grow_with_the_number_of_dives(tmp_path: Path):
    """Rows that are refused cost next to no time, and go the whole way to the result. Ten times as many of them would
    be some 130 MB more were they all kept: 18 columns of 8 bytes, 900,000 rows more."""
    program = (
        "import resource, sys; from pathlib import Path; from leadline.dive_file.reader import read_file; "
        "from leadline.sweep.run import read_sweep, run_sweep; sweep = read_sweep(read_file(sys.argv[1])); "
        "done = run_sweep(sweep, Path(sys.argv[1] + '.parquet')); "
        "print(done.summed.refused, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)"
    )
    deep, most = AIR.replace("depth = 40", "depth = 90"), {}
    for thousands in (100, 1000):
        rates = axis("rates.ascent", "from = 5\nto = 14.99\nstep = 0.01")
        times = axis("levels.1.leave_at", f"from = 10\nto = {9 + thousands}\nstep = 1")
        path = tmp_path / f"{thousands}.toml"
        path.write_text(f"{deep}\n[sweep]\n{rates}{times}", encoding="utf-8")
        done = subprocess.run(
            [sys.executable, "-c", program, str(path)], capture_output=True, text=True, check=True, timeout=600
        )
        refused, most[thousands] = map(int, done.stdout.split())
        assert refused == thousands * 1000
    unit = 1024.0 if sys.platform == "darwin" else 1.0  # bytes there, kB elsewhere
    assert (most[1000] - most[100]) / unit < 60_000


def pq_bytes(content: bytes) -> Any:
    import pyarrow as pa

    return pa.BufferReader(content)
