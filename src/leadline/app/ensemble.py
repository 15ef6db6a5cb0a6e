"""The ensemble on the page: dives drawn around the plan, when asked for; dropped when the dive changes.

Every picture has its numbers beside it in a table, with their intervals, for whoever reads rather than looks.
"""

from __future__ import annotations

from dataclasses import replace
from html import escape

from nicegui import ui

from leadline.app import tables
from leadline.app.charts import Options, Palette
from leadline.app.ensemble_charts import (
    chances_chart,
    drivers_chart,
    drivers_height_px,
    drivers_said,
    gas_chart,
    gas_said,
    gf_chart,
    gf_said,
    slates_said,
    tts_chart,
    tts_said,
)
from leadline.app.forms import heading, html
from leadline.app.pictures import palette, take
from leadline.app.tab import Tab
from leadline.dive_file import DiveFileError
from leadline.ensemble import words as words
from leadline.ensemble.draws import NAMES
from leadline.ensemble.robustness import Ascents, EnsembleResult
from leadline.plan import Plan
from leadline.units import SYSTEMS, System

_WHAT = (
    "Depth, bottom time, ascent rate, RMV, setpoint and gas switches never are quite as planned. Thousands of dives "
    "are drawn around this one, as [ensemble] in the dive file says or as is common: some seconds to a minute."
)
_STAGES = {
    "planning": "planning the dive",
    "dives": "drawing dives",
    "contingencies": "planning contingencies of drawn dives",
    "drivers": "asking what drives it",
}
_ROW_PX = 34


def the_ensemble(tab: Tab) -> None:
    """A button to draw the dives, and what came of them."""
    html(f"<p>{_WHAT}</p><p><b>{escape(words.NOT_A_RISK)}</b></p>")
    with ui.row():
        begin = ui.button("Simulate the dives").props("outline")
        stop = ui.button("Stop drawing", on_click=lambda: tab.sampling.stop() if tab.sampling is not None else None)
        stop.props("outline")
    state = html().props('id="ensemble-state" role="status" aria-live="polite"')
    with ui.element("div").classes("w-full").props('id="ensemble-shown"') as shown:
        said = html()
        parts = _Parts()

    def show() -> None:
        if tab.drop_ensemble():
            state.content = "<p>The dive has changed; its ensemble was dropped.</p>"
        begin.set_visibility(tab.sampling is None)
        stop.set_visibility(tab.sampling is not None)
        found = _shown(tab)
        shown.set_visibility(found is not None)
        if found is not None:
            said.content = _said(found)
            parts.show(found, SYSTEMS[found.plan.dive.units], palette(tab))

    async def work() -> None:
        if tab.plan is None:
            ui.notify("There is no plan to draw dives around: put right what is listed above first", type="warning")
            return
        job = tab.begin_ensemble()
        state.content = ""
        show()
        try:
            found = await job.found()
            if job is tab.sampling and tab.sampled_of:
                tab.sampled = found
                state.content = "<p>Drawn.</p>" if found is not None else "<p>Stopped.</p>"
        except DiveFileError as error:
            state.content = tables.problems(error.problems)
        except TimeoutError:
            state.content = "<p>This took too long and was given up; draw fewer dives ([ensemble] dives).</p>"
        except Exception as error:
            state.content = ""
            tab.say(error)
        finally:
            if job is tab.sampling:
                tab.sampling = None
            show()

    def tell() -> None:
        if tab.sampling is None or not tab.sampled_of:
            return
        stage = tab.sampling.stage
        doing = "waiting for other work" if stage is None else f"{_STAGES[stage[0]]}, {stage[1]:.0%}"
        state.content = f"<p>Working: {doing} …</p>"

    begin.on_click(work)
    ui.timer(0.5, tell)
    tab.watch(show)
    show()


def _shown(tab: Tab) -> EnsembleResult | None:
    """The ensemble of the diver that is shown, in the units that are shown."""
    found, plan = tab.sampled, tab.plan
    if not found or plan is None or tab.planned_of != tab.sampled_of:
        return None
    return in_units_of(found[min(tab.member, len(found) - 1)], plan)


def in_units_of(found: EnsembleResult, plan: Plan) -> EnsembleResult:
    """An ensemble, as of the same plan shown in other units: slates are named after its contingencies."""
    slates = tuple(
        slate if slate.contingency is None else replace(slate, name=plan.contingencies[slate.contingency].name)
        for slate in found.slates
    )
    return replace(found, plan=plan, slates=slates)


def _said(found: EnsembleResult) -> str:
    lines = "".join(f"<li>{escape(line)}</li>" for line in words.summary(found))
    no_go = '<p><span class="changed">NO-GO</span> The plan itself must not be dived.</p>' if found.plan.no_go else ""
    alone = "Stops worked out anew are those of this diver alone; contingencies are the team's." if found.diver else ""
    whose = f"<p><b>{escape(found.diver)}</b></p>" if found.diver else ""
    return f'{whose}{no_go}<ul class="findings">{lines}</ul><p>{escape(words.sample(found))} {alone}</p>'


class _Parts:
    """The pictures and tables, in the order of the questions."""

    def __init__(self) -> None:
        self.inputs = _folded("What differs, and how")
        heading("Does the gas last?")
        self.gas = _picture("ensemble-gas")
        self.gas_table = html()
        heading("How long is the way up?")
        self.tts = _picture("ensemble-tts", 260)
        self.recomputed = _folded("All numbers, stops worked out anew")
        heading("How near is the limit at the surface?")
        self.gf = _picture("ensemble-gf", 280)
        self.by_slate = _folded("All numbers, by the slate")
        heading("Which slate is needed, and which contingency fails?")
        self.slates = _picture("ensemble-slates")
        self.what_ifs = html()
        heading("What drives it?")
        self.drivers = _picture("ensemble-drivers")
        self.driven = _folded("All indices")

    def show(self, found: EnsembleResult, system: System, colours: Palette) -> None:
        """Show an ensemble."""
        self.inputs.content = inputs_table(found, system)
        one = found.recomputed
        height_px = 90 + 2 * _ROW_PX * len(one.cylinders)
        _put(self.gas, gas_chart(found, system, colours), gas_said(found, system), height_px)
        self.gas_table.content = gas_table(found)
        _put(self.tts, tts_chart(found, colours), tts_said(found))
        self.recomputed.content = numbers_table(words.RECOMPUTED, words.HOW_RECOMPUTED, one, found, system)
        _put(self.gf, gf_chart(found, colours), gf_said(found))
        by = [numbers_table(words.BY_SLATE, words.HOW_BY_SLATE, found.by_slate, found, system)]
        if found.by_slates is not None:
            by.append(numbers_table(words.BY_SLATES, words.HOW_BY_SLATES, found.by_slates, found, system))
        self.by_slate.content = "".join(by)
        rows = [(slate.name, slate.taken) for slate in found.slates]
        _put(self.slates, chances_chart(rows, colours), slates_said(found), 60 + _ROW_PX * len(rows))
        self.what_ifs.content = slates_tables(found)
        drawn = [driven for driven in found.driven if driven.drivers]
        _put(self.drivers, drivers_chart(drawn, colours), drivers_said(drawn), drivers_height_px(drawn))
        self.driven.content = drivers_tables(found)


def _folded(said: str) -> ui.html:
    with ui.expansion(said).classes("w-full"):
        return html()


def _picture(name: str, height_px: int = 300) -> ui.echart:
    return ui.echart({}).style(f"height: {height_px}px").props(f'id="{name}" role="img" aria-label="{name}"')


def _put(chart: ui.echart, options: Options, said: str, height_px: int | None = None) -> None:
    """Show a picture, said in words for who does not see it."""
    chart.props["aria-label"] = said
    if height_px is not None:
        chart.style(f"height: {height_px}px")
    chart.set_visibility(bool(options))
    if options:
        take(chart, options)


# --- Tables -----------------------------------------------------------------------------------------------------------


def inputs_table(found: EnsembleResult, system: System) -> str:
    """What differs, and how."""
    rows = [
        (NAMES[one.name], escape(one.in_words(system)), words.COMMON if one.common else "as the dive file says")
        for one in found.inputs
    ]
    return tables.table("What differs", ("Input", "Drawn from", ""), rows, left=(0, 1, 2))


def gas_table(found: EnsembleResult) -> str:
    """The chances that the gas lasts."""
    ways = (found.recomputed, found.by_slate)
    rows = []
    for name in dict.fromkeys(one.name for way in ways for one in way.cylinders):
        chances = []
        for way in ways:
            one = next((cylinder for cylinder in way.cylinders if cylinder.name == name), None)
            chances += [words.chance(one.lasts), words.chance(one.to_empty)] if one is not None else ["", ""]
        rows.append((escape(name), *chances))
    if len(rows) > 1:
        every = [words.chance(part) for way in ways for part in (way.all_last, way.all_to_empty)]
        rows.append(("all of them", *every))
    head = ("Cylinder", "Anew: above its reserve", "to the last", "By the slate: above its reserve", "to the last")
    return tables.table("The gas lasts", head, rows)


def numbers_table(name: str, how: str, ascents: Ascents, found: EnsembleResult, system: System) -> str:
    """Numbers of the dive with their quantiles; and how often limits are exceeded."""
    rows = [
        (escape(line.name), line.plan, *(f"{value}<br><small>{interval}</small>" for value, interval in line.quantiles))
        for line in words.lines(ascents, found.plan, system)
    ]
    refused = ""
    if ascents.refused.count:
        refused = (
            f"<p><b>Cannot be dived as drawn: {words.chance(ascents.refused)}; counted as gas that does not last and "
            "over every limit.</b></p>"
        )
    limits = [(escape(one.name), words.chance(one.over)) for one in ascents.limits]
    return (
        tables.table(name, ("", "Plan", *words.SHARES), rows)
        + f"<p>{escape(how)}</p>{refused}"
        + tables.table(f"Limits. {name}", ("", "Chance"), limits)
    )


def slates_tables(found: EnsembleResult) -> str:
    """Which slate is needed, and whose gas fails."""
    slates = [(escape(slate.name), words.chance(slate.taken)) for slate in found.slates]
    rows = [
        (one.kind, words.chance(one.gas_short), escape(one.cylinder), words.chance(one.not_met))
        for one in found.what_ifs
    ]
    refused = ""
    if found.not_planned.count:
        refused = (
            f"<p><b>Cannot be planned as drawn, and counted as failing: {words.chance(found.not_planned)}.</b></p>"
        )
    head = ("If this happens", "Gas does not last", "Mostly", "Does not hold, for any reason")
    return (
        tables.table("Which slate is needed", ("Slate", "Chance"), slates)
        + f"<p>{words.HOW_COVERED}</p>"
        + tables.table(f"Contingencies on {found.planned_whole} of the drawn dives", head, rows, left=(0, 2))
        + f"{refused}<p>{words.HOW_WHAT_IFS}</p>"
    )


def drivers_tables(found: EnsembleResult) -> str:
    """Which input drives what."""
    parts = []
    for driven in found.driven:
        name = escape(driven.name)
        if not driven.drivers:
            parts.append(f"<p>What drives {name}: {words.undriven(driven)}.</p>")
            continue
        rows = [(NAMES[one.input], words.index(one.first), words.index(one.total)) for one in driven.drivers]
        parts.append(tables.table(f"What drives {driven.name}", ("Input", "Alone", "With others"), rows))
    if found.driven:
        parts.append(f"<p>{words.how_driven(found.driven[0])}</p>")
    return "".join(parts)
