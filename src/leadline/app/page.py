"""The page: one scroll in the order in which a diver thinks, with the verdict always in sight."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from html import escape
from pathlib import Path
from typing import Any, TypeVar

from nicegui import events, ui

from leadline.app import tables
from leadline.app.downloads import save, what_we_write_down
from leadline.app.draft import Draft, History
from leadline.app.ensemble import the_ensemble
from leadline.app.forms import html, the_dive, what_we_breathe
from leadline.app.log import the_log
from leadline.app.log_service import LogService
from leadline.app.pictures import dragged, the_way_up, what_if
from leadline.app.planner import Planner
from leadline.app.tab import Tab
from leadline.cautions import CAUTIONS, SHORT
from leadline.dive_file.reader import MAX_BYTES
from leadline.units import SystemName

STATIC = Path(__file__).parent / "static"
_T = TypeVar("_T")
_LESS = ("NDL", "OTU")
"""Figures that a narrow strip leaves out."""
_NEW_DIVE = """title = "A new dive"
units = "metric"

[[levels]]
depth = 40
leave_at = 20

[[cylinders]]
name = "twin set"
gas = "28"
size = 24
pressure = 230
use = "bottom"
"""
_NEW_DIVE_IMPERIAL = """title = "A new dive"
units = "imperial"

[[levels]]
depth = 130
leave_at = 20

[[cylinders]]
name = "twin set"
gas = "28"
size = 200
working_pressure = 3000
pressure = 3000
use = "bottom"
"""
_TOUR = (
    "The strip at the top always says whether anything speaks against the dive as it stands.",
    "Change anything: the whole plan, with everything that can go wrong, is worked out anew at once.",
    "Point at the pictures, or use the arrow keys there: everything at that minute is read out beside them.",
    "Drag the round handles on the profile to make the dive deeper, shallower, longer or shorter.",
    "Lay a contingency over the profile to see where it leaves the plan.",
    "Draw an ensemble: does the gas last, and is the slate enough, when the dive is not quite as planned?",
    "Then come the sheets to print, and the dive file itself: every key can be written there.",
    "At the end is the log: dives as they were dived, how they went, and the next dive after them.",
)


def build(planner: Planner, log: LogService, first: str, dives: Mapping[str, str], opened: bool) -> None:
    """Build the page for a client. `first` is the dive it shows; `dives` are examples by name; `opened`: `first` was
    asked for, and is not replaced by what the browser remembers of another dive."""
    tab = Tab(planner, ui.context.client, History(Draft(first)))
    tab.client.on_delete(tab.close)
    ui.on_exception(tab.say)
    ui.add_head_html(f"<style>{(STATIC / 'page.css').read_text(encoding='utf-8')}</style>")
    ui.add_body_html(f"<script>{(STATIC / 'page.js').read_text(encoding='utf-8')}</script>")
    html('<a class="skip" href="#the-dive">To the dive</a>')
    _strip(tab)
    with ui.element("div").classes("leadline"):
        _tools(tab, dives)
        _tour()
        _section("The dive", lambda: the_dive(tab))
        _section("What we breathe", lambda: what_we_breathe(tab))
        _section("The way up", lambda: the_way_up(tab))
        _section("What if", lambda: what_if(tab))
        _section("Ensemble", lambda: the_ensemble(tab))
        _section("What we write down", lambda: what_we_write_down(tab))
        shelf = _section("The log", lambda: the_log(tab, log))
        html("<p>" + " ".join(escape(line) for line in CAUTIONS) + "</p>")
    tab.watch(lambda: _remember(tab, first))
    ui.on("leadline_drag", lambda event: dragged(tab, event.args))
    ui.on("leadline_log", shelf.look)
    ui.on("leadline_night", lambda event: _to_night(tab, event.args is True))
    ui.timer(0.0, lambda: _begin(tab, first if opened else None), once=True)


def _section(heading: str, inside: Callable[[], _T]) -> _T:
    name = heading.lower().replace(" ", "-")
    with ui.element("section").props(f'id="{name}" aria-label="{heading}"'):
        html(f"<h2>{heading}</h2>")
        return inside()


# --- What the browser remembers ---------------------------------------------------------------------------------------


async def _begin(tab: Tab, opened: str | None) -> None:
    """Take up what the browser remembers, if it was not asked for another dive."""
    await tab.client.connected()
    try:
        remembered = await ui.run_javascript("window.leadlineRemembered()", timeout=10.0)
    except TimeoutError:
        remembered = None
    if not isinstance(remembered, dict):
        remembered = {}
    tab.night = remembered.get("night") is True
    ui.run_javascript("window.leadlineWatchLog(emitEvent)")
    text, saved, first = (remembered.get(name) for name in ("text", "saved", "first"))
    if isinstance(text, str) and text.strip() and (opened is None or first == opened):
        tab.open(text, saved if isinstance(saved, str) else None)
        tab.history = History(tab.history.now)  # there is nothing before it to go back to
    else:
        tab.replan()


def _remember(tab: Tab, first: str) -> None:
    given = json.dumps({"text": tab.history.now.text, "saved": tab.saved, "first": first})
    ui.run_javascript(f"window.leadlineRemember({given})")


def _to_night(tab: Tab, night: bool) -> None:
    tab.night = night
    tab.show()


# --- Always in sight --------------------------------------------------------------------------------------------------


def _strip(tab: Tab) -> None:
    with ui.element("header").classes("strip"):
        strip = html().props('role="status" aria-live="polite"')

    def show() -> None:
        strip.content = f'<div class="inside">{_in_sight(tab)}<span class="caution">{escape(SHORT)}</span></div>'

    tab.watch(show)
    show()


def _in_sight(tab: Tab) -> str:
    team, plan = tab.team, tab.plan
    if tab.slow or tab.planned is None:
        return '<span class="verdict-word">Planning …</span>'
    if team is None or plan is None:
        wrong = len(tab.problems)
        said = f"{wrong} thing{'s' * (wrong != 1)} to put right"
        return f'<a class="verdict-word grave" href="#findings">{said}</a><span>There is no plan of this dive.</span>'
    word, line, grave = tables.verdict(team)
    cells = "".join(
        f'<span class="figure{" more" if name in _LESS else ""}">{name} <b>{value}</b></span>'
        for name, value in tables.figures(plan)
    )
    return f'<a class="verdict-word{grave}" href="#findings">{word}</a><span>{line}</span>{cells}'


def _tools(tab: Tab, dives: Mapping[str, str]) -> None:
    _opening(tab)
    with ui.element("div").classes("tools"):
        title = html()
        undo = ui.button("Undo", on_click=lambda: tab.write(tab.history.undone())).props("outline dense")
        redo = ui.button("Redo", on_click=lambda: tab.write(tab.history.redone())).props("outline dense")
        with ui.dropdown_button("Open", auto_close=True).props("outline dense"):
            ui.item("A dive file …").props("clickable").on(
                "click", js_handler="() => window.leadlineChooseFile('#open-file')"
            )
            ui.item("A new dive, metric", on_click=lambda: tab.open(_NEW_DIVE))
            ui.item("A new dive, imperial", on_click=lambda: tab.open(_NEW_DIVE_IMPERIAL))
            for name, text in dives.items():
                ui.item(f"Example: {name.replace('-', ' ')}", on_click=lambda _, text=text: tab.open(text))
        ui.button("Save", on_click=lambda: save(tab)).props("outline dense")
        ui.toggle({None: "as written", "metric": "metric", "imperial": "imperial"}, value=None).props(
            "dense outline no-caps role=group aria-label='units shown'"
        ).on_value_change(lambda event: tab.show_in(_system(event.value)))
        ui.button("Night", on_click=lambda: ui.run_javascript("window.leadlineNight(emitEvent)")).props("outline dense")

    def show() -> None:
        found = tab.history.now.value(("title",))
        name = found if isinstance(found, str) else "Untitled dive"
        title.content = f"<h1>{escape(name)}{' (not saved)' if tab.unsaved else ''}</h1>"
        undo.set_enabled(bool(tab.history.past))
        redo.set_enabled(bool(tab.history.future))

    tab.watch(show)
    show()


def _system(value: object) -> SystemName | None:
    return "metric" if value == "metric" else "imperial" if value == "imperial" else None


def _opening(tab: Tab) -> None:
    """What takes up the dive file that the browser lets the diver choose. Always there, never seen: the browser's own
    dialog is all that is needed."""

    async def take(event: events.UploadEventArguments) -> None:
        content = await event.file.read()
        try:
            tab.open(content[: MAX_BYTES + 1].decode("utf-8-sig"))
        except UnicodeDecodeError:
            ui.notify(f"{event.file.name} is not text; a dive file is TOML in UTF-8", type="warning")

    ui.upload(
        on_upload=take, auto_upload=True, max_file_size=MAX_BYTES,
        on_rejected=lambda: ui.notify("That is no dive file (.toml), or too large for one", type="warning"),
    ).props('id="open-file" accept=".toml,text/plain"').classes("hidden")  # fmt: skip


def _tour() -> None:
    with ui.expansion("What this page shows").classes("w-full").props('id="tour"') as tour:
        html('<ul class="tour">' + "".join(f"<li>{escape(line)}</li>" for line in _TOUR) + "</ul>")

    async def open_once() -> None:
        first: Any = await ui.run_javascript("window.leadlineFirstTime()", timeout=10.0)
        if first:
            tour.open()

    ui.timer(0.1, open_once, once=True)
