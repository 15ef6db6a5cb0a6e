"""The frontier of each limit: bottom time against depth."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

from leadline.dive_file.schema import Dive
from leadline.solve.bottom import MOST_M, Bottoms, bottom_time
from leadline.solve.verdict import Told, Verdict, halved
from leadline.units import SYSTEMS

Group = tuple[str, str]
"""A limit of whichever diver and contingency: its code, and its gas or other subject."""


@dataclass(frozen=True)
class FrontierPoint:
    """How long a limit lets one stay at a depth."""

    depth_m: float
    holds_to_min: int | None
    """The last minute at which it is not broken; None: it is broken at every bottom time."""
    beyond: bool
    """Whether it is not broken within the times looked at: `holds_to_min` is then the last of them."""
    contingency: str
    """The kind of contingency that breaks it at the next minute; empty for the plan itself."""
    diver: str
    """Whose; empty without a team."""


@dataclass(frozen=True)
class Curve:
    """Bottom time against depth at which one limit is met, by the plan or contingency of whichever diver is first."""

    code: str
    subject: str
    name: str
    """With the diver and contingency that break it nearest to the dive's own depth."""
    points: tuple[FrontierPoint, ...]


@dataclass(frozen=True)
class Frontier:
    """The frontier of each limit around a dive."""

    dive: Dive
    depth_m: float
    bottom_min: int
    holds: bool | None
    """Whether the dive as given holds."""
    most_min: int
    """The longest bottom time looked at."""
    curves: tuple[Curve, ...]
    """The tightest first."""
    complete: bool
    tried: int


AROUND_M = 15.0
AROUND_FEET = 50.0
SHALLOWEST_M = 9.0


def limits_frontier(
    dive: Dive, source: str = "dive", told: Told | None = None, tried: Bottoms | None = None
) -> Frontier:
    """The longest bottom time within each limit, at depths a stop step apart around the dive's own.

    At every depth each limit is found by halving between a time at which it is not broken and one at which it is; both
    minutes of the answer are planned. Where a limit lets no time pass at one depth but some at the one before, the
    depth between is found to the metre or foot.
    """
    tried = tried if tried is not None else Bottoms(dive, source, told)
    depth_m, minutes = dive.deepest_m, bottom_time(dive)
    most = 10 * math.ceil(max(2.5 * minutes, minutes + 20.0) / 10.0)
    columns: dict[float, dict[Group, FrontierPoint]] = {}
    complete = True
    try:
        for at_m in _depths_around(dive):
            columns[at_m] = _limits_at(tried, at_m, most)
        _sharpen(tried, columns, most)
    except KeyboardInterrupt:
        complete = False
    groups = list(dict.fromkeys(group for column in columns.values() for group in column))
    curves = []
    for group in groups:
        points = tuple(
            columns[at_m].get(group, FrontierPoint(at_m, most, True, "", "")) for at_m in sorted(columns)
        )  # fmt: skip
        curves.append(_curve(tried, group, points, depth_m))
    curves.sort(key=lambda curve: sum(-1 if p.holds_to_min is None else p.holds_to_min for p in curve.points))
    own = tried.verdicts.get((round(depth_m, 4), minutes))
    if own is None and complete:
        own = tried.at(depth_m, minutes)
    holds = own.holds if own is not None else None
    return Frontier(dive, depth_m, minutes, holds, most, tuple(curves), complete, len(tried.verdicts))


def _depths_around(dive: Dive) -> list[float]:
    """Depths a stop step apart, two for a team, the dive's own among them."""
    imperial = dive.units == "imperial"
    unit_m = SYSTEMS[dive.units].depth_m
    around, step = (AROUND_FEET * unit_m, 10.0 * unit_m) if imperial else (AROUND_M, 3.0)
    others_m = [level.depth for level in dive.levels if level.depth < dive.deepest_m]
    low = max([SHALLOWEST_M, dive.deepest_m - around, *others_m])
    if len(dive.team) > 1:  # each dive is planned for everyone
        step *= 2.0
    steps = math.floor(around / step + 1e-6)
    depths = {dive.deepest_m + i * step for i in range(-steps, steps + 1)}
    return sorted(depth_m for depth_m in depths if low - 1e-6 <= depth_m <= MOST_M or depth_m == dive.deepest_m)


def _groups(found: Verdict) -> dict[Group, tuple[str, str]]:
    """The limits broken, each with the kind of the first contingency that breaks it, and whose it is."""
    groups: dict[Group, tuple[str, str]] = {}
    for limit in found.limits:
        groups.setdefault(limit.group[1:], (limit.contingency, limit.diver))
    return groups


def _limits_at(tried: Bottoms, depth_m: float, most: int) -> dict[Group, FrontierPoint]:
    """How long each limit lets one stay at a depth."""
    low = min(tried.shortest(depth_m), most)
    seen = {low: _groups(tried.at(depth_m, low)), most: _groups(tried.at(depth_m, most))}

    def broken(group: Group, minutes: int) -> bool:
        if minutes not in seen:
            seen[minutes] = _groups(tried.at(depth_m, minutes))
        return group in seen[minutes]

    found: dict[Group, FrontierPoint] = {}
    while True:
        groups = {group for at in seen.values() for group in at} - set(found)
        if not groups:
            return found
        for group in sorted(groups):
            if group in seen[low]:
                found[group] = FrontierPoint(depth_m, None, False, *seen[low][group])
                continue
            high = min(minutes for minutes, at in seen.items() if group in at)
            known = max(minutes for minutes, at in seen.items() if minutes < high and group not in at)
            last = halved(lambda minutes, group=group: not broken(group, minutes), known, high)  # type: ignore[misc]
            found[group] = FrontierPoint(depth_m, last, False, *seen[last + 1][group])
            # A dive that cannot be planned hides its other limits: look for them at the last one that can.
            if group[0] == "refused":
                broken(group, last)


def _sharpen(tried: Bottoms, columns: dict[float, dict[Group, FrontierPoint]], most: int) -> None:
    """Depths, to the metre or foot, at which a limit begins to let no time pass, on both sides."""
    unit_m = SYSTEMS[tried.dive.units].depth_m
    depths = sorted(columns)
    wanted: set[float] = set()
    for shallow_m, deep_m in pairwise(depths):
        for group, point in columns[deep_m].items():
            if point.holds_to_min is not None:
                continue
            above = columns[shallow_m].get(group)
            if above is not None and above.holds_to_min is None:
                continue

            def passes(n: int, shallow_m: float = shallow_m, group: Group = group) -> bool:
                at_m = shallow_m + n * unit_m
                return group not in _groups(tried.at(at_m, min(tried.shortest(at_m), most)))

            last = halved(passes, 0, math.ceil((deep_m - shallow_m) / unit_m - 1e-6))
            wanted |= {shallow_m + last * unit_m, min(deep_m, shallow_m + (last + 1) * unit_m)}
    for at_m in sorted(wanted):
        if not any(abs(at_m - depth_m) < 1e-6 for depth_m in depths):
            columns[at_m] = _limits_at(tried, at_m, most)


def _curve(tried: Bottoms, group: Group, points: tuple[FrontierPoint, ...], depth_m: float) -> Curve:
    """A curve, named after the contingency that breaks it nearest to a depth."""
    met = [point for point in points if not point.beyond]
    nearest = min(met, key=lambda point: abs(point.depth_m - depth_m))
    limits = [limit for found in tried.verdicts.values() for limit in found.limits if limit.group[1:] == group]
    own = [limit for limit in limits if limit.diver == nearest.diver and limit.contingency == nearest.contingency]
    name = (f"{nearest.diver}: " if nearest.diver else "") + own[0].what
    if nearest.contingency:
        name += f", {nearest.contingency}"
    return Curve(group[0], own[0].subject, name, points)
