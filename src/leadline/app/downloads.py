"""What is taken away: the sheets, the briefing to send, the dive file itself."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Awaitable, Callable
from typing import Any

from nicegui import events, ui

from leadline.app.draft import MOST_CHARACTERS, Draft
from leadline.app.forms import html
from leadline.app.tab import Tab
from leadline.plan.team import Team

SHEETS = (("slate.pdf", "Slate"), ("wetnotes.pdf", "Wet notes"), ("briefing.pdf", "Briefing"))


def what_we_write_down(tab: Tab) -> None:
    """Buttons for the sheets, and the dive file as text."""

    async def sheet(team: Team, name: str) -> None:
        pdf = await tab.planner.sheet(team, tab.member, name)
        ui.download.content(pdf, f"{file_name(tab, '')}-{name}", "application/pdf")

    async def send(team: Team, _: str) -> None:
        page = await tab.planner.briefing(team, tab.member)
        ui.download.content(page, file_name(tab, ".html"), "text/html")

    with ui.row():
        for name, label in SHEETS:
            _button(tab, f"{label} (PDF)", name, sheet)
        _button(tab, "Briefing to send (one HTML file)", "", send)
    html("<p>Print at 100 %. In a team these are the sheets of the diver shown.</p><h3>The dive file</h3>")
    _text(tab)


def _button(tab: Tab, label: str, name: str, make: Callable[[Team, str], Awaitable[None]]) -> None:
    button = ui.button(label).props("outline")

    async def made() -> None:
        team = tab.team
        if team is None or tab.planned_of != tab.history.now.text:
            ui.notify("There is no plan of this dive file: put right what is listed above first", type="warning")
            return
        button.props("loading")
        try:
            await make(team, name)
        except Exception as error:
            tab.say(error)
        finally:
            button.props(remove="loading")

    button.on_click(made)


def save(tab: Tab) -> None:
    """Hand the dive file to the browser."""
    tab.saved = tab.history.now.text
    ui.download.content(tab.saved, file_name(tab, ".toml"), "application/toml")
    tab.show()


def file_name(tab: Tab, ending: str) -> str:
    """A name for a file, after the dive's title."""
    title = tab.history.now.value(("title",))
    return (re.sub(r"[^a-z0-9]+", "-", str(title or "dive").lower()).strip("-")[:60] or "dive") + ending


def _text(tab: Tab) -> None:
    """The dive file to write in; what is written counts a moment after the last key."""
    text = ui.codemirror("", language="TOML", line_wrapping=True).classes("w-full")
    text.props('aria-label="The dive file"')
    writing: list[asyncio.TimerHandle] = []
    put = [""]  # what was put in last, not written by the diver

    def show() -> None:
        put[0] = tab.history.now.text
        if not writing and text.value != put[0]:
            text.set_value(put[0])

    def write(event: events.ValueChangeEventArguments[Any]) -> None:
        for waiting in writing:
            waiting.cancel()
        writing.clear()
        if event.value != put[0]:
            writing.append(asyncio.get_running_loop().call_later(0.4, take, str(event.value)))

    def take(written: str) -> None:
        writing.clear()
        if len(written) > MOST_CHARACTERS:
            with tab.client:
                ui.notify(f"That is over {MOST_CHARACTERS // 1000} kB, too large for a dive file", type="warning")
            return
        tab.write(tab.history.then(Draft(written)))

    show()
    text.on_value_change(write)
    tab.watch(show)
