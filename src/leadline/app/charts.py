"""The pictures of a plan, as options for ECharts, and what the cursor reads out at every point of the track.

Gases are told apart by the pattern of their line and by their name as well as by colour. Hues of Okabe and Ito,
Color Universal Design, 2008, safe for colour-blind eyes; darkened by day until each stands out from the paper.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from leadline.logbook.debrief.against_plan import Debrief
from leadline.logbook.dived import Dived, GasBreathed, Profile
from leadline.plan import Plan
from leadline.plan.breathing import HYPOXIC_CAUTION_BAR
from leadline.plan.contingency import Contingency
from leadline.plan.schedule import Leg
from leadline.solve import Frontier
from leadline.solve.frontier import Curve
from leadline.tissue import kernel
from leadline.tissue.loading import compartments, weighted
from leadline.units import SYSTEMS, System

Options = dict[str, Any]


@dataclass(frozen=True)
class Palette:
    """The colours of a theme: everything that is read has a contrast of 4.5 to the paper, every line one of 3."""

    ink: str
    soft: str
    rule: str
    paper: str
    shade: str
    """Over the ceiling."""
    laid_over: str
    lines: tuple[str, ...]


DAY = Palette(
    "#1c2b33", "#55626a", "#d9d2bf", "#f5f1e6", "#8a8577", "#6b4f9e",
    ("#0072B2", "#B34A00", "#007A59", "#A8487F", "#8F6100", "#2B6E94"),
)  # fmt: skip
NIGHT = Palette(
    "#e8a49a", "#b57d74", "#3a201d", "#0b0606", "#7a4a42", "#c9a3e8",
    ("#56B4E9", "#E07B2E", "#22B087", "#D98BB6", "#E69F00", "#F0E442"),
)  # fmt: skip
PATTERNS = ("solid", "dashed", "dotted", [12, 4, 2, 4], [2, 6], [16, 6])
MOST_CURVES = 12
_APART = {"moveOverlap": "shiftY"}
MOST_NDL_MIN = 99
"""A longer NDL is drawn as this."""

_GRIDS = (("depth", 20, 300), ("time", 360, 100), ("ppO2", 500, 100), ("gas", 640, 120))
"""Name, top and height of each picture, one below the other. [px]"""
HEIGHT_PX = 800


def source_names(plan: Plan) -> list[str]:
    """What is breathed, in the order of the dive."""
    return list(dict.fromkeys(leg.source.name for leg in plan.schedule.legs))


def style(names: Sequence[str], name: str, colours: Palette = DAY) -> Options:
    """The line of a gas: colour and pattern."""
    i = names.index(name)
    return {"color": colours.lines[i % 6], "type": PATTERNS[i % 6], "width": 3 if i < 6 else 5}


def dive_chart(plan: Plan, shown: Iterable[Contingency] = (), colours: Palette = DAY) -> Options:
    """Depth with ceiling and gas, TTS and NDL, ppO2 with its limits, gas left: over one run time, with one cursor."""
    system, schedule = SYSTEMS[plan.dive.units], plan.schedule
    shown = list(shown)
    end_min = max([schedule.run_time_min, *(c.run_time_min for c in shown)])
    return {
        **base(colours),
        "axisPointer": {"link": [{"xAxisIndex": "all"}], "snap": False},
        "tooltip": {
            "trigger": "axis", "showContent": False,
            "axisPointer": {"type": "line", "lineStyle": {"color": colours.ink, "width": 1.5}},
        },
        "grid": [{"left": 56, "right": 20, "top": top, "height": height} for _, top, height in _GRIDS],
        "xAxis": [
            {
                "type": "value", "gridIndex": i, "min": 0, "max": math.ceil(end_min), **axis(colours),
                "splitLine": {"show": i == 0, "lineStyle": {"color": colours.rule}},
                "name": "run time, min" if i + 1 == len(_GRIDS) else "", "nameLocation": "middle", "nameGap": 26,
            }
            for i in range(len(_GRIDS))
        ],
        "yAxis": _y_axes(plan, system, shown, colours),
        "series": [
            *_ceiling(plan, system, colours),
            *_profile(plan, system, colours),
            *_contingencies(shown, system, colours),
            *_times(plan, colours),
            *_ppo2(plan, colours),
            *_gas(plan, system, colours),
        ],
    }  # fmt: skip


def base(colours: Palette) -> Options:
    """How every picture looks."""
    return {"animation": False, "backgroundColor": "transparent", "textStyle": {"color": colours.ink}}


def axis(colours: Palette) -> Options:
    """How an axis looks."""
    return {
        "axisLine": {"lineStyle": {"color": colours.soft}},
        "axisTick": {"lineStyle": {"color": colours.soft}},
        "axisLabel": {"color": colours.soft},
        "nameTextStyle": {"color": colours.soft},
        "splitLine": {"lineStyle": {"color": colours.rule}},
    }


def words(colours: Palette, **more: Any) -> Options:
    """A label on a picture, readable over lines."""
    return {"show": True, "color": colours.ink, "textBorderColor": colours.paper, "textBorderWidth": 3, **more}


def _y_axes(plan: Plan, system: System, shown: Sequence[Contingency], colours: Palette) -> list[Options]:
    deepest_m = max([plan.dive.deepest_m, *(leg.end_m for c in shown for leg in c.legs)])
    named: tuple[tuple[str, Options], ...] = (
        (f"depth, {system.depth_unit}", {"inverse": True, "min": 0, "max": _round_up(deepest_m / system.depth_m, 10)}),
        ("min", {"min": 0}),
        ("ppO2, bar", {"min": 0}),
        (f"left, {system.pressure_unit}", {"min": 0}),
    )
    return [
        {
            "type": "value", "gridIndex": i, "name": name, "nameLocation": "middle", "nameGap": 40,
            "splitNumber": 4 if i else 6, **axis(colours), **more,
        }
        for i, (name, more) in enumerate(named)
    ]  # fmt: skip


def _round_up(value: float, step: float) -> float:
    return math.ceil(value / step + 0.05) * step


def _line(name: str, grid: int, data: list[Any], **more: Any) -> Options:
    return {
        "type": "line", "name": name, "xAxisIndex": grid, "yAxisIndex": grid, "data": data, "showSymbol": False,
        "symbol": "none", **more,
    }  # fmt: skip


def _depth(metres: float, system: System) -> float:
    return round(metres / system.depth_m, 2)


def _path(legs: Sequence[Leg], system: System) -> list[list[float]]:
    """A line through legs."""
    start = [round(legs[0].start_min, 3), _depth(legs[0].start_m, system)]
    return [start, *([round(leg.end_min, 3), _depth(leg.end_m, system)] for leg in legs)]


def _profile(plan: Plan, system: System, colours: Palette) -> list[Options]:
    """One line for every stretch on a gas, named where it begins."""
    names = source_names(plan)
    stretches: list[list[Leg]] = []
    for leg in plan.schedule.legs:
        if stretches and stretches[-1][-1].source.is_same(leg.source):
            stretches[-1].append(leg)
        else:
            stretches.append([leg])
    found = []
    for stretch in stretches:
        name, down = stretch[0].source.name, stretch[0].kind == "descent"
        first = {
            "value": _path(stretch[:1], system)[0],
            "symbol": "circle",
            "symbolSize": 8,
            "label": words(colours, formatter=literal(name), position="right" if down else "top", fontWeight="bold"),
        }
        lined = style(names, name, colours)
        dots = {"symbol": "circle", "showSymbol": True, "symbolSize": 0, "itemStyle": {"color": lined["color"]}}
        found.append(_line(name, 0, [first, *_path(stretch, system)[1:]], lineStyle=lined, z=4) | dots)
    return found


def _ceiling(plan: Plan, system: System, colours: Palette) -> list[Options]:
    points = plan.schedule.track.points
    data = [[round(float(p["run_time_min"]), 3), _depth(float(p["ceiling_m"]), system)] for p in points]
    return [
        _line(
            "ceiling", 0, data, lineStyle={"color": colours.shade, "width": 1},
            areaStyle={"color": colours.shade, "opacity": 0.35, "origin": "start"}, z=2,
        )
    ]  # fmt: skip


def _contingencies(shown: Sequence[Contingency], system: System, colours: Palette) -> list[Options]:
    return [
        _line(
            contingency.name, 0, _path(contingency.legs, system), z=3,
            lineStyle={"color": colours.laid_over, "width": 1.5, "type": PATTERNS[i % 6]},
            endLabel=_end(contingency.name, colours) | {"color": colours.laid_over}, labelLayout=_APART,
        )
        for i, contingency in enumerate(shown)
        if contingency.legs
    ]  # fmt: skip


def _times(plan: Plan, colours: Palette) -> list[Options]:
    points = plan.schedule.track.points
    tts = [[round(float(p["run_time_min"]), 3), round(float(p["tts_min"]), 2)] for p in points]
    ndl = [[round(float(p["run_time_min"]), 3), min(int(p["ndl_min"]), MOST_NDL_MIN)] for p in points]
    return [
        _line("TTS", 1, tts, lineStyle={"color": colours.lines[1], "width": 2}, endLabel=_end("TTS", colours)),
        _line(
            "NDL", 1, ndl, lineStyle={"color": colours.lines[2], "width": 2, "type": "dashed"},
            endLabel=_end("NDL", colours),
        ),
    ]  # fmt: skip


def _ppo2(plan: Plan, colours: Palette) -> list[Options]:
    points, limits = plan.schedule.track.points, plan.dive.limits
    data = [[round(float(p["run_time_min"]), 3), round(float(p["ppo2_bar"]), 3)] for p in points]
    least_bar = plan.dive.site.environment.least_ppo2(HYPOXIC_CAUTION_BAR)
    limits_bar = (
        (limits.ppo2_bottom, f"bottom {limits.ppo2_bottom:g}", "insideStartBottom"),
        (limits.ppo2_deco, f"deco {limits.ppo2_deco:g}", "insideEndTop"),
        (least_bar, f"least {least_bar:.2f}", "insideStartTop"),
    )
    limit_lines = {
        "silent": True,
        "symbol": "none",
        "lineStyle": {"color": colours.soft, "type": "dashed"},
        "data": [
            {"yAxis": bar, "name": name, "label": words(colours, position=at, formatter="{b}")}
            for bar, name, at in limits_bar
        ],
    }
    return [_line("ppO2", 2, data, lineStyle={"color": colours.lines[0], "width": 2}, markLine=limit_lines)]


def _gas(plan: Plan, system: System, colours: Palette) -> list[Options]:
    found = []
    for i, use in enumerate(plan.supply):
        ends = (moment for leg in use.legs for moment in (leg.start_min, leg.end_min))
        times = sorted({0.0, plan.schedule.run_time_min, *ends})
        bars = use.bars_at(times)
        data = [[round(t, 3), round(bar / system.pressure_bar, 1)] for t, bar in zip(times, bars, strict=True)]
        lined = {"color": colours.lines[i % 6], "type": PATTERNS[i % 6], "width": 2}
        end = _end(use.name, colours)
        found.append(_line(use.name, 3, data, lineStyle=lined, endLabel=end, labelLayout=_APART))
    return found


def _end(name: str, colours: Palette) -> Options:
    return words(colours, formatter=literal(name), align="right", offset=[-6, -8])


def literal(name: str) -> str:
    """A name in which ECharts finds nothing to fill in."""
    return name.replace("{", "(").replace("}", ")")


# --- The cursor -------------------------------------------------------------------------------------------------------


def cursor_points(plan: Plan) -> dict[str, list[Any]]:
    """What is read out at every point of the track, column by column, in the units shown. Texts are ready to read."""
    system, track = SYSTEMS[plan.dive.units], plan.schedule.track
    points = track.points
    times = points["run_time_min"]
    tissues = tissue_percent(plan)
    breathed = [use for use in plan.supply if use.legs]
    names = [use.name for use in breathed]
    return {
        "t": [round(float(t), 3) for t in times],
        "run_time": [f"{math.floor(t + 1e-6)}:{math.floor((t + 1e-6) % 1 * 60):02d}" for t in times.tolist()],
        "depth": [system.at(round(d / system.depth_m, 1) * system.depth_m) for d in points["depth_m"].tolist()],
        "gas": [track.sources[i].name for i in points["source"].tolist()],
        "ppo2": [f"{p:.2f} bar" for p in points["ppo2_bar"].tolist()],
        "ceiling": [_ceiling_text(c, system) for c in points["ceiling_m"].tolist()],
        "ndl": ["stops" if n == 0 else f"{min(n, MOST_NDL_MIN)} min" for n in points["ndl_min"].tolist()],
        "tts": [f"{math.ceil(t - 1e-6)} min" for t in points["tts_min"].tolist()],
        "gf": [f"{max(0.0, 100 * g):.0f} %" for g in points["gf_now"].tolist()],
        "surface_gf": [f"{max(0.0, 100 * g):.0f} %" for g in points["gf_surface"].tolist()],
        "left": [
            ", ".join(f"{name} {system.pressure(bar)}" for name, bar in zip(names, bars, strict=True))
            for bars in (zip(*(use.bars_at(times) for use in breathed), strict=True) if breathed else [()] * len(times))
        ],
        "tissues": tissues,
    }


def _ceiling_text(ceiling_m: float, system: System) -> str:
    return "none" if ceiling_m <= 0.0 else f"{ceiling_m / system.depth_m:.1f} {system.depth_unit}"


def tissue_percent(plan: Plan) -> list[list[float]]:
    """How far every compartment is from ambient pressure (0) to its M-value (100), at every point of the track; below 0
    it takes up gas. [percent, points x 16]"""
    track, where = plan.schedule.track, plan.dive.site.environment
    comps = compartments(plan.dive.model.coefficients)
    n2, he = track.tensions_bar[:, 0, :], track.tensions_bar[:, 1, :]
    p = n2 + he
    a, b = weighted(n2, he, comps)
    ambient = (where.surface_bar + where.bar_per_m * track.points["depth_m"])[:, None]
    percent = 100.0 * (p - ambient) / (a + ambient / b - ambient)
    rounded: list[list[float]] = percent.round(1).tolist()
    return rounded


def tissue_chart(plan: Plan, colours: Palette = DAY) -> Options:
    """The sixteen compartments, fastest first, at the cursor: ambient pressure is 0, the M-value 100."""
    low, high = plan.dive.model.gradient_factors
    marks = [(100.0, "M-value"), (high, f"GF high {high:g}"), *([(low, f"GF low {low:g}")] if low != high else [])]
    return {
        **base(colours),
        "grid": {"left": 46, "right": 78, "top": 16, "bottom": 36},
        "xAxis": {
            "type": "category", "data": [f"{i}" for i in range(1, kernel.COMPARTMENTS + 1)], "name": "compartment",
            "nameLocation": "middle", "nameGap": 22, **axis(colours),
            "axisLine": {"onZero": False, "lineStyle": {"color": colours.soft}},
        },
        "yAxis": {
            "type": "value", "min": -100, "max": 120, **axis(colours),
            "axisLabel": {"formatter": "{value} %", "color": colours.soft},
        },
        "series": [
            {
                "type": "bar", "name": "loading", "data": tissue_percent(plan)[-1], "barCategoryGap": "20%",
                "itemStyle": {"color": colours.lines[0]},
                "markLine": {
                    "silent": True, "symbol": "none", "lineStyle": {"color": colours.soft, "type": "dashed"},
                    "data": [
                        {"yAxis": at, "name": name, "label": words(colours, formatter="{b}", position="end")}
                        for at, name in marks
                    ],
                },
            }
        ],
    }  # fmt: skip


# --- A dive of the log ------------------------------------------------------------------------------------------------

_DIVED_GRIDS = ((40, 300), (384, 110))
"""Top and height of depth, and of what was left. [px]"""
MOST_POINTS = 1200
"""Of a line: more could not be told apart."""


def dived_height_px(dived: Dived) -> int:
    """How high the picture of a dive is."""
    top, height = _DIVED_GRIDS[1 if dived.profile.pressure_bar else 0]
    return top + height + 50


def dived_chart(dived: Dived, found: Debrief | None, system: System, colours: Palette = DAY) -> Options:
    """A dive: depth with the changes of gas, and what was left where it was recorded. With its debrief its plan and its
    ceiling lie over it, and the findings stand where they were."""
    profile = dived.profile
    end_min = max([dived.run_time_min, *([found.plan.schedule.run_time_min] if found is not None else [])])
    deepest_m = max([dived.deepest_m, *([found.plan.dive.deepest_m] if found is not None else [])])
    grids = _DIVED_GRIDS[: 2 if profile.pressure_bar else 1]
    y_axes: list[Options] = [
        {"inverse": True, "min": 0, "max": _round_up(deepest_m / system.depth_m, 10), "splitNumber": 6,
         "name": f"depth, {system.depth_unit}"},
        {"min": 0, "splitNumber": 4, "name": f"left, {system.pressure_unit}"},
    ]  # fmt: skip
    return {
        **base(colours),
        "legend": {
            "data": ["dive", *(["plan", "ceiling"] if found is not None else [])], "top": 0, "left": 56,
            "selectedMode": False, "itemWidth": 30, "textStyle": {"color": colours.ink},
        },
        "grid": [{"left": 56, "right": 20, "top": top, "height": height} for top, height in grids],
        "xAxis": [
            {
                "type": "value", "gridIndex": i, "min": 0, "max": math.ceil(end_min), **axis(colours),
                "name": "run time, min" if i + 1 == len(grids) else "", "nameLocation": "middle", "nameGap": 26,
            }
            for i in range(len(grids))
        ],
        "yAxis": [
            {"type": "value", "gridIndex": i, "nameLocation": "middle", "nameGap": 40, **axis(colours), **y_axes[i]}
            for i in range(len(grids))
        ],
        "series": [
            *(_planned_and_ceiling(found, system, colours) if found is not None else []),
            _line(
                "dive", 0, _depths(profile, system), lineStyle={"color": colours.ink, "width": 2.5}, z=4,
                itemStyle={"color": colours.ink},
            ),
            _changes(dived, system, colours),
            *(_numbers(found, system, colours) if found is not None else []),
            *(_pressures(dived, system, colours) if profile.pressure_bar else []),
        ],
    }  # fmt: skip


def breathed_name(dived: Dived, one: GasBreathed) -> str:
    """What is breathed, in words."""
    gas = dived.cylinders[one.cylinder].mix.name
    return gas if one.setpoint_bar is None else f"loop {one.setpoint_bar:g}, diluent {gas}"


def depth_m(dived: Dived, run_time_min: float) -> float:
    """Depth at a run time, between the samples. [m]"""
    return float(np.interp(run_time_min, dived.profile.run_time_min, dived.profile.depth_m))


def thinned(profile: Profile) -> list[int]:
    """Which samples are drawn: all, or of each of so many equal parts the shallowest and the deepest."""
    count = len(profile.depth_m)
    if count <= MOST_POINTS:
        return list(range(count))
    parts = MOST_POINTS // 2
    found = {0, count - 1}
    for i in range(parts):
        part = range(i * count // parts, (i + 1) * count // parts)
        found |= {min(part, key=profile.depth_m.__getitem__), max(part, key=profile.depth_m.__getitem__)}
    return sorted(found)


def _depths(profile: Profile, system: System) -> list[list[float]]:
    return [[round(profile.run_time_min[i], 3), _depth(profile.depth_m[i], system)] for i in thinned(profile)]


def _planned_and_ceiling(found: Debrief, system: System, colours: Palette) -> list[Options]:
    retraced = found.retraced
    step = math.ceil(len(retraced.run_time_min) / MOST_POINTS)
    ceiling = [
        [round(at, 3), _depth(metres, system)]
        for at, metres in zip(retraced.run_time_min[::step].tolist(), retraced.ceiling_m[::step].tolist(), strict=True)
        if math.isfinite(metres)
    ]
    return [
        _line(
            "ceiling", 0, ceiling, lineStyle={"color": colours.shade, "width": 1},
            itemStyle={"color": colours.shade},
            areaStyle={"color": colours.shade, "opacity": 0.35, "origin": "start"}, z=2,
        ),
        _line(
            "plan", 0, _path(found.plan.schedule.legs, system), z=3, itemStyle={"color": colours.laid_over},
            lineStyle={"color": colours.laid_over, "width": 2, "type": "dashed"},
        ),
    ]  # fmt: skip


def _changes(dived: Dived, system: System, colours: Palette) -> Options:
    """What is breathed from where on."""
    data = [
        {
            "value": [round(one.run_time_min, 3), _depth(depth_m(dived, one.run_time_min), system)],
            "label": words(
                colours, formatter=literal(breathed_name(dived, one)), fontWeight="bold",
                position="right" if one.run_time_min < 0.15 * dived.run_time_min else "top",
            ),
        }
        for one in dived.breathed
    ]  # fmt: skip
    return {
        "type": "scatter", "name": "breathed", "data": data, "symbol": "circle", "symbolSize": 8, "z": 5,
        "itemStyle": {"color": colours.ink, "opacity": 1}, "labelLayout": _APART, "silent": True,
    }  # fmt: skip


def _numbers(found: Debrief, system: System, colours: Palette) -> list[Options]:
    """The numbers of the findings that have a place; where they would hide each other, one left of the other."""
    near_min, near_m = 0.03 * found.plan.schedule.run_time_min, 0.08 * found.dived.deepest_m
    placed: list[tuple[float, float]] = []
    data: list[Options] = []
    for i, one in enumerate(found.findings, 1):
        if one.run_time_min is None or one.depth_m is None:
            continue
        at, deep = one.run_time_min, one.depth_m
        beside = sum(abs(at - a) < near_min and abs(deep - d) < near_m for a, d in placed)
        placed.append((at, deep))
        label = words(colours, formatter=f"{i}", position="inside", fontWeight="bold", textBorderWidth=0)
        data.append(
            {
                "value": [round(at, 3), _depth(deep, system)],
                "symbolOffset": [-18 * beside, 16],
                "label": label | {"color": colours.paper},
            }
        )
    return [
        {
            "type": "scatter", "name": "findings", "data": data, "symbol": "rect", "symbolSize": 17, "z": 6,
            "itemStyle": {"color": colours.lines[1], "opacity": 1}, "silent": True,
        }
    ]  # fmt: skip


def _pressures(dived: Dived, system: System, colours: Palette) -> list[Options]:
    """What was left in every cylinder that was read."""
    found = []
    for i, (cylinder, column) in enumerate(zip(dived.cylinders, dived.profile.pressure_bar, strict=True)):
        times = dived.profile.run_time_min if column else ()
        read = [(at, bar) for at, bar in zip(times, column, strict=True) if bar is not None]
        step = math.ceil(len(read) / MOST_POINTS) or 1
        data = [[round(at, 3), round(bar / system.pressure_bar, 1)] for at, bar in read[::step]]
        lined = {"color": colours.lines[i % 6], "type": PATTERNS[i % 6], "width": 2}
        end = _end(cylinder.name, colours)
        found.append(_line(cylinder.name, 1, data, lineStyle=lined, endLabel=end, labelLayout=_APART))
    return found


# --- The limits -------------------------------------------------------------------------------------------------------


def drawn_limits(around: Frontier) -> list[Curve]:
    """The limits that are met within the picture, the tightest first; as many as can be told apart."""
    return [curve for curve in around.curves if any(not point.beyond for point in curve.points)][:MOST_CURVES]


def limits_chart(around: Frontier, colours: Palette = DAY) -> Options:
    """Bottom time against depth: every limit as a line with its letter, and where this dive stands."""
    system = SYSTEMS[around.dive.units]
    drawn = drawn_limits(around)
    depths = [point.depth_m / system.depth_m for curve in drawn for point in curve.points] or [around.depth_m]
    own = [round(around.depth_m / system.depth_m, 2), around.bottom_min]
    series: list[Options] = [_limit(curve, i, len(drawn), system, colours) for i, curve in enumerate(drawn)]
    series.append(
        {
            "type": "scatter", "name": "this dive", "data": [own], "symbol": "diamond", "symbolSize": 16, "z": 9,
            "itemStyle": {"color": colours.ink},
            "label": words(colours, formatter="this dive", position="left", fontWeight="bold"),
        }
    )  # fmt: skip
    return {
        **base(colours),
        "grid": {"left": 56, "right": 20, "top": 16, "bottom": 44},
        "xAxis": {
            "type": "value", "min": math.floor(min(depths)), "max": math.ceil(max(depths)), "nameLocation": "middle",
            "nameGap": 26, "name": f"depth, {system.depth_unit}", **axis(colours),
        },
        "yAxis": {
            "type": "value", "min": 0, "max": around.most_min, "name": "bottom time, min", "nameLocation": "middle",
            "nameGap": 40, **axis(colours),
        },
        "series": series,
    }  # fmt: skip


def _limit(curve: Curve, i: int, count: int, system: System, colours: Palette) -> Options:
    met = [k for k, point in enumerate(curve.points) if not point.beyond]
    points = curve.points[max(0, met[0] - 1) : met[-1] + 2]
    data: list[Any] = [[_depth(point.depth_m, system), point.holds_to_min or 0] for point in points]
    where = min(len(data) - 1, (i + 1) * len(data) // (count + 1))
    label = words(colours, formatter=letter(i), fontWeight="bold", position="top")
    data[where] = {"value": data[where], "symbol": "circle", "symbolSize": 5, "label": label}
    lined = {"color": colours.lines[i % 6], "type": PATTERNS[i % 6], "width": 2 if i < 6 else 4}
    return {
        "type": "line", "name": curve.name, "data": data, "lineStyle": lined, "itemStyle": {"color": lined["color"]},
        "symbolSize": 0, "labelLayout": _APART,
    }  # fmt: skip


def letter(i: int) -> str:
    """What a limit is called in the picture."""
    return chr(ord("A") + i)
