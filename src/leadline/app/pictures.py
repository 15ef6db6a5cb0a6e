"""The pictures of a plan, the cursor over them, and where the dive stands inside the limits."""

from __future__ import annotations

import json
from typing import Any

from nicegui import ui

from leadline.app import tables
from leadline.app.charts import (
    DAY,
    HEIGHT_PX,
    NIGHT,
    Palette,
    cursor_points,
    dive_chart,
    drawn_limits,
    limits_chart,
    tissue_chart,
)
from leadline.app.draft import Draft
from leadline.app.forms import contingency_fields, heading, html, mark_stale
from leadline.app.tab import Tab
from leadline.dive_file import DiveFileError
from leadline.plan.rows import givings
from leadline.show.sentences import remarks
from leadline.units import SYSTEMS

READOUT = (
    ("run_time", "run time"), ("depth", "depth"), ("ppo2", "ppO2"), ("ceiling", "ceiling"), ("tts", "TTS"),
    ("ndl", "NDL"), ("gf", "GF now"), ("surface_gf", "GF at surface"), ("gas", "breathing"), ("left", "left"),
)  # fmt: skip
"""What the cursor reads out: the column of `cursor_points`, and its label."""
_SAID = "Depth, TTS, ppO2 and gas left over run time. Arrow keys move the cursor by a minute, Page up and down by ten."


def palette(tab: Tab) -> Palette:
    """The colours of the theme that is shown."""
    return NIGHT if tab.night else DAY


def the_way_up(tab: Tab) -> None:
    """Findings, pictures with their cursor, schedule."""
    found = html().props('id="findings"')
    diver = ui.toggle([]).props("dense outline no-caps role=group aria-label='diver shown'")
    diver.on_value_change(lambda event: tab.show_diver(event.value))
    diver.set_visibility(False)
    with ui.element("div").classes("w-full") as planned:
        with ui.element("div").classes("pictures"):
            dive = ui.echart({}).style(f"height: {HEIGHT_PX}px")
            dive.props(f'id="pictures" role="application" tabindex="0" aria-label="{_SAID}"')
            with ui.element("div").classes("beside"):
                _read_out()
                tissues = ui.echart({}).classes("tissues")
                tissues.props('role="img" aria-label="Loading of the sixteen compartments at the cursor"')
        schedule = html()

    def show() -> None:
        plan, team = tab.plan, tab.team
        mark_stale(tab, planned)
        if plan is None or team is None:
            found.content = tables.problems(tab.problems)
            return
        found.content = tables.findings(remarks(team.findings, team.dive.units))
        names = [member.name for member in team.members if member.name]
        diver.set_options(names, value=names[tab.member] if names else None)
        diver.set_visibility(bool(names))
        schedule.content = tables.schedule(plan)
        take(dive, dive_chart(plan, [c for c in plan.contingencies if c.name in tab.laid_over], palette(tab)))
        take(tissues, tissue_chart(plan, palette(tab)))
        system = SYSTEMS[plan.dive.units]
        levels = [[level.leave_at, level.depth / system.depth_m] for level in plan.dive.levels]
        given = json.dumps({"points": cursor_points(plan), "levels": levels, "dive": dive.id, "tissues": tissues.id})
        ui.run_javascript(f"window.leadlineShow({given}, getElement, emitEvent)")

    tab.watch(show)
    _limits(tab)


def _read_out() -> None:
    cells = (
        f'<div class="{name}"><span>{label}</span><b data-read="{name}">-</b></div>' for name, label in READOUT
    )  # fmt: skip
    html(f'<h3>At the cursor</h3><div class="readout">{"".join(cells)}</div>').classes("dive computer")
    html('<p class="skip" id="cursor-said" role="status" aria-live="polite"></p>')


def take(chart: ui.echart, options: dict[str, Any]) -> None:
    """Have a chart show other options."""
    chart.options.clear()
    chart.options.update(options)
    chart.update()


def dragged(tab: Tab, given: Any) -> None:
    """A level was dragged on the profile: to whole minutes, and whole metres or feet of the units shown."""
    plan = tab.plan
    if plan is None or tab.planned_of != tab.history.now.text or not isinstance(given, dict):
        return
    level, minutes, depth = (given.get(name) for name in ("level", "minutes", "depth"))
    if isinstance(level, bool) or not (isinstance(level, int) and 0 <= level < len(plan.dive.levels)):
        return
    if not (isinstance(minutes, int | float) and isinstance(depth, int | float)):
        return
    if not (0 <= minutes < 1e4 and 0 <= depth < 1e4):
        return
    system = SYSTEMS[plan.dive.units]
    own = plan.dive.units == tab.written_in
    written: Any = max(1, round(depth)) if own else f"{max(1, round(depth))} {system.depth_unit}"

    def change(draft: Draft) -> Draft:
        if abs(depth - plan.dive.levels[level].depth / system.depth_m) > 0.5:
            draft = draft.with_value(("levels", level, "depth"), written)
        return draft.with_value(("levels", level, "leave_at"), max(1, round(minutes)))

    tab.edit(change)


def what_if(tab: Tab) -> None:
    """Every contingency, and which are laid over the profile."""
    listed = html()
    choice = ui.select([], label="Laid over the profile", multiple=True).classes("w-full")
    choice.props("outlined dense stack-label use-chips")

    def show() -> None:
        mark_stale(tab, listed)
        if tab.plan is None:
            return
        members = tab.team.members if tab.team is not None else ()
        given = givings(tab.team, members[min(tab.member, len(members) - 1)]) if tab.team is not None else ()
        listed.content = tables.contingencies(tab.plan) + tables.bailouts(tab.plan, given)
        names = [contingency.name for contingency in tab.plan.contingencies if contingency.legs]
        choice.set_options(names, value=[name for name in tab.laid_over if name in names])

    choice.on_value_change(lambda event: tab.lay_over(list(event.value or [])))
    tab.watch(show)
    contingency_fields(tab)


# --- The limits -------------------------------------------------------------------------------------------------------


def _limits(tab: Tab) -> None:
    """Where the dive stands inside its limits: worked out when asked for, for it takes a while."""
    heading("Where this dive stands inside its limits")
    html("<p>How long each limit lets you stay, by depth. Hundreds of dives are planned for it: a minute or so.</p>")
    with ui.row():
        begin = ui.button("Work out the limits").props("outline")
        stop = ui.button("Stop", on_click=lambda: tab.limits.stop() if tab.limits is not None else None)
        stop.props("outline")
    state = html().props('role="status" aria-live="polite"')
    chart = ui.echart({}).style("height: 380px")
    chart.props('id="limits" role="img" aria-label="Bottom time against depth, with every limit"')
    listed = html()

    def show() -> None:
        working = tab.limits is not None
        begin.set_visibility(not working)
        stop.set_visibility(working)
        around = tab.around
        chart.set_visibility(around is not None and bool(drawn_limits(around)))
        old = around is not None and tab.around_of != tab.history.now.text
        for element in (chart, listed):
            element.classes(add="stale" if old else "", remove="" if old else "stale")
        if around is not None:
            take(chart, limits_chart(around, palette(tab)))
            listed.content = tables.limits(around)

    async def work() -> None:
        if tab.plan is None:
            ui.notify("There is no plan to work from: put right what is listed above first", type="warning")
            return
        job, text = tab.begin_limits()
        show()
        try:
            found = await job.found()
            if found is not None:
                tab.around, tab.around_of = found, text
            state.content = f"<p>{tables.stands(found)}</p>" if found is not None else "<p>Stopped.</p>"
        except DiveFileError as error:
            state.content = tables.problems(error.problems)
        except TimeoutError:
            state.content = "<p>This took too long and was given up.</p>"
        except Exception as error:
            state.content = ""
            tab.say(error)
        finally:
            tab.limits = None
            show()

    def tell() -> None:
        if tab.limits is not None:
            tried = tab.limits.tried
            said = "Waiting for another dive's limits" if tried is None else f"Working: {tried} dives planned"
            state.content = f"<p>{said} …</p>"

    begin.on_click(work)
    ui.timer(0.5, tell)
    tab.watch(show)
    show()
