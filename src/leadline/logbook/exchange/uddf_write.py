"""Writes dives as UDDF 3.2, the Universal Dive Data Format.

Names, order and units of its elements are from memory of the UDDF 3.2 documentation. What has no place there is in
`applicationdata`; docs/exchange.md says what that is, and what is lost.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import timedelta
from typing import Any
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from leadline import __version__
from leadline.logbook.dived import Dived, GasBreathed, Profile
from leadline.logbook.exchange.recorded import decimal, lines_of, plain, printable, seconds, told
from leadline.logbook.exchange.uddf_read import GENERATOR
from leadline.physics.environment import WATER_KG_M3
from leadline.physics.mix import Mix

NAMESPACE = "http://www.streit.cc/uddf/3.2/"
_REPETITIVE = timedelta(hours=48)
"""Tissues are taken to be at rest after it (common practice, no source); a later dive begins a group of its own."""


def uddf(dives: Sequence[Dived]) -> bytes:
    """A UDDF document of dives, in their order. The same dives give the same bytes."""
    mixes, tanks, sites = _Ids("mix"), _Ids("tank"), _Ids("site")
    owner = plain(dives[0].diver) if dives else ""
    groups: list[list[str]] = []
    before: Dived | None = None
    for number, dived in enumerate(dives, 1):
        interval = _interval(before, dived)
        if interval is None:
            groups.append([])
        groups[-1].append(_dive(dived, number, interval, owner, mixes, tanks, sites))
        before = dived
    first, _, last = owner.rpartition(" ")
    personal = _tag("personal", _tag("firstname", _text(first or last)), _tag("lastname", _text(last if first else "")))
    carried = [_tag("tank", _tag("name", _text(name)), _size(size), id=key) for key, (name, size) in tanks.of()]
    document = _block(
        "uddf",
        _block("generator", _tag("name", GENERATOR), _tag("type", "logbook"), _tag("version", __version__)),
        _block("diver", _block("owner", personal, _block("equipment", *carried) if carried else "", id="owner")),
        _block("divesite", *(_site(key, *site) for key, site in sites.of())),
        _block("gasdefinitions", *(_mix(key, mix, label) for key, (mix, label, _) in mixes.of())),
        _block(
            "profiledata",
            *(_block("repetitiongroup", *group, id=f"group-{i}") for i, group in enumerate(groups, 1)),
        ),
        version="3.2.0",
        xmlns=NAMESPACE,
    )
    return f'<?xml version="1.0" encoding="utf-8"?>\n{document}\n'.encode()


class _Ids:
    """An id for each different thing that dives refer to."""

    def __init__(self, kind: str) -> None:
        self._kind = kind
        self._known: dict[tuple[Any, ...], str] = {}

    def __call__(self, *thing: object) -> str:
        return self._known.setdefault(thing, f"{self._kind}-{len(self._known) + 1}")

    def of(self) -> Iterable[tuple[str, tuple[Any, ...]]]:
        return [(key, thing) for thing, key in self._known.items()]


def _dive(
    dived: Dived, number: int, interval: timedelta | None, owner: str, mixes: _Ids, tanks: _Ids, sites: _Ids
) -> str:
    title, water = plain(dived.title), dived.water
    has_site = bool(title) or water != "en13319"
    links = [_tag("link", ref=sites(title, water, dived.altitude_m))] if has_site else []
    mix_ids: list[str] = []
    for i, cylinder in enumerate(dived.cylinders):
        # A mix of its own for each cylinder of a dive: a change to a mix then says which cylinder.
        alike = sum(one.mix == cylinder.mix and one.mix.label == cylinder.mix.label for one in dived.cylinders[:i])
        mix_ids.append(mixes(cylinder.mix, cylinder.mix.label, alike))
    tank_ids = [tanks(plain(cylinder.name), cylinder.size_l) for cylinder in dived.cylinders]
    data_ids = [f"cylinder-{number}-{i}" for i in range(1, len(dived.cylinders) + 1)]
    breathed = told(dived.breathed, dived.run_time_min)
    added = _added(dived.profile, breathed)
    before = _block(
        "informationbeforedive",
        *links,
        _tag("divenumber", str(number)),
        _tag("datetime", dived.began.isoformat()),
        _tag("altitude", decimal(dived.altitude_m, 3)),
        ""
        if interval is None
        else _tag("surfaceintervalbeforedive", _tag("passedtime", decimal(interval.total_seconds(), 3))),
    )
    data = [
        _tag(
            "tankdata",
            _tag("link", ref=mix),
            _tag("link", ref=tank),
            _size(cylinder.size_l),
            _pressure("tankpressurebegin", cylinder.start_bar),
            _pressure("tankpressureend", cylinder.end_bar),
            id=key,
        )
        for key, mix, tank, cylinder in zip(data_ids, mix_ids, tank_ids, dived.cylinders, strict=True)
    ]
    after = _block(
        "informationafterdive",
        _tag("greatestdepth", decimal(dived.deepest_m, 3)),
        _tag("diveduration", seconds(dived.run_time_min)),
        _block("notes", *(_tag("para", _text(line)) for line in lines_of(dived.notes))) if dived.notes else "",
    )
    samples = _block("samples", *_waypoints(dived.profile, breathed, added, mix_ids, data_ids))
    return _block("dive", before, _own(dived, owner, added), *data, samples, after, id=f"dive-{number}")


def _own(dived: Dived, owner: str, added: list[str]) -> str:
    """What the standard has no place for."""
    diver = plain(dived.diver)
    own = [
        _tag("added", " ".join(added)) if added else "",
        _tag("diver", _text(diver)) if diver != owner else "",
        _tag("plan", _text(dived.plan.text), file=plain(dived.plan.file)) if dived.plan else "",
    ]
    return _block("applicationdata", _block("leadline", *own)) if any(own) else ""


def _added(profile: Profile, breathed: Sequence[GasBreathed]) -> list[str]:
    """Moments without a sample at which the gas changes, as they are written. [s]"""
    sampled = {seconds(minute) for minute in profile.run_time_min}
    return [at for one in breathed if (at := seconds(one.run_time_min)) not in sampled]


def _waypoints(
    profile: Profile, breathed: Sequence[GasBreathed], added: list[str], mixes: list[str], cylinders: list[str]
) -> Iterable[str]:
    """One for each sample, and one, at the depth between, for each change of gas that has none."""
    changes = {
        seconds(one.run_time_min): (before, one) for before, one in zip((None, *breathed), breathed, strict=False)
    }
    times = [seconds(minute) for minute in profile.run_time_min]
    depths_m = dict(zip(added, _depths_at(profile, times, added), strict=True))
    rows: list[tuple[str, int | None]] = [*((at, i) for i, at in enumerate(times)), *((at, None) for at in added)]
    for at, i in sorted(rows, key=lambda row: float(row[0])):
        depth_m = depths_m[at] if i is None else profile.depth_m[i]
        now = changes.pop(at, None)
        mode, setpoint, switch = _change(*now, mixes) if now else ("", "", "")
        pressures = [] if i is None else zip(cylinders, profile.pressure_bar, strict=False)
        yield _tag(
            "waypoint",
            _tag("depth", decimal(depth_m, 3)),
            mode,
            _tag("divetime", at),
            _pressure("measuredpo2", _at(profile.ppo2_bar, i)),
            setpoint,
            switch,
            *(_pressure("tankpressure", _at(column, i), ref=ref) for ref, column in pressures),
            _kelvin(_at(profile.temperature_c, i)),
        )


def _depths_at(profile: Profile, times: Sequence[str], moments: Sequence[str]) -> list[float]:
    """Between the samples. Made of the times as they are written, so that reading and writing changes nothing. [m]"""
    depths = np.interp([float(at) for at in moments], [float(at) for at in times], profile.depth_m)
    return [float(depth) for depth in depths]


def _change(before: GasBreathed | None, now: GasBreathed, mixes: list[str]) -> tuple[str, str, str]:
    """What a waypoint says of a change: mode, setpoint, gas."""
    loop = now.setpoint_bar is not None
    was_loop = before is not None and before.setpoint_bar is not None
    mode = "closedcircuit" if loop else "opencircuit"
    return (
        _tag("divemode", type=mode) if before is None or loop != was_loop else "",
        _pressure("setpo2", now.setpoint_bar),
        _tag("switchmix", ref=mixes[now.cylinder]) if before is None or before.cylinder != now.cylinder else "",
    )


def _depth_at(profile: Profile, minute: float) -> float:
    times, depths = profile.run_time_min, profile.depth_m
    i = next(i for i, time in enumerate(times) if time > minute)
    return depths[i - 1] + (depths[i] - depths[i - 1]) * (minute - times[i - 1]) / (times[i] - times[i - 1])


def _interval(before: Dived | None, dived: Dived) -> timedelta | None:
    """The surface interval since the dive before in the file, if it is the same diver's and tissues remember it."""
    if before is None or plain(before.diver) != plain(dived.diver):
        return None
    interval = dived.began - before.began - timedelta(minutes=before.run_time_min)
    return interval if timedelta(0) <= interval <= _REPETITIVE else None


def _mix(key: str, mix: Mix, label: str) -> str:
    return _tag(
        "mix",
        _tag("name", _text(label)),
        _tag("o2", repr(mix.o2)),
        _tag("n2", repr(round(mix.n2, 9))),
        _tag("he", repr(mix.he)),
        id=key,
    )


def _site(key: str, name: str, water: str | float, altitude_m: float) -> str:
    density = WATER_KG_M3.get(water) if isinstance(water, str) else water
    return _block(
        "site",
        _tag("name", _text(name)),
        _tag("geography", _tag("altitude", decimal(altitude_m, 3))),
        _tag("sitedata", _tag("density", repr(density))) if density else "",
        id=key,
    )


def _at(column: Sequence[float | None], i: int | None) -> float | None:
    return column[i] if column and i is not None else None


def _pressure(name: str, bar: float | None, **attributes: str) -> str:
    """[Pa]"""
    return "" if bar is None else _tag(name, decimal(bar * 1e5, 0), **attributes)


def _kelvin(celsius: float | None) -> str:
    return "" if celsius is None else _tag("temperature", decimal(celsius + 273.15, 3))


def _size(litres: float | None) -> str:
    """[m³]"""
    return "" if litres is None else _tag("tankvolume", decimal(litres / 1000.0, 9))


def _text(text: str) -> str:
    return escape(printable(text), {"\r": "&#13;"})


def _tag(name: str, *content: str, **attributes: str) -> str:
    """An element on one line; its content is markup."""
    inside = "".join(content)
    begin = name + "".join(f" {key}={quoteattr(value)}" for key, value in attributes.items())
    return f"<{begin}>{inside}</{name}>" if inside else f"<{begin}/>"


def _block(name: str, *content: str, **attributes: str) -> str:
    """An element with one child a line."""
    return _tag(name, *(f"\n{child}" for child in content if child), "\n", **attributes)
