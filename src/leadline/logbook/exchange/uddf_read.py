"""Reads dives from UDDF 3, the Universal Dive Data Format.

Names, places and units of its elements are from memory of the UDDF 3.2 documentation: metres, pascals, kelvins,
seconds, cubic metres, fractions. What is read and what is not is in docs/exchange.md.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from statistics import median_low
from typing import Any
from xml.etree.ElementTree import Element

from leadline.dive_file.errors import shown
from leadline.logbook.dived import CylinderCarried, Dived, KeptPlan
from leadline.logbook.exchange.opened import Opened
from leadline.logbook.exchange.recorded import (
    LATEST_START_S,
    Broken,
    RecordedChange,
    Sample,
    began_of,
    breathed_of,
    checked,
    lines_of,
    plain,
    profile_of,
)
from leadline.logbook.exchange.uddf_elements import Gatherer
from leadline.physics.environment import SEA_LEVEL_BAR, WATER_KG_M3, surface_pressure
from leadline.physics.mix import Mix

GENERATOR = "Leadline"
ONE_ZONE = timedelta(days=2)
"""Dives as near as this must be told in one zone."""
_PASCAL_BAR = 1e-5
_ZERO_C_K = 273.15
_IN_UNITS = ("tankpressure", "setpo2", "measuredpo2", "temperature")
_ZONE = re.compile(r"(Z|[+-]\d\d:?\d\d)$", re.IGNORECASE)
_NUMBER = re.compile(r"\s*[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?\s*$", re.ASCII)


@dataclass
class Header:
    """What the dives of a file refer to, by its id."""

    dives: int = 0
    owner: str = ""
    buddies: dict[str, str] = field(default_factory=dict)
    sites: dict[str, Element] = field(default_factory=dict)
    mixes: dict[str, list[Element]] = field(default_factory=dict)
    """More than one element: the id says nothing."""
    tanks: dict[str, Element] = field(default_factory=dict)
    ours: bool = False
    """Written by Leadline: its units are those of the standard whatever the numbers."""


def read_header(file: Opened) -> Header:
    """Everything but the dives, and how many those are. Reads the whole file once: DiveFileError where it is no
    UDDF."""
    gatherer = Gatherer(file, headers=True)
    header = Header()
    for element in gatherer.elements():
        if element.tag == "generator":
            header.ours = _text(element, "name") == GENERATOR
        for one in element.iter():
            _remember(one, header)
    header.dives = gatherer.dives
    return header


def read_dives(file: Opened, header: Header) -> Iterator[Dived | str]:
    """The dives in the order of the file, one by one; in words why, where one is broken."""
    zones: list[tuple[datetime, str]] = []
    for element in Gatherer(file, headers=False).elements():
        try:
            dived = _dive(element, header)
            zone = _zone(element, dived, zones)
        except Broken as broken:
            yield str(broken)
            continue
        zones.append((dived.began, zone))
        yield dived


def _zone(element: Element, dived: Dived, zones: Sequence[tuple[datetime, str]]) -> str:
    """The zone that a dive's beginning is told in; empty without one. Broken if a dive near it is told in another: once
    zones are left off, the time between the two would be wrong."""
    text = _text(element, "informationbeforedive/datetime")
    found = _ZONE.search(text)
    zone = found.group().upper() if found else ""
    for began, other in zones:
        if abs(began - dived.began) < ONE_ZONE and other != zone:
            near = f"{began:%Y-%m-%d %H:%M}{other}"
            raise Broken(f"began at {shown(text)}, and one near it at {near}; write both in one zone")
    return zone


def _remember(element: Element, header: Header) -> None:
    """Keep what can be referred to. Of two with one id the first counts, but two gases of one id are none."""
    name = str(element.tag)
    key = element.get("id", "")
    if name == "owner" and not header.owner:
        header.owner = _person(element)
    elif name == "buddy":
        header.buddies.setdefault(key, _person(element))
    elif name == "site":
        header.sites.setdefault(key, element)
    elif name == "mix":
        header.mixes.setdefault(key, []).append(element)
    elif name == "tank":
        header.tanks.setdefault(key, element)


def _person(element: Element) -> str:
    names = (_text(element, f"personal/{part}") for part in ("firstname", "middlename", "lastname"))
    return plain(" ".join(names))


def _text(element: Element, path: str) -> str:
    return plain(element.findtext(path) or "")


def _number(element: Element, path: str, what: str) -> float | None:
    """The number of an element below, None where there is none."""
    found = element.find(path)
    return None if found is None else _value(found, what)


def _value(element: Element, what: str) -> float | None:
    text = element.text
    if text is None or not text.strip():
        return None
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or "_" in text:
        raise Broken(f"has a {what} of {shown(text.strip())}, which is not a number")
    return value


def _links(element: Element) -> list[str]:
    return [link.get("ref", "") for link in element.findall("link")]


@dataclass
class _Cylinder:
    """A tankdata element, or a mix that is breathed without one."""

    element: Element | None
    mix: str = ""
    name: str = ""
    size_m3: float | None = None
    refs: frozenset[str] = frozenset()
    """Ids that mean it where a pressure or a gas is referred to."""


def _dive(element: Element, header: Header) -> Dived:
    before = element.find("informationbeforedive")
    if before is None:
        raise Broken("has no informationbeforedive, so nothing says when it began")
    waypoints = element.findall("samples/waypoint")
    if not waypoints:
        raise Broken("has no samples; a dive is its times and depths")
    links = _links(before)
    cylinders = _cylinders(element, links, waypoints, header)
    units = _Units.of(element, waypoints, header.ours)
    added = _added(element) if header.ours else frozenset()
    samples, changes = _run(waypoints, cylinders, units, added)
    _check_told(element, samples)
    carried = tuple(_carried(cylinder, units, header) for cylinder in cylinders)
    site = next((header.sites[ref] for ref in links if ref in header.sites), None)
    own = element.find("applicationdata/leadline") if header.ours else None
    title = _text(site, "name") if site is not None else ""
    profile = profile_of(samples, len(carried))
    return checked(
        Dived(
            began=_began(before),
            profile=profile,
            cylinders=carried,
            breathed=breathed_of(changes, samples[-1].time_s),
            title=title,
            diver=header.owner if own is None or own.find("diver") is None else _text(own, "diver"),
            altitude_m=_altitude(before, site),
            water=_water(site),
            notes=_notes(element, [header.buddies[ref] for ref in links if header.buddies.get(ref)]),
            plan=_plan(own),
        )
    )


def _began(before: Element) -> Any:
    text = _text(before, "datetime")
    if not text:
        raise Broken("does not say when it began; datetime is missing")
    try:
        return began_of(text)
    except ValueError:
        raise Broken(f"began at {shown(text)}, which is no date and time; right is 2026-05-31T10:20:00") from None


def _mix(key: str, header: Header) -> Mix:
    """A mix by its id. Fractions; percent where nothing else can be meant."""
    elements = header.mixes[key]
    if len(elements) > 1:
        raise Broken(f"breathes mix {shown(key)}, and the file has {len(elements)} mixes of that name")
    element = elements[0]
    given = {
        gas: _number(element, gas, f"fraction of {gas} in mix {shown(key)}") for gas in ("o2", "n2", "he", "ar", "h2")
    }
    found = {gas: value for gas, value in given.items() if value is not None}
    if any(found.get(gas, 0.0) > 0.01 for gas in ("ar", "h2")):  # air has 0.009 of argon
        raise Broken(f"breathes mix {shown(key)} with argon or hydrogen, for which there are no tables")
    if any(value > 1.0 for value in found.values()):
        # Above 5 no fraction can be meant, and under 1 no percentage.
        if max(found.values()) <= 5.0 or any(0.0 < value < 1.0 for value in found.values()):
            raise Broken(f"breathes mix {shown(key)} with a fraction over 1; oxygen of 32 % is 0.32")
        found = {gas: value / 100.0 for gas, value in found.items()}
    n2, he = found.get("n2"), found.get("he")
    o2 = found.get("o2")
    if o2 is None:
        if n2 is None or he is None:
            raise Broken(f"breathes mix {shown(key)}, and its oxygen is not given")
        o2 = 1.0 - n2 - he
    name = _text(element, "name")
    named = _named(name)
    if he is None and n2 is None and named is not None and named.he > 0.0 and abs(named.o2 - o2) < 0.0015:
        raise Broken(f"breathes mix {shown(key)}, called {shown(name)}, and its helium is not given")
    he = he or 0.0
    whole = 1.0 if n2 is None else o2 + he + n2
    if abs(whole - 1.0) > 0.015:
        raise Broken(f"breathes mix {shown(key)}, and its parts add up to {100.0 * whole:.4g} %")
    try:
        return Mix(o2, he, _label(name, o2, he))
    except ValueError as error:
        raise Broken(f"breathes mix {shown(key)}: {error}") from None


def _label(name: str, o2: float, he: float) -> str:
    """A mix's name if it is a gas as divers write it, and the same one."""
    named = _named(name)
    alike = named is not None and abs(named.o2 - o2) < 0.0015 and abs(named.he - he) < 0.0015
    return named.label if named is not None and alike else ""


def _named(name: str) -> Mix | None:
    try:
        return Mix.parse(name)
    except ValueError:
        return None


def _cylinders(dive: Element, links: Sequence[str], waypoints: Sequence[Element], header: Header) -> list[_Cylinder]:
    """Those with data of their own, and a nameless one for each other gas that is breathed."""
    found: list[_Cylinder] = []
    for element in dive.findall("tankdata"):
        refs = _links(element)
        mix = next((ref for ref in refs if ref in header.mixes), "")
        tank = next((header.tanks[ref] for ref in refs if ref in header.tanks), None)
        name = _text(tank, "name") if tank is not None else ""
        size = _number(element, "tankvolume", "tank volume")
        if size is None and tank is not None:
            size = _number(tank, "tankvolume", "tank volume")
        found.append(_Cylinder(element, mix, name, size, frozenset([element.get("id", ""), *refs]) - {""}))
    switched = [one.get("ref", "") for waypoint in waypoints for one in waypoint.findall("switchmix")]
    linked = [ref for ref in links if ref in header.mixes]
    if len(found) == 1 and not found[0].mix and len({*switched, *linked}) == 1:
        found[0].mix = next(iter({*switched, *linked}))
        found[0].refs |= {found[0].mix}
    for ref in dict.fromkeys([*switched, *linked]):
        if ref in header.mixes and not any(ref in cylinder.refs for cylinder in found):
            found.append(_Cylinder(None, ref, refs=frozenset([ref])))
    for i, cylinder in enumerate(found, 1):
        if cylinder.mix not in header.mixes:
            raise Broken(f"has cylinder {i} without a mix, so nothing says what is in it")
    if not found:
        raise Broken("has no gas: neither tank nor mix says what was breathed, and it is never taken for air")
    return found


def _carried(cylinder: _Cylinder, units: _Units, header: Header) -> CylinderCarried:
    mix = _mix(cylinder.mix, header)
    size_l = None
    if cylinder.size_m3 is not None:
        if 0.3 < cylinder.size_m3 < 0.5:
            raise Broken(f"has a tank volume of {cylinder.size_m3:g}; 24 L is 0.024 m³")
        # Nothing of half a cubic metre is carried: litres are meant.
        litres = cylinder.size_m3 if cylinder.size_m3 >= 0.5 and not header.ours else 1000.0 * cylinder.size_m3
        size_l = round(litres, 6) or None
    element = cylinder.element
    bar: list[float | None] = []
    for name in ("tankpressurebegin", "tankpressureend"):
        pressure = None if element is None else _number(element, name, "tank pressure")
        bar.append(None if pressure is None else units.pressure(pressure))
    return CylinderCarried(cylinder.name or mix.name, mix, size_l, *bar)


@dataclass(frozen=True)
class _Units:
    """Factors to bar and °C: those of the standard, or those that a dive's numbers unmistakably are in."""

    tank_bar: float
    ppo2_bar: float
    kelvin: bool

    @classmethod
    def of(cls, dive: Element, waypoints: Sequence[Element], ours: bool) -> _Units:
        """From the largest values of a dive. Broken where they can be neither."""
        if ours:
            return cls(_PASCAL_BAR, _PASCAL_BAR, True)
        by_name: dict[str, list[Element]] = {name: [] for name in _IN_UNITS}
        for waypoint in waypoints:
            for child in waypoint:
                if (found := by_name.get(str(child.tag))) is not None:
                    found.append(child)
        tanks = by_name["tankpressure"]
        tanks += [one for path in ("tankpressurebegin", "tankpressureend") for one in dive.findall(f"tankdata/{path}")]
        pressures = [value for value in _values(tanks, "tank pressure") if value]
        tank_bar = _bar(pressures, 1.0, 500.0, 1e5)
        if tank_bar is None:
            said = f"has tank pressures from {min(pressures):g} to {max(pressures):g}"
            raise Broken(f"{said}; they are in pascals, 200 bar is 20000000")
        oxygen = [value for value in _values(by_name["setpo2"] + by_name["measuredpo2"], "ppO2") if value]
        ppo2_bar = _bar(oxygen, 0.1, 10.0, 1e4)
        if ppo2_bar is None:
            said = f"has a ppO2 from {min(oxygen):g} to {max(oxygen):g}"
            raise Broken(f"{said}; it is in pascals, 1.3 bar is 130000")
        warm = _values(by_name["temperature"], "temperature")
        kelvin = not warm or min(warm) >= 250.0
        # 28 °F is below freezing even in the sea.
        if not kelvin and not (max(warm) <= 28.0 and min(warm) >= -5.0):
            raise Broken(f"has temperatures from {min(warm):g} to {max(warm):g}; they are in kelvin, 10 °C is 283.15")
        return cls(tank_bar, ppo2_bar, kelvin)

    def pressure(self, value: float) -> float:
        """In a cylinder. [bar]"""
        return _scaled(value, self.tank_bar)

    def ppo2(self, value: float) -> float:
        """Of oxygen. [bar]"""
        return _scaled(value, self.ppo2_bar)

    def temperature(self, value: float | None) -> float | None:
        """Of the water. [°C]"""
        return value if value is None or not self.kelvin else round(value - _ZERO_C_K, 6)


def _bar(values: Sequence[float], low: float, high: float, pascal: float) -> float | None:
    """The factor to bar, known by the largest of a dive's values: `low` to `high` bar, or from `pascal` on with none
    among them that could be bar. None where it is neither."""
    if not values or (max(values) >= pascal and min(values) > high):
        return _PASCAL_BAR
    return 1.0 if low <= max(values) <= high else None


def _scaled(value: float, factor: float) -> float:
    return value if factor == 1.0 else value / 1e5


def _values(elements: Sequence[Element], what: str) -> list[float]:
    return [value for one in elements if (value := _value(one, what)) is not None]


def _added(dive: Element) -> frozenset[float]:
    """Times of waypoints that stand for a change of gas alone. [s]"""
    text = dive.findtext("applicationdata/leadline/added") or ""
    return frozenset(float(one) for one in text.split() if _NUMBER.match(one))


def _run(
    waypoints: Sequence[Element], cylinders: Sequence[_Cylinder], units: _Units, added: frozenset[float]
) -> tuple[list[Sample], list[RecordedChange]]:
    """Samples and changes in order. What was breathed is known once a gas is, and on the loop a setpoint."""
    samples: list[Sample] = []
    changes: list[RecordedChange] = []
    cylinder = 0 if len(cylinders) == 1 else None
    mode, setpoint, before_s = "", None, 0.0
    for number, waypoint in enumerate(waypoints, 1):
        time_s = depth_m = warm = None
        cells: list[float] = []
        pressures: dict[int, float] = {}
        for child in waypoint:
            name = child.tag
            if name == "divetime":
                time_s = _value(child, name)
            elif name == "depth":
                depth_m = _value(child, name)
            elif name == "temperature":
                warm = _value(child, name)
            elif name == "tankpressure" and (pressure := _value(child, name)) is not None:
                pressures[_referred(child, cylinders, "has a tank pressure")] = units.pressure(pressure)
            elif name == "measuredpo2" and (ppo2 := _value(child, name)) is not None:
                cells.append(units.ppo2(ppo2))
            elif name == "setpo2" and (ppo2 := _value(child, name)) is not None:
                setpoint = units.ppo2(ppo2)
            elif name == "switchmix":
                cylinder = _referred(child, cylinders, f"breathes at sample {number}")
            elif name == "divemode":
                mode = _mode(child)
        if time_s is None:
            raise Broken(f"has sample {number} without divetime")
        if time_s < before_s:
            raise Broken(f"goes back in time at sample {number} ({time_s:g} s after {before_s:g} s)")
        before_s = time_s
        loop = mode == "closedcircuit" or (not mode and bool(setpoint))
        if loop and setpoint is None:
            if time_s > LATEST_START_S:
                raise Broken("is dived on a loop, and no setpo2 is given")
        elif cylinder is not None:
            changes.append(RecordedChange(time_s, cylinder, setpoint if loop else None))
        if depth_m is not None and time_s not in added:
            # Of three cells the middle one: an odd one is outvoted.
            ppo2_bar = median_low(cells) if cells else None
            samples.append(Sample(time_s, depth_m, ppo2_bar, units.temperature(warm), pressures))
    if not samples:
        raise Broken("has no sample with a depth")
    if not changes:
        said = (
            "has several cylinders and no switchmix"
            if cylinder is None
            else "is dived on a loop, and no setpo2 is given"
        )
        raise Broken(said)
    return samples, changes


def _mode(element: Element) -> str:
    mode = (element.get("type") or element.text or "").strip().lower()
    if mode in ("opencircuit", "closedcircuit"):
        return mode
    if mode == "semiclosedcircuit":
        raise Broken("is dived on a semi-closed loop, and what was in it is not known")
    if mode in ("apnoe", "apnea"):
        raise Broken("is a breath-hold dive")
    raise Broken(f"is dived in the mode {shown(mode)}; opencircuit and closedcircuit are read")


def _referred(element: Element, cylinders: Sequence[_Cylinder], what: str) -> int:
    """The cylinder that an element refers to: of its data, its tank or its mix. The first of several with that."""
    ref = element.get("ref", "")
    if not ref and len(cylinders) == 1:
        return 0
    found = next((i for i, cylinder in enumerate(cylinders) if ref in cylinder.refs), None)
    if found is None:
        raise Broken(f"{what} of {shown(ref)}, which the file does not have" if ref else f"{what} of no named cylinder")
    return found


def _check_told(dive: Element, samples: Sequence[Sample]) -> None:
    """The samples against the depth and the time that are told of the dive: far apart if one is in other units."""
    told_m = _number(dive, "informationafterdive/greatestdepth", "greatestdepth")
    deepest = max(sample.depth_m for sample in samples)
    if told_m and not told_m / 1.5 - 2.0 <= deepest <= 1.5 * told_m + 2.0:
        raise Broken(f"has samples down to {deepest:g} m, and {told_m:g} m is told as its greatest depth")
    told_s = _number(dive, "informationafterdive/diveduration", "diveduration")
    last = samples[-1].time_s
    # A record can go on for a while at the surface.
    if told_s and not told_s / 3.0 - 120.0 <= last <= 3.0 * told_s + 1800.0:
        raise Broken(f"has samples up to {last:g} s, and {told_s:g} s is told as its duration")


def _altitude(before: Element, site: Element | None) -> float:
    """Of the dive, by its air pressure, or of the site; 0 where none is told. [m]"""
    if (altitude := _number(before, "altitude", "altitude")) is not None:
        return altitude
    if pascal := _number(before, "surfacepressure", "surface pressure"):
        if not surface_pressure(6000.0) <= pascal * _PASCAL_BAR <= surface_pressure(-430.0):
            raise Broken(f"has a surface pressure of {pascal:g}; it is in pascals, at the sea 101325")
        return _height(pascal * _PASCAL_BAR)
    altitude = None if site is None else _number(site, "geography/altitude", "altitude")
    return altitude or 0.0


def _height(bar: float) -> float:
    """The altitude of an air pressure; what the weather makes of it is no altitude. [m]"""
    if abs(bar - SEA_LEVEL_BAR) < 0.035:
        return 0.0
    low, high = -500.0, 11_000.0
    while high - low > 0.01:
        middle = (low + high) / 2.0
        low, high = (middle, high) if surface_pressure(middle) > bar else (low, middle)
    return float(round(low))


def _water(site: Element | None) -> str | float:
    density = None if site is None else _number(site, "sitedata/density", "density")
    if density is None:
        return "en13319"
    return next((name for name, known in WATER_KG_M3.items() if known == density), density)


def _notes(dive: Element, buddies: Sequence[str]) -> str:
    notes = dive.find("informationafterdive/notes")
    lines = [] if notes is None else [line for para in notes.findall("para") for line in lines_of(para.text or "")]
    if not lines and notes is not None and (notes.text or "").strip():
        lines = lines_of((notes.text or "").strip())
    return "\n".join([f"With {' and '.join(buddies)}."] * bool(buddies) + lines)


def _plan(own: Element | None) -> KeptPlan | None:
    plan = None if own is None else own.find("plan")
    return None if plan is None else KeptPlan(plain(plan.get("file", "")), plan.text or "")
