"""The pictures of an ensemble, as options for ECharts, each with what it shows in words."""

from __future__ import annotations

from collections.abc import Sequence

from leadline.app.charts import Options, Palette, axis, base, literal
from leadline.app.charts import words as label
from leadline.ensemble import words as words
from leadline.ensemble.draws import NAMES
from leadline.ensemble.drivers import Driven, Driver
from leadline.ensemble.robustness import EnsembleResult
from leadline.ensemble.statistics import Chance, Histogram
from leadline.units import System

_LOW, _HIGH = 0.05, 0.95


def gas_chart(found: EnsembleResult, system: System, colours: Palette) -> Options:
    """What is left in every cylinder: a box from 5 to 95 %, whiskers from 1 to 99; the plan's, and the reserve."""
    cylinders = [one for one in found.recomputed.cylinders if one.left_bar.of]
    if not cylinders:
        return {}
    planned = {use.name: use.left_bar for use in found.plan.supply}

    def bar(value: float) -> float:
        return round(value / system.pressure_bar, 1)

    boxes = [[bar(quantile.value) for quantile in one.left_bar.quantiles] for one in cylinders]
    marks: list[tuple[str, str, list[int], str, list[float]]] = [
        ("reserve", "rect", [4, 30], colours.lines[1], [bar(one.reserve_bar) for one in cylinders]),
        ("plan", "diamond", [14, 14], colours.ink, [bar(planned[one.name]) for one in cylinders]),
    ]
    return {
        **base(colours),
        "legend": {
            "data": ["1, 5, 50, 95, 99 % of dives", "plan", "reserve"], "top": 0, "selectedMode": False,
            "textStyle": {"color": colours.ink},
        },
        "grid": {"left": 8, "right": 24, "top": 34, "bottom": 40, "containLabel": True},
        "xAxis": {
            "type": "value", "min": 0, "name": f"left at the surface, {system.pressure_unit}",
            "nameLocation": "middle", "nameGap": 26, **axis(colours),
        },
        "yAxis": _categories([one.name for one in cylinders], colours),
        "series": [
            {
                "type": "boxplot", "name": "1, 5, 50, 95, 99 % of dives", "data": boxes, "boxWidth": [12, 26],
                "itemStyle": {"color": "transparent", "borderColor": colours.lines[0], "borderWidth": 2},
                "silent": True,
            },
            *(
                {
                    "type": "scatter", "name": name, "symbol": symbol, "symbolSize": size, "silent": True, "z": 5,
                    "data": [[value, i] for i, value in enumerate(values)],
                    "itemStyle": {"color": colour, "opacity": 1},
                }
                for name, symbol, size, colour, values in marks
            ),
        ],
    }  # fmt: skip


def _categories(names: Sequence[str], colours: Palette) -> Options:
    look = axis(colours)
    look["axisLabel"] = {"color": colours.ink, "width": 120, "overflow": "break"}
    return {"type": "category", "data": [literal(name) for name in names], "inverse": True, **look}


def tts_chart(found: EnsembleResult, colours: Palette) -> Options:
    """TTS with the stops worked out anew; the plan's beside it."""
    one = found.recomputed.tts_min
    if not one.of:
        return {}
    marks = [(found.plan.schedule.tts_min, "plan")]
    marks += [(one.at(share).value, f"{100 * share:g} %") for share in (_LOW, _HIGH)]
    return {
        **_histogram("TTS, min", "% of dives a minute", colours),
        "series": [_steps("TTS", one.histogram, 1.0, colours, 0, marks)],
    }


def gf_chart(found: EnsembleResult, colours: Palette) -> Options:
    """The gradient factor at the surface by the slate, against GF high and the M-value."""
    one = found.by_slate.gf_surface
    if not one.of:
        return {}
    high = found.plan.dive.model.gradient_factors[1]
    marks = [(high, f"GF high {high:g}"), (100.0, "M-value")]
    series = [_steps("by the plan's slate", one.histogram, 100.0, colours, 0, marks)]
    if found.by_slates is not None and found.by_slates.gf_surface.of:
        covering = found.by_slates.gf_surface.histogram
        series.append(_steps("by the slate that covers the dive", covering, 100.0, colours, 2, []))
    return {
        # The legend has two rows on a phone; the marks' labels are below it.
        **_histogram("GF at the surface, %", "% of dives a percent", colours, top=80),
        "legend": {"top": 0, "selectedMode": False, "itemWidth": 34, "textStyle": {"color": colours.ink}},
        "series": series,
    }


def _histogram(name: str, of: str, colours: Palette, top: int = 52) -> Options:
    return {
        **base(colours),
        "grid": {"left": 52, "right": 24, "top": top, "bottom": 44},
        "xAxis": {
            "type": "value", "scale": True, "name": name, "nameLocation": "middle", "nameGap": 26, **axis(colours),
        },
        "yAxis": {
            "type": "value", "min": 0, "name": of, "nameLocation": "middle", "nameGap": 36, **axis(colours),
        },
    }  # fmt: skip


def _steps(
    name: str, found: Histogram, factor: float, colours: Palette, line: int, marks: Sequence[tuple[float, str]]
) -> Options:  # fmt: skip
    """A histogram as steps: the first filled, others only a line of another pattern."""
    of = sum(found.counts)
    edges = [round(factor * edge, 4) for edge in found.edges]
    # By the width of the bins, so that histograms of other bins can be held against each other.
    shares = [round(100.0 * count / of / (edges[1] - edges[0]), 3) for count in found.counts]
    # A step goes up where its bin begins, and down to nothing at the last edge.
    data = [[edges[0], 0.0], *([edge, share] for edge, share in zip(edges, [*shares, 0.0], strict=True))]
    lined = {"color": colours.lines[line], "type": "solid" if line == 0 else "dashed", "width": 2}
    return {
        "type": "line", "step": "end", "name": name, "data": data, "showSymbol": False, "symbol": "none",
        "lineStyle": lined, "itemStyle": {"color": lined["color"]}, "silent": True,
        **({"areaStyle": {"color": lined["color"], "opacity": 0.2}} if line == 0 else {}),
        "markLine": {
            "silent": True, "symbol": "none", "lineStyle": {"color": colours.ink, "type": "dashed", "width": 1.5},
            "data": [
                {
                    "xAxis": round(at, 3), "name": said,
                    "label": label(colours, formatter="{b}", position="end", distance=4 + 13 * (i % 2)),
                }
                for i, (at, said) in enumerate(marks)
            ],
        },
    }  # fmt: skip


def chances_chart(rows: Sequence[tuple[str, Chance]], colours: Palette) -> Options:
    """Chances as bars, each with its interval."""
    chances = [one for _, one in rows]
    said = [words.chance(one) for one in chances]
    return {
        **base(colours),
        "grid": {"left": 8, "right": 130, "top": 8, "bottom": 40, "containLabel": True},
        "xAxis": {
            "type": "value", "min": 0, "name": "% of dives", "nameLocation": "middle", "nameGap": 26, **axis(colours),
        },
        "yAxis": _categories([name for name, _ in rows], colours),
        "series": [
            _bar([100.0 * one.share for one in chances], colours),
            *_whiskers([(100.0 * one.low, 100.0 * one.high) for one in chances], said, colours),
        ],
    }  # fmt: skip


def _bar(values: Sequence[float], colours: Palette) -> Options:
    return {
        "type": "bar", "data": [{"value": round(max(0.0, value), 3)} for value in values], "barWidth": 14,
        "silent": True, "itemStyle": {"color": colours.lines[0], "opacity": 0.75},
    }  # fmt: skip


def _whiskers(intervals: Sequence[tuple[float, float]], said: Sequence[str], colours: Palette) -> list[Options]:
    """From end to end of every interval, and the number behind it in words."""
    return [
        {
            "type": "line", "symbol": "rect", "symbolSize": [2, 12], "silent": True, "z": 6,
            "data": [
                [round(max(0.0, low), 3), i],
                {
                    "value": [round(max(0.0, high), 3), i],
                    "label": label(colours, formatter=literal(text), position="right", distance=8),
                },
            ],
            "lineStyle": {"color": colours.ink, "width": 2}, "itemStyle": {"color": colours.ink},
        }
        for i, ((low, high), text) in enumerate(zip(intervals, said, strict=True))
    ]  # fmt: skip


_LEAST = 0.005
"""An input that drives less is left out of the picture; it stands in the table."""
_LINE_PX, _AROUND_PX = 22, 74


def _drawn(one: Driven) -> list[Driver]:
    return [driver for driver in one.drivers if driver.total.high >= _LEAST]


def _block_px(one: Driven) -> int:
    return _AROUND_PX + 2 * _LINE_PX * len(_drawn(one))


def drivers_height_px(driven: Sequence[Driven]) -> int:
    """How high the picture of the drivers is."""
    return 10 + sum(_block_px(one) for one in driven)


def drivers_chart(driven: Sequence[Driven], colours: Palette) -> Options:
    """Sobol indices with intervals: a block an output, in it of every input what it does alone and with others."""
    if not driven:
        return {}
    parts: dict[str, list[Options]] = {name: [] for name in ("title", "grid", "xAxis", "yAxis", "series")}
    top = 4
    for k, one in enumerate(driven):
        drawn = _drawn(one)
        indices = [index for driver in drawn for index in (driver.first, driver.total)]
        bars = _bar([index.value for index in indices], colours)
        for part in bars["data"][1::2]:  # with others: hollow
            part["itemStyle"] = {"color": "transparent", "borderColor": colours.lines[0], "borderWidth": 2}
        whiskers = _whiskers([(i.low, i.high) for i in indices], [words.index(i) for i in indices], colours)
        look = {"color": colours.ink, "fontSize": 14}
        parts["title"].append({"text": literal(one.name), "left": 0, "top": top, "textStyle": look})
        parts["grid"].append({"left": 150, "right": 110, "top": top + 26, "height": 2 * _LINE_PX * len(drawn)})
        parts["xAxis"].append({"type": "value", "min": 0, "max": 1, "splitNumber": 2, "gridIndex": k, **axis(colours)})
        names = [name for driver in drawn for name in (NAMES[driver.input], "with others")]
        rows = _categories(names, colours) | {"gridIndex": k}
        rows["axisLabel"] = {"color": colours.ink, "width": 140, "overflow": "break", "interval": 0}
        parts["yAxis"].append(rows)
        parts["series"] += [part | {"xAxisIndex": k, "yAxisIndex": k} for part in (bars, *whiskers)]
        top += _block_px(one)
    return {**base(colours), **parts}


# --- Pictures in words ------------------------------------------------------------------------------------------------


def gas_said(found: EnsembleResult, system: System) -> str:
    """What the picture of the gas shows."""
    lines = []
    for one in found.recomputed.cylinders:
        if one.left_bar.of:
            low, high = (system.pressure(one.left_bar.at(share).value) for share in (_LOW, _HIGH))
            reserve = system.pressure(one.reserve_bar)
            lines.append(
                f"{one.name}: {low} to {high} {system.pressure_unit} in 9 dives of 10, reserve {reserve}"
            )  # fmt: skip
    return "Gas left at the surface. " + "; ".join(lines)


def tts_said(found: EnsembleResult) -> str:
    """What the picture of TTS shows."""
    one = found.recomputed.tts_min
    if not one.of:
        return "TTS of the drawn dives: none could be dived"
    return (
        f"TTS of the drawn dives: {one.at(_LOW).value:.0f} to {one.at(_HIGH).value:.0f} min in 9 of 10, median "
        f"{one.at(0.5).value:.0f}; {found.plan.schedule.tts_min:.0f} in the plan"
    )


def gf_said(found: EnsembleResult) -> str:
    """What the picture of the surface shows."""
    one = found.by_slate.gf_surface
    if not one.of:
        return "GF at the surface by the slate: no dive could be dived"
    low, high = (100.0 * one.at(share).value for share in (_LOW, _HIGH))
    limit = found.plan.dive.model.gradient_factors[1]
    return f"GF at the surface by the plan's slate: {low:.0f} to {high:.0f} % in 9 dives of 10; GF high is {limit:g} %"


def slates_said(found: EnsembleResult) -> str:
    """What the picture of the slates shows."""
    return "Which slate is needed. " + "; ".join(f"{s.name}: {words.chance(s.taken)}" for s in found.slates)


def drivers_said(driven: Sequence[Driven]) -> str:
    """What the picture of the drivers shows."""
    most = [f"{one.name}: most by {NAMES[one.drivers[0].input]}" for one in driven]
    return "What drives it. " + "; ".join(most)
