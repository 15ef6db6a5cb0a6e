"""CSV: headers, units, separators, gases and setpoints, and what is refused."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import pytest

from leadline.dive_file.errors import DiveFileError
from leadline.logbook.dived import CylinderCarried, Dived, GasBreathed, Profile
from leadline.logbook.exchange.csv_read_write import csv_of
from leadline.logbook.exchange.files import read_bytes, read_file
from leadline.physics.mix import AIR_O2, Mix
from tests.logbook.dives import EAN50, TRIMIX, marigold

FILES = Path(__file__).parent / "files"
ABOUT = "# began: 2026-05-31 10:20\n# cylinder: back, air\n"
PLAIN = "time [s],depth [m]\n0,0\n120,30\n1320,0\n"


def read(text: str, began: datetime | None = None) -> Dived | str:
    reading = read_bytes("dive.csv", text.encode(), began)
    assert reading.total == 1
    ((number, dived),) = reading.dives
    assert number == 1
    return dived


def one(text: str, began: datetime | None = None) -> Dived:
    dived = read(text, began)
    assert isinstance(dived, Dived), dived
    return dived


def broken(text: str) -> str:
    dived = read(text)
    assert isinstance(dived, str), dived
    return dived


def refused(text: str) -> str:
    with pytest.raises(DiveFileError) as caught:
        read(text)
    return str(caught.value)


def test_a_file_made_by_hand() -> None:
    ((_, dived),) = read_file(FILES / "gull-stack.csv").dives
    assert dived == Dived(
        began=datetime(2026, 5, 31, 10, 20),
        profile=Profile(
            run_time_min=(0.0, 2.0, 25.0, 28.5, 32.0),
            depth_m=(0.0, 24.5, 24.5, 5.0, 0.0),
            temperature_c=(14.0, None, 9.5, None, 12.0),
            pressure_bar=((200.0, 180.0, 110.0, 100.0, 80.0),),
        ),
        cylinders=(CylinderCarried("back", Mix(AIR_O2), 12.0, 200.0, 80.0),),
        breathed=(GasBreathed(0.0, 0),),
        title="Gull Stack, north wall",
        diver="Ann",
        water="sea",
        notes="Seals.\nCold.",
    )


def test_the_least() -> None:
    dived = one(ABOUT + PLAIN)
    assert dived == Dived(
        began=datetime(2026, 5, 31, 10, 20),
        profile=Profile((0.0, 2.0, 22.0), (0.0, 30.0, 0.0)),
        cylinders=(CylinderCarried("back", Mix(AIR_O2)),),
        breathed=(GasBreathed(0.0, 0),),
    )


@pytest.mark.parametrize(
    "table",
    [
        "time [min],depth [m]\n0,0\n2,30\n22,0\n",
        "time [min],depth [m]\n0:00,0\n2:00,30\n22:00,0\n",
        "time [mm:ss],depth [m]\n0:00,0\n2:00,30\n22:00.0,0\n",
        "time [h:mm:ss],depth [m]\n0:00:00,0\n0:02:00,30\n0:22:00,0\n",
        "time,depth [m]\n0:00:00,0\n0:02:00,30\n0:22:00,0\n",
        "Run Time [s],DEPTH [M]\n0,0\n120,30\n1320,0\n",
        "time (s),depth (m)\n0,0\n120,30\n1320,0\n",
        "# time: s\n# depth: m\ntime,depth\n0,0\n120,30\n1320,0\n",
        "time [s];depth [m]\n0;0,0\n120,0;30,0\n1320;0\n",
        "time [s]\tdepth [m]\n0\t0\n120\t30\n1320\t0\n",
        '"time [s]","depth [m]"\n"0","0"\n"120","30.0"\n"1320","0"\n',
        "depth [m],heart rate,time [s],\n0,60,0,\n30,70,120,\n0,60,1320,\n",
        "time [s], depth [m]\n0, 0\n\n120, 30\n1.32e3, 0\n\n",
        "time [s],depth [ft]\n0,0\n120,98.42519685039370\n1320,0\n",
        "time [s],depth [m]\n0,0\n120,20\n120,30\n1320,0\n",  # of two at one moment the later
    ],
)
def test_one_dive_in_many_forms(table: str) -> None:
    for text in (ABOUT + table, "﻿" + ABOUT + table, (ABOUT + table).replace("\n", "\r\n")):
        profile = one(text).profile
        assert profile.run_time_min == (0.0, 2.0, 22.0)
        assert profile.depth_m == pytest.approx((0.0, 30.0, 0.0))


def test_every_column_in_imperial_units() -> None:
    dived = one(
        "# began: 2026-05-31T10:20:30Z\n# altitude: 3281 ft\n# water: 1010 kg/m3\n"
        "# cylinder: left, 32, 11.1 L, 3000 psi, 1000 psi\n"
        "time [s],depth [ft],temperature [°F],pressure left [psi],ppo2 [bar]\n"
        "0,0,59,3000,0.2\n120,100,50,2500,\n1320,0,,1000,\n"
    )
    # 1 ft is 0.3048 m, 1 psi 0.0689475729 bar (NIST SP 811), 59 °F 15 °C.
    assert dived.began == datetime(2026, 5, 31, 10, 20, 30)
    assert dived.altitude_m == pytest.approx(1000.0, abs=0.1)
    assert dived.water == 1010.0
    assert dived.profile.depth_m == pytest.approx((0.0, 30.48, 0.0))
    assert dived.profile.temperature_c == (pytest.approx(15.0), pytest.approx(10.0), None)
    assert dived.profile.pressure_bar[0] == pytest.approx((206.8427, 172.3689, 68.9476), abs=1e-4)
    assert dived.profile.ppo2_bar == (0.2, None, None)
    assert dived.cylinders[0].start_bar == pytest.approx(206.8427, abs=1e-4)


def test_gases_without_cylinders_and_where_they_change() -> None:
    dived = one(
        "# began: 2026-05-31 10:20\n"
        "time [s],depth [m],gas,pressure 50 [bar]\n0,0,18/45,\n120,45,,\n1200,21,50,200\n1500,6,,\n1800,0,,150\n"
    )
    assert dived.cylinders == (CylinderCarried("18/45", TRIMIX), CylinderCarried("50", EAN50))
    assert dived.breathed == (GasBreathed(0.0, 0), GasBreathed(20.0, 1))
    assert dived.profile.pressure_bar == ((), (None, None, 200.0, None, 150.0))
    filled = "time [s],depth [m],gas\n0,0,18/45\n120,45,18/45\n1200,21,50 %\n1800,0,50 %\n"
    assert one("# began: 2026-05-31 10:20\n" + filled).breathed == (GasBreathed(0.0, 0), GasBreathed(20.0, 1))


def test_cylinders_by_name_gas_and_number() -> None:
    about = "# began: 2026-05-31 10:20\n# cylinder: left, air\n# cylinder: right, air\n# cylinder: deco, 50\n"
    dived = one(about + "time [s],depth [m],gas\n0,0,Left\n300,20,cylinder 2\n600,18,50\n900,0,\n")
    assert dived.breathed == (GasBreathed(0.0, 0), GasBreathed(5.0, 1), GasBreathed(10.0, 2))
    said = broken(about + "time [s],depth [m],gas\n0,0,air\n300,20,\n900,0,\n")
    assert said == "has a cylinder or gas 'air', which is not the only one of those carried: left, right, deco"
    said = broken(about + "time [s],depth [m],gas\n0,0,32\n300,20,\n900,0,\n")
    assert said == "has a cylinder or gas '32', which is none of those carried: left, right, deco"


LOOP = "# began: 2026-05-31 10:20\n# cylinder: diluent, 10/50\n# cylinder: bailout, 18/45\n"


def test_a_loop_and_off_it() -> None:
    expected = (GasBreathed(0.0, 0, 0.7), GasBreathed(2.0, 0, 1.3), GasBreathed(20.0, 1))
    changes = "time [s],depth [m],gas,setpoint [bar]\n0,0,10/50,0.7\n120,45,,1.3\n1200,45,18/45,open\n1800,0,,\n"
    filled = (
        "time [s],depth [m],gas,setpoint [bar]\n"
        "0,0,10/50,0.7\n60,20,10/50,0.7\n120,45,10/50,1.3\n1200,45,18/45,0\n1800,0,18/45,0\n"
    )
    assert one(LOOP + changes).breathed == one(LOOP + filled).breathed == expected


def test_a_setpoint_left_blank_is_not_guessed() -> None:
    """A column filled on the loop and blank off it would keep the diver on the loop."""
    table = "time [s],depth [m],gas,setpoint [bar]\n0,0,10/50,1.3\n120,45,,1.3\n1200,45,18/45,\n1800,0,,\n"
    said = "has no setpoint in line 7: fill every line, open for off the loop, or only those where it changes"
    assert broken(LOOP + table) == said
    late = "time [s],depth [m],gas,setpoint [bar]\n0,0,10/50,\n120,45,,1.3\n1200,45,18/45,open\n1800,0,,\n"
    assert broken(LOOP + late) == "has no setpoint in line 5, its first; write one, or open for off the loop"


def test_a_line_without_a_depth_is_a_change_alone() -> None:
    dived = one(LOOP + "time [s],depth [m],gas\n0,0,18/45\n120,45,\n600,,10/50\n1800,0,\n")
    assert dived.profile.run_time_min == (0.0, 2.0, 30.0)
    assert dived.breathed == (GasBreathed(0.0, 1), GasBreathed(10.0, 0))


def test_began_can_be_given() -> None:
    text = ABOUT.partition("\n")[2] + PLAIN
    assert broken(text) == "does not say when it began; write a line # began: 2026-05-31 10:20 before the table"
    assert one(text, datetime(2026, 6, 1, 8, 0)).began == datetime(2026, 6, 1, 8, 0)
    assert one(ABOUT + PLAIN, datetime(2026, 6, 1, 8, 0)).began == datetime(2026, 5, 31, 10, 20)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("hello\n", "line 1: has no columns of time and depth; write a header such as time [s],depth [m]"),
        ("# only: this\n", "has no table"),
        ("time [s],dept [m]\n0,0\n", "has no columns of time and depth"),
        ("time,depth [ft]\n0,0\n", None),
        ("time [s],depth\n0,0\n", "line 1, column 'depth': has no unit; use depth [m] or depth [ft]"),
        ("time [s],depth [fathoms]\n0,0\n", "'fathoms' is not a unit of depth; use depth [m] or depth [ft]"),
        ("time [s],depth [bar]\n0,0\n", "'bar' is not a unit of depth"),
        ("time [h],depth [m]\n0,0\n", "'h' is not a unit of time here; use time [s] or time [min] or time [h:mm:ss]"),
        ("time [s],depth [m],temperature\n0,0,1\n", "has no unit; use temperature [°C] or temperature [°F]"),
        ("time [s],depth [m],pressure back [kg]\n0,0,1\n", "use pressure [bar] or pressure [psi]"),
        ("time [s],depth [m],setpoint\n0,0,1\n", "column 'setpoint': has no unit; use setpoint [bar]"),
        ("time [s],depth [m],depth [ft]\n0,0,0\n", "line 1, column 'depth [ft]': stands there twice"),
        ("time [s],depth [m],temprature [°C]\n0,0,0\n", "is not known; did you mean temperature?"),
        (
            "# began: yesterday\n" + PLAIN,
            "line 1: began 'yesterday': is no date and time; write for example 2026-05-31",
        ),
        ("# began: 2026-05-31\n" + PLAIN, "is no date and time"),
        ("# began: 2026-05-31 10:20\n# began: 2026-05-31 10:20\n" + PLAIN, "line 2: says began twice"),
        ("# begun: 2026-05-31 10:20\n" + PLAIN, "line 1: 'begun' is not known; did you mean began?"),
        ("# altitude: 1200\n" + PLAIN, "line 1: altitude '1200': has no unit; write for example 1200 m"),
        ("# water: salt\n" + PLAIN, "line 1: water 'salt'"),
        (
            "# water: 1020\n" + PLAIN,
            "has no unit; write for example sea, fresh, en13319 or a density such as 1020 kg/m³",
        ),
        (
            "# cylinder: twins\n" + PLAIN,
            "line 1: cylinder 'twins': write name, gas, volume, pressures at start and end",
        ),
        ("# cylinder: twins, 18/92\n" + PLAIN, "at most 100 %"),
        ("# cylinder: twins, air, 24\n" + PLAIN, "has no unit; write for example 24 L"),
        ("# cylinder: twins, air, 80 cuft\n" + PLAIN, "write its water volume, such as 11.1 L"),
        ("# cylinder: twins, air, 24 L, 230\n" + PLAIN, "has no unit; write for example 230 bar"),
        ("# cylinder: twins, air, 24 L, 230 m\n" + PLAIN, "is not a unit of pressure"),
        ("# cylinder: twins, air, 24 L, 230 bar, 60 bar, 3\n" + PLAIN, "write name, gas, volume"),
    ],
)
def test_what_is_no_table_of_a_dive_is_refused_in_words(text: str, said: str | None) -> None:
    if said is None:  # a time without a unit is read where it has hours, minutes and seconds
        assert broken(ABOUT + text) == "has '0' in line 4, column 'time', which is no time"
    else:
        assert said in refused(text)


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ("time [s],depth [m]\n", "has no samples"),
        ("time [s],depth [m]\n0,0\n120,thirty\n1320,0\n", "has 'thirty' in line 5, column 'depth [m]', which is"),
        ("time [s],depth [m]\n0,0\n120,\n1320,0\n", "has no depth in line 5"),
        ("time [s],depth [m]\n0,0\n,30\n1320,0\n", "has no time in line 5"),
        ("time [s],depth [m]\n0,0\n120,30\n60,0\n", "goes back in time at line 6 (60 s after 120 s)"),
        ("time [s],depth [m]\n0,0\n120,nan\n1320,0\n", "has 'nan' in line 5"),
        ("time [s],depth [m]\n0,0\n120,1e999\n1320,0\n", "has '1e999' in line 5"),
        ("time [s],depth [m]\n0,0\n2:75,30\n1320,0\n", "has '2:75' in line 5, column 'time [s]', which is no time"),
        ("time [s],depth [m]\n0,0\n1:75:00,30\n1320,0\n", "has '1:75:00' in line 5"),
        ("time,depth [m]\n0:00:00,0\n2:00,30\n22:00,0\n", "has '2:00' in line 5"),  # hours or minutes?
        ("time [s],depth [m]\n0,0\n120,0,30,0\n1320,0\n", "has 4 cells in line 5, and the header 2"),
        ('time [s],depth [m]\n0,0\n120,"30,0"\n1320,0\n', "has '30,0' in line 5"),  # decimals or thousands?
        ("time [s];depth [m]\n0;0\n120;30,5\n1320;0.0\n", "with a comma (line 5) and with a point (line 6)"),
        ("time [s];depth [m]\n0;0\n120;1.030,5\n1320;0\n", "with a comma (line 5) and with a point (line 5)"),
        ("time [s],depth [m]\n0,0\n120,400\n1320,0\n", "is at 400 m at 2 min"),
        ("time [s],depth [m]\n120,0\n240,30\n1320,0\n", "begins at 120 s; the first sample is within 60 s"),
        ("time [s],depth [m],pressure x [bar]\n0,0,1\n9,9,1\n", "has a cylinder or gas 'x', which is none"),
        ("time [s],depth [m],setpoint [bar]\n0,0,3\n120,30,\n1320,0,\n", "has a setpoint of 3; it can be 0.1 to 2 bar"),
    ],
)  # fmt: skip
def test_a_broken_dive_says_where(table: str, said: str) -> None:
    assert said in broken(ABOUT + table)


def test_a_dive_without_a_gas_is_never_taken_for_air() -> None:
    said = broken("# began: 2026-05-31 10:20\n" + PLAIN)
    assert said.startswith("has no gas: write a line such as # cylinder: twins, 18/45, or a column gas")
    two = "# began: 2026-05-31 10:20\n# cylinder: a, air\n# cylinder: b, 50\n"
    assert broken(two + PLAIN) == "does not say which of its cylinders was breathed; a column gas says it"


def test_what_is_written_is_read_by_eye() -> None:
    assert csv_of(marigold()).decode() == (
        "# began: 2026-05-31 10:20:00\n"
        "# diver: Ann\n"
        "# title: Marigold, bow to stern\n"
        "# water: sea\n"
        "# altitude: 0 m\n"
        "# cylinder: twins, 18/45, 24 L, 230 bar, 110 bar\n"
        "# cylinder: deco, 50, 11.1 L, 200 bar, 160 bar\n"
        "# notes: Visibility 12 m.\n"
        "# notes: Current from the Gull Stack on the way up.\n"
        "time [s],depth [m],temperature [°C],pressure twins [bar],pressure deco [bar],gas\n"
        "0,0,14,230,200,18/45\n"
        "180,51,,,,\n"
        "1200,51,8,120,,\n"
        "1440,21,,110,200,50\n"
        "1620,21,9,,,\n"
        "2160,6,,,,\n"
        "2280,0,13.5,110,160,\n"
    )


def test_a_million_lines_are_refused_soon() -> None:
    many = "".join(f"{i},{min(i, 9)}\n" for i in range(1_000_000))
    assert "has over 200000 lines" in broken(ABOUT + "time [s],depth [m]\n" + many)
    assert "is over 32 MB, too large for one dive" in refused(ABOUT + "time [s],depth [m]\n" + many * 4)


def test_the_example_of_the_docs() -> None:
    docs = (Path(__file__).parents[2] / "docs" / "exchange.md").read_text(encoding="utf-8")
    dived = one(docs.partition("```csv\n")[2].partition("```")[0])
    assert dived.profile.run_time_min == (0.0, 3.0, 20.0, 24.0, 36.0, 38.0)
    assert dived.breathed == (GasBreathed(0.0, 0), GasBreathed(24.0, 1))
    assert dived.cylinders == marigold().cylinders


def test_a_bailout_that_is_not_said_is_not_a_change_of_diluent() -> None:
    """50 % at 30 m is 0.5 · (4.01 − 0.06) = 1.98 bar."""
    text = (
        "# began: 2026-05-31 10:20\ntime [min],depth [m],gas,setpoint [bar]\n"
        "0,0,18/45,0.7\n3,40,18/45,1.3\n20,30,50,\n25,6,50,\n26,0,50,\n"
    )
    ((_, refused),) = read_bytes("loop.csv", text.encode()).dives
    assert "changes to 50 % on the loop at 20 min, 30 m, which would make it 1.98 bar" in refused
    ((_, said),) = read_bytes("loop.csv", text.replace("20,30,50,", "20,30,50,open").encode()).dives
    assert said.breathed[-1].setpoint_bar is None
