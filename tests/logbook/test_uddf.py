"""UDDF: its constructs, everything optional left out, numbers in other units, and files that mean harm.

The elements and their units are from memory of the UDDF 3.2 documentation. The files in `files/` are made by hand, and
what they hold is written out here.
"""

from __future__ import annotations

import re
import time
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from xml.etree import ElementTree

import pytest

from leadline.dive_file.errors import DiveFileError
from leadline.logbook.dived import CylinderCarried, Dived, GasBreathed, Profile
from leadline.logbook.exchange import uddf_elements
from leadline.logbook.exchange.files import read_bytes, read_file
from leadline.logbook.exchange.uddf_write import NAMESPACE, uddf
from leadline.physics.mix import Mix
from tests.logbook.dives import AIR, EAN50, marigold

FILES = Path(__file__).parent / "files"
BARE = (FILES / "bare.uddf").read_text()
LOOP = (FILES / "loop.uddf").read_text()


def read(text: str) -> list[Dived | str]:
    return [dived for _, dived in read_bytes("log.uddf", text.encode()).dives]


def one(text: str) -> Dived:
    (dived,) = read(text)
    assert isinstance(dived, Dived), dived
    return dived


def broken(text: str) -> str:
    (dived,) = read(text)
    assert isinstance(dived, str), dived
    return dived


def swapped(text: str, *pairs: tuple[str, str]) -> str:
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new)
    return text


def test_every_construct() -> None:
    (dived,) = (dived for _, dived in read_file(FILES / "loop.uddf").dives)
    assert dived == Dived(
        began=datetime(2026, 5, 31, 10, 20, 30, 500_000),  # the clock of the place, whatever its zone
        profile=Profile(
            run_time_min=(0.0, 4.0, 25.0, 30.0, 50.0),  # the two samples at 1800 s are one
            depth_m=(0.0, 60.0, 60.5, 21.0, 0.0),  # a little above the surface is at it
            ppo2_bar=(None, 1.31, None, None, None),  # of three cells the middle one
            temperature_c=(14.0, None, 7.5, 8.0, None),  # 273.15 K is 0 °C
            pressure_bar=((200.0, None, 160.0, None, None), (None, None, 190.0, None, None), ()),
        ),
        cylinders=(
            CylinderCarried("diluent", Mix(0.10, 0.50), 3.0, 200.0, 150.0),
            CylinderCarried("bailout", Mix(0.18, 0.45), 11.2, 200.0, None),  # the dive's own volume, not the tank's
            CylinderCarried("50 %", EAN50),  # breathed, and without data of its own
        ),
        breathed=(GasBreathed(0.0, 0, 0.7), GasBreathed(4.0, 0, 1.3), GasBreathed(25.0, 1), GasBreathed(30.0, 2)),
        title="Wreck of the Marigold",
        diver="Ann of Saltby",
        altitude_m=12.0,
        water="sea",
        notes="With Ben and Cleo.\nLoop off at\nthe end of the bottom.\n\nCurrent on the way up.",
    )
    assert [cylinder.mix.label for cylinder in dived.cylinders] == ["10/50", "18/45", "50"]


def test_with_everything_optional_left_out() -> None:
    assert one(BARE) == Dived(
        began=datetime(2026, 5, 31, 10, 20),
        profile=Profile((0.0, 2.0, 22.0), (0.0, 30.0, 0.0)),
        cylinders=(CylinderCarried("32 %", Mix(0.32)),),
        breathed=(GasBreathed(0.0, 0),),
    )


def test_prefixes_another_vocabulary_groups_and_coding() -> None:
    reading = read_file(FILES / "prefixed.uddf")
    assert reading.total == 2
    (_, first), (_, second) = reading.dives
    assert isinstance(first, Dived)
    assert isinstance(second, Dived)
    # Begun at 10 s and 1.5 m: the surface was left at run time 0. What ends at 1.2 m is left as it is.
    assert first.profile == Profile((0.0, 10 / 60, 1.5, 25.0), (0.0, 1.5, 18.0, 1.2))
    assert first.breathed == (GasBreathed(0.0, 0),)  # the mix that the dive links to is the only one
    assert (first.cylinders[0].mix.o2, first.cylinders[0].mix.label) == (0.21, "air")
    assert second.cylinders == (CylinderCarried("air", Mix(0.21), 12.0),)  # the only mix is in the only tank
    # 898.75 hPa is the ICAO standard atmosphere's at 1000 m (Doc 7488).
    assert second.altitude_m == pytest.approx(1000.0, abs=1.0)
    assert second.notes == "Lake, façade."


SAMPLE_1 = '<waypoint><depth>0</depth><divetime>0</divetime><switchmix ref="m"/></waypoint>'
SAMPLE_2 = "<waypoint><depth>30</depth><divetime>120</divetime></waypoint>"
SAMPLE_3 = "<waypoint><depth>0</depth><divetime>1320</divetime></waypoint>"
INFO = "<informationbeforedive><datetime>2026-05-31T10:20:00</datetime></informationbeforedive>"
MIX = '<mix id="m"><o2>0.32</o2></mix>'
SWITCH = '<switchmix ref="m"/>'
DATETIME = "<datetime>2026-05-31T10:20:00</datetime>"


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (INFO, "", "has no informationbeforedive"),
        (DATETIME, "", "does not say when it began"),
        (DATETIME, "<datetime>2026-05-31</datetime>", "began at '2026-05-31', which is no date and time; right is"),
        (DATETIME, "<datetime>31.5.2026 10:20</datetime>", "which is no date and time"),
        (DATETIME, "<datetime>2026-02-30T10:20:00</datetime>", "which is no date and time"),
        (f"{SAMPLE_1}\n{SAMPLE_2}\n{SAMPLE_3}\n", "", "has no samples"),
        (f"{SAMPLE_2}\n{SAMPLE_3}\n", "", "has 1 samples; a dive needs at least two"),
        (SWITCH, "", "has no gas: neither tank nor mix says what was breathed, and it is never taken for air"),
        (SWITCH, '<switchmix ref="x"/>', "has no gas"),
        (SWITCH, SWITCH + '<tankpressure ref="x">2e7</tankpressure>', "has a tank pressure of 'x', which the file"),
        (INFO, INFO + "<tankdata/><tankdata/>", "has cylinder 1 without a mix, so nothing says what is in it"),
        (MIX, MIX + MIX, "breathes mix 'm', and the file has 2 mixes of that name"),
        (MIX, '<mix id="m"/>', "breathes mix 'm', and its oxygen is not given"),
        (MIX, '<mix id="m"><o2>0.32</o2><n2>0.5</n2></mix>', "its parts add up to 82 %"),
        (MIX, '<mix id="m"><o2>0.32</o2><ar>0.2</ar></mix>', "with argon or hydrogen, for which there are no tables"),
        (MIX, '<mix id="m"><o2>0</o2></mix>', "breathes mix 'm': oxygen must be over 0"),
        (MIX, '<mix id="m"><o2>x</o2></mix>', "has a fraction of o2 in mix 'm' of 'x', which is not a number"),
        (MIX, '<mix id="m"><o2>0,32</o2></mix>', "which is not a number"),
        (MIX, '<mix id="m"><o2>3.2</o2></mix>', "with a fraction over 1; oxygen of 32 % is 0.32"),
        (SAMPLE_2, "<waypoint><depth>30</depth></waypoint>", "has sample 2 without divetime"),
        (SAMPLE_2, "<waypoint><depth>nan</depth><divetime>120</divetime></waypoint>", "has a depth of 'nan'"),
        (SAMPLE_2, "<waypoint><depth>1e999</depth><divetime>120</divetime></waypoint>", "has a depth of '1e999'"),
        (SAMPLE_2, "<waypoint><depth>400</depth><divetime>120</divetime></waypoint>", "is at 400 m at 2 min"),
        (SAMPLE_2, "<waypoint><depth>0</depth><divetime>120</divetime></waypoint>", "never leaves the surface"),
        (SAMPLE_2, "<waypoint><depth>-3</depth><divetime>120</divetime></waypoint>", "is at -3 m at 2 min"),
        (SAMPLE_2, SAMPLE_2.replace("120", "1400"), "goes back in time at sample 3 (1320 s after 1400 s)"),
        (SAMPLE_3, SAMPLE_3.replace("1320", "86460"), "lasts 1441 min; at most 1440"),
        (SAMPLE_3, SAMPLE_3.replace(">0<", ">21<"), "is at 21 m at its last sample: the way up is missing"),
        (SAMPLE_1, SAMPLE_1.replace("<depth>0", "<depth>21"), "is at 21 m at its first sample: the way down"),
        (SAMPLE_1, SAMPLE_1.replace("<divetime>0", "<divetime>61"), "begins at 61 s; the first sample is within 60 s"),
        (SAMPLE_1, SAMPLE_1.replace("<divetime>0", "<divetime>-5"), "goes back in time at sample 1"),
        (SWITCH, SWITCH + '<divemode type="semiclosedcircuit"/>', "is dived on a semi-closed loop"),
        (SWITCH, SWITCH + '<divemode type="apnoe"/>', "is a breath-hold dive"),
        (SWITCH, SWITCH + '<divemode type="other"/>', "is dived in the mode 'other'; opencircuit and closedcircuit"),
        (SWITCH, SWITCH + '<divemode type="closedcircuit"/>', "is dived on a loop, and no setpo2 is given"),
        (SWITCH, SWITCH + "<setpo2>300000</setpo2>", "has a setpoint of 3; it can be 0.1 to 2 bar"),
        ("</samples>", "</samples><informationafterdive><greatestdepth>9.1</greatestdepth></informationafterdive>",
         "has samples down to 30 m, and 9.1 m is told as its greatest depth"),
        ("</samples>", "</samples><informationafterdive><diveduration>79200</diveduration></informationafterdive>",
         "has samples up to 1320 s, and 79200 s is told as its duration"),
        (SWITCH, SWITCH + "<tankpressure>2e7</tankpressure><tankpressure>200</tankpressure>",
         "has tank pressures from 200 to 2e+07; they are in pascals"),
        (SWITCH, SWITCH + "<setpo2>1.3</setpo2><measuredpo2>120000</measuredpo2>", "has a ppO2 from 1.3 to 120000"),
        (MIX, '<mix id="m"><o2>0.18</o2><he>45</he></mix>', "with a fraction over 1; oxygen of 32 % is 0.32"),
        (INFO, INFO.replace("</info", "<surfacepressure>1013</surfacepressure></info"), "pascals, at the sea 101325"),
        (INFO, INFO.replace("</info", "<altitude>9000</altitude></info"), "is at an altitude of 9000 m"),
        (INFO, INFO + '<tankdata><link ref="m"/><tankvolume>0.4</tankvolume></tankdata>', "24 L is 0.024 m³"),
    ],
)  # fmt: skip
def test_a_broken_dive_says_why(old: str, new: str, said: str) -> None:
    assert said in broken(swapped(BARE, (old, new)))


TANK = '<tankdata id="t"><link ref="m"/><tankvolume>{}</tankvolume><tankpressurebegin>{}</tankpressurebegin></tankdata>'


@pytest.mark.parametrize(("volume", "litres"), [("0.012", 12.0), ("12", 12.0), ("0.5", 0.5), ("0.3", 300.0)])
@pytest.mark.parametrize(("pressure", "bar"), [("20000000", 200.0), ("200", 200.0), ("2.0e7", 200.0), ("0", 0.0)])
def test_bar_and_litres_are_known_where_nothing_else_can_be_meant(
    volume: str, litres: float, pressure: str, bar: float
) -> None:
    dived = one(swapped(BARE, (INFO, INFO + TANK.format(volume, pressure))))
    assert dived.cylinders == (CylinderCarried("32 %", Mix(0.32), litres, bar),)


@pytest.mark.parametrize("pressure", ["3000", "20000", "501", "0.5"])  # psi? kPa? MPa?
def test_a_pressure_that_could_be_anything_is_refused(pressure: str) -> None:
    said = broken(swapped(BARE, (INFO, INFO + TANK.format("0.012", pressure))))
    assert said == f"has tank pressures from {pressure} to {pressure}; they are in pascals, 200 bar is 20000000"


@pytest.mark.parametrize(("given", "bar"), [("130000", 1.3), ("1.3", 1.3), ("70000.0", 0.7), ("0.7", 0.7)])
def test_setpoints_in_pascals_or_bar(given: str, bar: float) -> None:
    assert one(swapped(BARE, (SWITCH, f"{SWITCH}<setpo2>{given}</setpo2>"))).breathed == (GasBreathed(0.0, 0, bar),)


@pytest.mark.parametrize("given", ["130", "1300", "19"])
def test_a_setpoint_that_could_be_anything_is_refused(given: str) -> None:
    assert "in pascals, 1.3 bar is 130000" in broken(swapped(BARE, (SWITCH, f"{SWITCH}<setpo2>{given}</setpo2>")))


@pytest.mark.parametrize(("given", "celsius"), [("283.15", 10.0), ("10", 10.0), ("-1.5", -1.5), ("273.15", 0.0)])
def test_temperatures_in_kelvin_or_celsius(given: str, celsius: float) -> None:
    warm = one(swapped(BARE, (SWITCH, f"{SWITCH}<temperature>{given}</temperature>"))).profile.temperature_c
    assert warm == (pytest.approx(celsius), None, None)


@pytest.mark.parametrize("given", ["50", "29", "200", "-40"])  # °F?
def test_a_temperature_that_could_be_anything_is_refused(given: str) -> None:
    assert "in kelvin, 10 °C is 283.15" in broken(
        swapped(BARE, (SWITCH, f"{SWITCH}<temperature>{given}</temperature>"))
    )


@pytest.mark.parametrize(
    ("parts", "o2", "he"),
    [
        ("<o2>0.18</o2><he>0.45</he>", 0.18, 0.45),
        ("<o2>0.18</o2><n2>0.37</n2><he>0.45</he>", 0.18, 0.45),
        ("<n2>0.37</n2><he>0.45</he>", 0.18, 0.45),
        ("<o2>18</o2><n2>37</n2><he>45</he>", 0.18, 0.45),
        ("<o2>50</o2>", 0.5, 0.0),
        ("<o2>1</o2>", 1.0, 0.0),
        ("<o2>100</o2>", 1.0, 0.0),
        ("<o2>0.2095</o2><n2>0.7808</n2><ar>0.0093</ar>", 0.2095, 0.0),
    ],
)
def test_gases_in_fractions_or_percent(parts: str, o2: float, he: float) -> None:
    mix = one(swapped(BARE, (MIX, f'<mix id="m">{parts}</mix>'))).cylinders[0].mix
    assert (mix.o2, mix.he) == (pytest.approx(o2), pytest.approx(he))


def test_a_name_that_is_another_gas_is_no_label() -> None:
    mix = one(swapped(BARE, (MIX, '<mix id="m"><name>18/45</name><o2>0.32</o2></mix>'))).cylinders[0].mix
    assert (mix.label, mix.o2) == ("32", 0.32)


def test_of_several_cylinders_one_must_be_said_to_be_breathed() -> None:
    two = '<mix id="m"><o2>0.32</o2></mix><mix id="n"><o2>0.5</o2></mix>'
    tanks = '<tankdata><link ref="m"/></tankdata><tankdata><link ref="n"/></tankdata>'
    text = swapped(BARE, (MIX, two), (INFO, INFO + tanks))
    assert len(one(text).cylinders) == 2
    assert broken(swapped(text, (SWITCH, ""))) == "has several cylinders and no switchmix"
    later = swapped(text, (SWITCH, ""), ("<divetime>120</divetime>", f"<divetime>120</divetime>{SWITCH}"))
    assert broken(later) == "does not say what was breathed from the start"
    # Within the first minute it counts from the start.
    at_once = swapped(later, ("<divetime>120<", "<divetime>55<"))
    assert one(at_once).breathed == (GasBreathed(0.0, 0),)


def test_a_waypoint_without_a_depth_is_a_change_alone() -> None:
    text = swapped(BARE, (SAMPLE_3, "<waypoint><divetime>600</divetime><setpo2>1.0</setpo2></waypoint>" + SAMPLE_3))
    dived = one(text)
    assert dived.profile.run_time_min == (0.0, 2.0, 22.0)
    assert dived.breathed == (GasBreathed(0.0, 0), GasBreathed(10.0, 0, 1.0))


def test_off_the_loop_and_on_again_at_the_setpoint_of_before() -> None:
    text = swapped(
        BARE,
        (SWITCH, f'{SWITCH}<divemode type="closedcircuit"/><setpo2>130000</setpo2>'),
        ("<divetime>120</divetime>", '<divetime>120</divetime><divemode type="opencircuit"/>'),
        (
            SAMPLE_3,
            '<waypoint><depth>6</depth><divetime>600</divetime><divemode type="closedcircuit"/></waypoint>' + SAMPLE_3,
        ),
    )
    assert one(text).breathed == (GasBreathed(0.0, 0, 1.3), GasBreathed(2.0, 0), GasBreathed(10.0, 0, 1.3))


def fifty(broken: dict[int, tuple[str, str]]) -> str:
    head, dive, tail = re.split(r"(<dive>.*</dive>)", BARE, flags=re.DOTALL)
    dives = [swapped(dive, broken[i]) if i in broken else dive for i in range(1, 51)]
    groups = ["\n".join(dives[:20]), "\n".join(dives[20:])]
    return head + "</repetitiongroup><repetitiongroup>".join(groups) + tail


def test_one_broken_dive_of_fifty() -> None:
    reading = read_bytes("log.uddf", fifty({17: ("<divetime>1320", "<divetime>20")}).encode())
    assert reading.total == 50
    found = list(reading.dives)
    assert [number for number, _ in found] == list(range(1, 51))
    assert [number for number, dived in found if isinstance(dived, str)] == [17]
    assert found[16] == (17, "goes back in time at sample 3 (20 s after 120 s)")


# What is written.


def tree(*some: Dived) -> ElementTree.Element:
    return ElementTree.fromstring(uddf(some))


def names(element: ElementTree.Element | None) -> list[str]:
    assert element is not None
    return [child.tag.removeprefix(f"{{{NAMESPACE}}}") for child in element]


def test_what_is_written_is_in_the_order_of_the_standard() -> None:
    """Order and required elements from memory of the UDDF 3.2 documentation."""
    space = {"u": NAMESPACE}
    root = tree(marigold(), replace(marigold(), began=datetime(2026, 5, 31, 15, 0)))
    assert root.tag == f"{{{NAMESPACE}}}uddf"
    assert root.get("version") == "3.2.0"
    assert names(root) == ["generator", "diver", "divesite", "gasdefinitions", "profiledata"]
    assert root.findtext("u:generator/u:name", namespaces=space) == "Leadline"
    assert names(root.find("u:diver/u:owner/u:personal", space)) == ["firstname", "lastname"]
    assert names(root.find("u:gasdefinitions/u:mix", space)) == ["name", "o2", "n2", "he"]
    dive = root.findall("u:profiledata/u:repetitiongroup/u:dive", space)[1]
    assert names(dive) == [
        "informationbeforedive", "applicationdata", "tankdata", "tankdata", "samples", "informationafterdive",
    ]  # fmt: skip
    before = dive.find("u:informationbeforedive", space)
    assert names(before) == ["link", "divenumber", "datetime", "altitude", "surfaceintervalbeforedive"]
    # From 10:20 and 38 min to 15:00 are 4 h 2 min: 14520 s.
    assert dive.findtext(".//u:passedtime", namespaces=space) == "14520"
    tank = dive.find("u:tankdata", space)
    assert names(tank) == ["link", "link", "tankvolume", "tankpressurebegin", "tankpressureend"]
    assert [child.text for child in tank or ()][2:] == ["0.024", "23000000", "11000000"]
    first = dive.find("u:samples/u:waypoint", space)
    assert names(first) == ["depth", "divemode", "divetime", "switchmix", "tankpressure", "tankpressure", "temperature"]
    assert all({"depth", "divetime"} <= set(names(point)) for point in dive.findall("u:samples/u:waypoint", space))
    assert names(dive.find("u:informationafterdive", space)) == ["greatestdepth", "diveduration", "notes"]
    ids = [element.get("id") for element in root.iter() if element.get("id")]
    assert len(ids) == len(set(ids))
    assert {element.get("ref") for element in root.iter() if element.get("ref")} <= set(ids)


def test_groups_are_dives_that_tissues_remember() -> None:
    some = [
        replace(marigold(), began=datetime(2026, 5, day, 10, 0), diver=diver)
        for day, diver in ((1, "Ann"), (2, "Ann"), (6, "Ann"), (6, "Ben"), (7, "Ben"), (1, "Ben"))
    ]
    groups = tree(*some).findall(f"{{{NAMESPACE}}}profiledata/*")
    assert [len(group) for group in groups] == [2, 1, 2, 1]


def test_a_change_between_samples_is_written_at_the_depth_between() -> None:
    # From 51 m at 20 min to 21 m at 24 min: 43.5 m at 21 min.
    dived = replace(marigold(), breathed=(GasBreathed(0.0, 0), GasBreathed(21.0, 1)))
    points = tree(dived).iter(f"{{{NAMESPACE}}}waypoint")
    (added,) = (point for point in points if point.findtext(f"{{{NAMESPACE}}}divetime") == "1260")
    assert names(added) == ["depth", "divetime", "switchmix"]
    assert added.findtext(f"{{{NAMESPACE}}}depth") == "43.5"
    assert one(uddf([dived]).decode()) == dived


def test_one_tank_and_one_mix_for_what_is_the_same_in_many_dives() -> None:
    root = tree(*[marigold()] * 5)
    assert len(list(root.iter(f"{{{NAMESPACE}}}tank"))) == len(list(root.iter(f"{{{NAMESPACE}}}mix"))) == 2
    assert len(list(root.iter(f"{{{NAMESPACE}}}site"))) == 1


def test_our_own_low_pressures_are_not_taken_for_bar() -> None:
    drained = CylinderCarried("back", AIR, 12.0, 0.002, 0.0)
    profile = replace(marigold().profile, ppo2_bar=(0.00005,) * 7, pressure_bar=())
    dived = replace(marigold(), cylinders=(drained,), breathed=(GasBreathed(0.0, 0, 0.7),), profile=profile)
    back = one(uddf([dived]).decode())
    assert (back.cylinders, back.profile) == (dived.cylinders, dived.profile)


# Files that mean harm.

LAUGHS = "".join(f'<!ENTITY l{i} "{f"&l{i - 1};" * 10}">' for i in range(1, 10))
HARMFUL = {
    "a billion laughs": f'<!DOCTYPE uddf [<!ENTITY l0 "ha">{LAUGHS}]><uddf>&l9;</uddf>',
    "quadratic blowup": f'<!DOCTYPE uddf [<!ENTITY a "{"a" * 100_000}">]><uddf>{"&a;" * 10_000}</uddf>',
    "a file of the reader's": '<!DOCTYPE uddf [<!ENTITY x SYSTEM "file:///etc/hostname">]><uddf>&x;</uddf>',
    "an entity of parameters": '<!DOCTYPE uddf [<!ENTITY % p SYSTEM "file:///etc/hostname"> %p;]><uddf/>',
    "a document type from elsewhere": '<!DOCTYPE uddf SYSTEM "http://127.0.0.1:9/uddf.dtd"><uddf/>',
}


@pytest.mark.parametrize("kind", HARMFUL)
def test_entities_and_document_types_are_refused(kind: str) -> None:
    with pytest.raises(DiveFileError, match="has a document type or entities of its own, which are not read"):
        read(HARMFUL[kind])


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("<uddf>" + "<a>" * 1_000_000, "has elements nested over 50 deep"),
        (BARE.replace("</samples>", "<a>" * 60 + "</a>" * 60 + "</samples>"), "has elements nested over 50 deep"),
        (f'<uddf a="{"a" * 20_000_000}"/>', "has a tag or text of over 2 MB"),
        (f"<uddf><!--{'-a' * 10_000_000}--></uddf>", "has a tag or text of over 2 MB"),
        (BARE.replace("</samples>", "<a>" + "a" * 20_000_000 + "</a></samples>"), "has a tag or text of over 2 MB"),
        ("<uddf " + "".join(f'xmlns:a{i}="urn:{i}" ' for i in range(300_000)) + "/>", "has a tag or text of over 2 MB"),
    ],
)
def test_what_is_too_much_is_refused_soon(text: str, said: str) -> None:
    began = time.monotonic()
    with pytest.raises(DiveFileError, match=said):
        read(text)
    assert time.monotonic() - began < 10.0


def test_bounds_on_elements_and_on_a_dive(monkeypatch: pytest.MonkeyPatch) -> None:
    assert one(BARE)
    monkeypatch.setattr(uddf_elements, "MOST_ELEMENTS_A_DIVE", 8)
    with pytest.raises(DiveFileError, match="dive 1: has more than any one dive has"):
        read(BARE)
    monkeypatch.setattr(uddf_elements, "MOST_ELEMENTS", 8)
    with pytest.raises(DiveFileError, match="elements, too many for a dive log"):
        read(BARE)
    monkeypatch.undo()
    monkeypatch.setattr(uddf_elements, "MOST_DIVE_BYTES", 500_000)
    with pytest.raises(DiveFileError, match="dive 1: has more than any one dive has"):
        read(BARE.replace("</samples>", "<a>aaaaaaaaa</a>" * 100_000 + "</samples>"))


def test_what_dives_refer_to_is_bounded_as_a_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    sites = "<divesite><site><name>a</name></site></divesite>" * 10
    monkeypatch.setattr(uddf_elements, "MOST_ELEMENTS_A_DIVE", 30)
    text = BARE.replace("</gasdefinitions>", "</gasdefinitions>" + sites)
    assert one(BARE)
    with pytest.raises(DiveFileError, match="more than any one dive has, or all that dives refer to"):
        read(text)
    monkeypatch.undo()
    assert one(text)
    monkeypatch.setattr(uddf_elements, "MOST_DIVE_BYTES", 500_000)
    with pytest.raises(DiveFileError, match="more than any one dive has, or all that dives refer to"):
        read(BARE.replace("</gasdefinitions>", "</gasdefinitions>" + sites * 2_000))


def test_many_names_and_ids_take_no_longer_than_few() -> None:
    many = "".join(f'<a{i} id="a{i}"/>' for i in range(100_000))
    dived = one(BARE.replace("<uddf>", f"<uddf><diver>{many}</diver>"))
    assert dived == one(BARE)


def test_a_dive_of_a_sample_a_second_for_a_day_is_read() -> None:
    points = "".join(
        f"<waypoint><depth>{min(i, 20, 86399 - i)}</depth><divetime>{i}</divetime></waypoint>" for i in range(1, 86400)
    )
    dived = one(swapped(BARE, (SAMPLE_2, points), (SAMPLE_3, "")))
    assert len(dived.profile.run_time_min) == 86400


def test_a_loop_that_gives_no_setpoint_is_not_taken_for_open_circuit() -> None:
    """1.3 bar at 40 m, where 21/35 has 0.21 · 5.01 = 1.05."""
    way = ((0, 0.0), (120, 40.0), (1200, 40.0), (1500, 0.0))
    samples = "".join(
        f"<waypoint><depth>{depth}</depth><divetime>{at}</divetime><measuredpo2>{ppo2}</measuredpo2></waypoint>"
        for (at, depth), ppo2 in zip(way, (100_000, 130_000, 130_000, 90_000), strict=True)
    )
    text = (
        "<uddf><gasdefinitions><mix id='m'><o2>0.21</o2><he>0.35</he></mix></gasdefinitions><profiledata>"
        "<repetitiongroup><dive><informationbeforedive><datetime>2026-05-31T10:20:00</datetime><link ref='m'/>"
        f"</informationbeforedive><samples>{samples}</samples></dive></repetitiongroup></profiledata></uddf>"
    )
    assert "reads a ppO2 that open circuit does not give (1.00 bar at 0 m, where 21/35 has 0.21)" in read(text)[0]
    on_open_circuit = text
    for read_pa, right_pa in ((100_000, 21_000), (130_000, 105_000), (90_000, 22_000)):
        on_open_circuit = on_open_circuit.replace(f">{read_pa}<", f">{right_pa}<")
    assert isinstance(read(on_open_circuit)[0], Dived)


def test_a_mix_with_helium_in_its_name_alone_is_not_nitrox() -> None:
    text = uddf([replace(marigold(), plan=None)]).decode()
    text = re.sub(r"<he>[^<]*</he>|<n2>[^<]*</n2>|<name>18/45</name>", "", text)
    text = re.sub(r"(<mix id=\"[^\"]*\">)\s*(?=<o2>0\.18)", r"\1<name>18/45</name>", text)
    assert "called '18/45', and its helium is not given" in read(text)[0]


def test_dives_near_each_other_are_told_in_one_zone() -> None:
    """08:20 Z and 12:20 at +02:00 are two hours apart, not four."""
    text = uddf([marigold(), replace(marigold(), began=datetime(2026, 5, 31, 12, 20))]).decode()
    text = text.replace("2026-05-31T10:20:00", "2026-05-31T08:20:00Z")
    first, second = read(text.replace("2026-05-31T12:20:00", "2026-05-31T12:20:00+02:00"))
    assert isinstance(first, Dived)
    assert "one near it at 2026-05-31 08:20Z; write both in one zone" in second
    assert all(isinstance(one, Dived) for one in read(text.replace("2026-05-31T12:20:00", "2026-05-31T12:20:00Z")))
    assert all(isinstance(one, Dived) for one in read(text.replace("2026-05-31T12:20:00", "2026-06-12T12:20:00+02:00")))
