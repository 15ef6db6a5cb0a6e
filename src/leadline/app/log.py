"""The dive log on the page: its list, dives in and out, one dive and how it went, and the next dive after it."""

from __future__ import annotations

import asyncio
import re
import tomllib
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from html import escape
from typing import Any, TypeVar

import tomlkit
from nicegui import background_tasks, events, ui
from pebble import ProcessExpired

from leadline.app import dives, log_service
from leadline.app.charts import dived_chart, dived_height_px
from leadline.app.downloads import file_name
from leadline.app.draft import Draft, Key, typed
from leadline.app.forms import html
from leadline.app.guard import MOST_DIVES_BYTES
from leadline.app.log_service import Brought, Coming, Debriefed, Listed, LogService
from leadline.app.pictures import palette, take
from leadline.app.tab import Tab
from leadline.dive_file.errors import DiveFileError
from leadline.logbook.database.store import Entry, Logged, spans
from leadline.logbook.debrief.breathing_rate import Offer
from leadline.logbook.dived import KeptPlan
from leadline.plan.team import Member
from leadline.units import SYSTEMS, SystemName

PAGE = 25
"""Dives listed at once."""
ENDS_WITHIN_S = 1.0
"""What is stopped has ended by then."""
SAME_DIVE = timedelta(minutes=30)
"""The dives of a team began as near to each other."""
KEPT_S = 900.0
"""A file that is handed out waits so long to be fetched."""
EVERYBODY, ALL_OF_THEM = "everybody", "all of them"
NOBODY = "(no name)"
_PICTURE = "Depth over run time as dived, with what was breathed; the plan over it, where one is kept"
_CHOSEN = """(event) => {
    const one = event.target.closest('[data-dive]');
    if (one) emit(Number(one.dataset.dive));
}"""
_T = TypeVar("_T")


@dataclass
class Shelf:
    """What one tab sees of the log."""

    tab: Tab
    log: LogService
    seen: bool = False
    """Whether it has come into sight; before that the log is left alone."""
    listed: Listed | None = None
    refused: tuple[str, ...] = ()
    """Why there is no list, in words."""
    whose: str = EVERYBODY
    first: int = 0
    """The first dive of the list that is shown."""
    number: int | None = None
    """The dive that is asked for."""
    logged: Logged | None = None
    debriefed: Debriefed | None = None
    coming: Coming | None = None
    """A file, while it is brought in."""
    closed: bool = False
    _shows: list[Callable[[], None]] = field(default_factory=list)
    _shown_in: tuple[SystemName | None, bool] = (None, False)

    @property
    def found(self) -> list[Entry]:
        """The dives of the diver that is chosen."""
        if self.listed is None:
            return []
        whose = {EVERYBODY: None, NOBODY: ""}.get(self.whose, self.whose)
        return [one for one in self.listed.entries if whose is None or one.diver == whose]

    def watch(self, show: Callable[[], None]) -> None:
        """Have a function called when there is something new to show."""
        self._shows.append(show)

    def show(self) -> None:
        """Show what there is."""
        self._shown_in = (self.tab.units, self.tab.night)
        with self.tab.client:
            for show in self._shows:
                show()

    def show_anew(self) -> None:
        """Show it in other units or colours, if they are others."""
        if self.seen and self._shown_in != (self.tab.units, self.tab.night):
            self.show()

    def say(self, lines: Sequence[str]) -> None:
        """Say what is refused."""
        if self.closed:
            return
        with self.tab.client:
            for line in lines:
                ui.notify(line, type="warning", multi_line=True, timeout=10_000)

    async def done(self, work: Awaitable[_T]) -> _T | None:
        """What comes of a piece of work; None where it is refused or goes wrong, which is said."""
        try:
            return await work
        except DiveFileError as error:
            self.say(error.lines())
        except TimeoutError:
            self.say(["This took too long and was given up"])
        except Exception as error:
            self.tab.say(error)
        return None

    async def look(self) -> None:
        """Look up which dives there are."""
        self.seen = True
        try:
            self.listed, self.refused = await self.log.listed(), ()
        except DiveFileError as error:
            self.listed, self.refused = None, tuple(error.lines())
        except Exception as error:
            self.tab.say(error)
            return
        if self.listed is not None and self.whose not in (EVERYBODY, NOBODY, *self.listed.divers):
            self.whose = EVERYBODY
        self.first = max(0, min(self.first, (len(self.found) - 1) // PAGE * PAGE))
        self.show()

    async def open(self, number: int, goes_there: bool = False) -> None:
        """Show a dive, and how it went; `goes_there`: the page is moved to it."""
        if self.closed:
            return
        self.number = number
        logged = await self.done(self.log.dive(number))
        if self.number != number:  # another was asked for meanwhile
            return
        if logged != self.logged:
            self.debriefed = None
        self.logged = logged
        self.show()
        if logged is None:
            await self.look()  # it is in the list, and not in the log any more
            return
        if goes_there:
            with self.tab.client:
                ui.run_javascript("document.getElementById('dive-of-the-log').scrollIntoView()")
        if logged.dived.plan is None:
            return
        try:
            found = await self.tab.planner.made(log_service.debriefed, self.log.database, number)
        except TimeoutError:
            found = Debriefed(None, ("This took too long and was given up",))
        except Exception as error:
            self.tab.say(error)
            found = Debriefed(None, ("could not be worked out: an error of Leadline's own",))
        if self.number == number and self.logged is logged:
            self.debriefed = found
            self.show()

    def changed(self) -> None:
        """The log is another one: look again, and plan again what begins after a dive of it."""
        with self.tab.client:
            background_tasks.create(self._again())

    async def _again(self) -> None:
        previous = self.tab.history.now.value(("previous",))
        if isinstance(previous, list) and any(isinstance(one, dict) and "log" in one for one in previous):
            self.tab.replan()
        if self.seen:
            await self.look()
        if self.number is not None and self.listed is not None:
            if any(one.number == self.number for one in self.listed.entries):
                await self.open(self.number)
            else:
                self.number = self.logged = self.debriefed = None
                self.show()

    def close(self) -> None:
        """The tab is gone. What is brought in comes in all the same."""
        self.closed, self.number = True, None
        self._shows.clear()
        self.log.forget(self.changed)


def the_log(tab: Tab, log: LogService) -> Shelf:
    """The dives of the log, what goes into it and out of it, and one dive of it."""
    shelf = Shelf(tab, log)
    log.watch(shelf.changed)
    tab.client.on_delete(shelf.close)
    tab.watch(shelf.show_anew)
    html("<p>What was dived, kept with its plan: to see how it went, and to plan the next dive after it.</p>")
    _files_in(shelf)
    _as_planned(shelf)
    _list(shelf)
    _one(shelf)
    return shelf


# --- Into the log -----------------------------------------------------------------------------------------------------


def _files_in(shelf: Shelf) -> None:
    """Brings dives in from files that the browser lets the diver choose."""
    with ui.row():
        begin = ui.button("Import dives …", on_click=shelf.log.warm_up).props("outline")
        begin.on("click", js_handler="() => window.leadlineChooseFile('#open-dives')")
        stop = ui.button("Stop", on_click=lambda: shelf.coming.stop() if shelf.coming is not None else None)
        stop.props('outline aria-label="Stop bringing in"').set_visibility(False)
    state = html().props('id="brought" role="status" aria-live="polite"')
    with ui.expansion("If the file does not say: diver, and start time").classes("w-full"):
        html("<p>UDDF and CSV are read, packed (.gz, .zip) or not. A CSV file holds one dive.</p>")
        with ui.element("div").classes("row-of-fields").props('role="group" aria-label="if the file does not say"'):
            diver = _asked("diver")
            when = _when_asked()

    async def come(event: events.MultiUploadEventArguments) -> None:
        upload.reset()
        began = _when(when) if any(one.value for one in when) else None
        if began is None and any(one.value for one in when):
            ui.notify("Write both the date and the time, or neither", type="warning")
            return
        begin.set_visibility(False)
        stop.set_visibility(True)
        found = Brought()
        try:
            for file in event.files:
                came, goes_on = await _file_in(shelf, file, str(diver.value or "").strip(), began)
                found += came
                if not goes_on:
                    break
        finally:
            shelf.coming = None
            shelf.log.changed()
            if not shelf.closed:
                begin.set_visibility(True)
                stop.set_visibility(False)
                state.content = dives.brought(found)
        if len(found.new) == 1:
            await shelf.open(found.new[0])

    def tell() -> None:
        if shelf.coming is None:
            return
        done, total = shelf.coming.done or (0, 0)
        if shelf.coming.waits:
            said = "Waiting for another file, which comes first …"
        else:
            said = f"Bringing in: {done} of {total} dives" if total else "Reading the file …"
        state.content = f"<p>{said}</p>"

    def arriving() -> None:
        state.content = "<p>Reading the file …</p>"

    upload = ui.upload(
        multiple=True, on_begin_upload=arriving, on_multi_upload=come, auto_upload=True,
        max_total_size=MOST_DIVES_BYTES,
        on_rejected=lambda: ui.notify(
            f"That is no file of dives (.uddf, .xml, .csv, .gz, .zip), or over {MOST_DIVES_BYTES // 1_000_000} MB: "
            "pack it, or split it",
            type="warning",
        ),
    )  # fmt: skip
    upload.props('id="open-dives" accept=".uddf,.xml,.csv,.txt,.gz,.zip"').classes("hidden")
    address = str(upload.props["url"])
    shelf.log.uploads.add(address)
    shelf.tab.client.on_delete(lambda: shelf.log.uploads.discard(address))
    ui.timer(0.5, tell)


async def _file_in(shelf: Shelf, file: Any, diver: str, began: datetime | None) -> tuple[Brought, bool]:
    """What came of one file, and whether to go on with the next."""
    path = shelf.log.file(".in")

    def ended(why: str) -> Brought:
        done, total = shelf.coming.done or (0, 0) if shelf.coming is not None else (0, 0)
        how_far = f" after {done} of {total} dives" if total else ""
        rest = "what has come in is whole; bring the file in again for the rest"
        return Brought(ended=(f"{file.name}: {why}{how_far}; {rest}",))

    try:
        await file.save(path)
        shelf.coming = shelf.log.bring_in(path, file.name, diver, began)
        return await shelf.coming.found(), True
    except TimeoutError:
        return ended("took too long and was given up"), True
    except asyncio.CancelledError:
        task = asyncio.current_task()
        if task is not None and task.cancelling():
            raise
        await asyncio.sleep(ENDS_WITHIN_S)
        return ended("stopped"), False
    except ProcessExpired:
        return ended("the reading process ended"), True
    except Exception as error:
        shelf.tab.say(error)
        return ended("an error of Leadline's own"), True
    finally:
        path.unlink(missing_ok=True)


def _as_planned(shelf: Shelf) -> None:
    """Keeps the plan of the page as a dive that was dived just so."""
    tab = shelf.tab
    with ui.expansion("Log the plan above as dived").classes("w-full"):
        html("<p>For a dive that nothing recorded: it is kept as if it had been dived exactly as planned.</p>")
        with ui.element("div").classes("row-of-fields").props('role="group" aria-label="the plan as dived"'):
            when = _when_asked()
            name = _asked("diver")
            member = ui.select([], label="diver of the team").props("outlined dense stack-label hide-bottom-space")
        button = ui.button("Log it as planned").props("outline")

    def names() -> list[str]:
        return [one.name for one in tab.team.members if one.name] if tab.team is not None else []

    def show() -> None:
        divers = names()
        options = [ALL_OF_THEM, *divers] if len(divers) > 1 else divers
        name.set_visibility(not divers)
        member.set_visibility(bool(divers))
        if options != member.options:
            member.set_options(options, value=member.value if member.value in options else next(iter(options), None))

    async def keep() -> None:
        team, text = tab.team, tab.history.now.text
        began = _when(when)
        if team is None or tab.planned_of != text:
            ui.notify("There is no plan of this dive file: put right what is listed above first", type="warning")
            return
        if began is None:
            ui.notify("Write the date and the time when the surface was left", type="warning")
            return
        divers = names()
        of = [one for one in team.members if not divers or member.value in (ALL_OF_THEM, one.name)]
        kept = KeptPlan(file_name(tab, ".toml"), text)
        button.props("loading")
        try:
            found = [await _kept(shelf, one, str(name.value or ""), began, kept) for one in of]
        finally:
            button.props(remove="loading")
        numbers = [number for number in found if number is not None]
        if numbers:
            no_go = " Its plan is a no-go." if any(one.plan.no_go for one in of) else ""
            ui.notify(f"Logged as planned: dive{'s' * (len(numbers) > 1)} {spans(numbers)}.{no_go}")
            await shelf.open(numbers[0])

    button.on_click(keep)
    tab.watch(show)
    show()


async def _kept(shelf: Shelf, member: Member, name: str, began: datetime, kept: KeptPlan) -> int | None:
    """The number of a diver's dive, dived as planned, once it is kept."""
    diver = member.name or " ".join(name.split())
    dived = await shelf.done(shelf.tab.planner.made(log_service.as_planned, member.plan, began, diver, kept))
    return await shelf.done(shelf.log.add(dived)) if dived is not None else None


def _asked(label: str, kind: str = "text") -> ui.input:
    return ui.input(label).props(f"outlined dense stack-label hide-bottom-space type={kind}")


def _when_asked() -> tuple[ui.input, ui.input]:
    """Fields for the date and the time when a dive began, on the clock of the place."""
    return _asked("date", "date"), _asked("left the surface at", "time")


def _when(asked: tuple[ui.input, ui.input]) -> datetime | None:
    """What is written in them; None if that is no time."""
    try:
        return datetime.fromisoformat(" ".join(str(one.value or "") for one in asked))
    except ValueError:
        return None


# --- The list ---------------------------------------------------------------------------------------------------------


def _list(shelf: Shelf) -> None:
    """The dives, some at a time, and all of them as a file."""
    with ui.row().classes("items-end"):
        whose = ui.select([EVERYBODY], value=EVERYBODY, label="whose dives").classes("whose")
        whose.props("outlined dense stack-label")
        out = ui.button("Save these dives (UDDF)").props("outline")
    listed = html("<p>The log is opened when this comes into sight.</p>").props('id="dives"')
    with ui.row().classes("items-center"):
        newer = ui.button("Newer").props("outline dense")
        older = ui.button("Older").props("outline dense")
        where = html().classes(remove="w-full")

    def show() -> None:
        found, listing = shelf.found, shelf.listed
        there = listing is not None and bool(listing.entries)
        for element in (whose, out, where):
            element.set_visibility(there)
        for element in (newer, older):
            element.set_visibility(len(found) > PAGE)
        if listing is None:
            listed.content = dives.refused(shelf.refused)
            return
        if not there:
            listed.content = f"<p>No dive is in the log yet. It is kept in {escape(listing.name)}.</p>"
            return
        unnamed = [NOBODY] if listing.divers and any(not one.diver for one in listing.entries) else []
        options = [EVERYBODY, *listing.divers, *unnamed]
        if options != whose.options or whose.value != shelf.whose:
            whose.set_options(options, value=shelf.whose)
        last = min(shelf.first + PAGE, len(found))
        listed.content = dives.entries(found[shelf.first : last], SYSTEMS[shelf.tab.units or "metric"], shelf.number)
        newer.set_enabled(shelf.first > 0)
        older.set_enabled(last < len(found))
        where.content = f"<p>{shelf.first + 1} to {last} of {len(found)}. Kept in {escape(listing.name)}</p>"

    def turn(by: int) -> None:
        if 0 <= shelf.first + by < len(shelf.found):
            shelf.first += by
            shelf.show()

    def choose(event: events.ValueChangeEventArguments[Any]) -> None:
        if event.value in whose.options and event.value != shelf.whose:
            shelf.whose, shelf.first = str(event.value), 0
            shelf.show()

    async def opened(event: events.GenericEventArguments) -> None:
        if isinstance(event.args, int) and not isinstance(event.args, bool):
            await shelf.open(event.args, goes_there=True)

    listed.on("click", opened, js_handler=_CHOSEN)
    newer.on_click(lambda: turn(-PAGE))
    older.on_click(lambda: turn(PAGE))
    whose.on_value_change(choose)
    out.on_click(lambda: _hand_out(shelf, [one.number for one in shelf.found][::-1], ".uddf", _of(shelf), out))
    shelf.watch(show)


def _of(shelf: Shelf) -> str:
    """A name for the file of a diver's dives."""
    name = "" if shelf.whose in (EVERYBODY, NOBODY) else re.sub(r"[^a-z0-9]+", "-", shelf.whose.lower()).strip("-")
    return f"dives-{name[:40]}" if name else "dives"


async def _hand_out(shelf: Shelf, numbers: Sequence[int], ending: str, name: str, button: ui.button) -> None:
    """Give dives to the browser as a file."""
    if not numbers:
        return
    path = shelf.log.file(ending)
    button.props("loading")
    try:
        if len(numbers) == 1:
            work = shelf.tab.planner.made(log_service.written, shelf.log.database, tuple(numbers), path)
        else:
            work = shelf.log.written(tuple(numbers), path)
        wrong = await shelf.done(work)
    finally:
        button.props(remove="loading")
    if wrong:
        shelf.say(wrong)
    elif wrong is not None:
        ui.download.file(path, f"{name}{ending}")
        asyncio.get_running_loop().call_later(KEPT_S, lambda: path.unlink(missing_ok=True))


# --- One dive ---------------------------------------------------------------------------------------------------------


def _one(shelf: Shelf) -> None:
    """The dive that is shown: figures, picture, how it went, and what can be done with it."""
    with ui.element("div").classes("w-full").props('id="dive-of-the-log" role="region" aria-label="Dive shown"') as one:
        facts = html()
        went = html().props('role="status" aria-live="polite"')
        chart = ui.echart({}).props(f'id="dived" role="img" aria-label="{_PICTURE}"')
        more = html()
        offered = html()
        with ui.row():
            rmv = ui.button("Take this RMV as the dive file's").props("outline")
            paper = ui.button("Debrief (PDF)").props("outline")
        carried = html()
        _after(shelf)
        _deeds(shelf)
    drawn: list[tuple[Any, ...]] = [(None,) * 4]

    def show() -> None:
        logged, debriefed = shelf.logged, shelf.debriefed
        one.set_visibility(logged is not None)
        if logged is None:
            return
        found = debriefed.found if debriefed is not None else None
        system = dives.system_of(logged, shelf.tab.units)
        facts.content = dives.facts(logged, system)
        carried.content = dives.carried(logged.dived, system)
        if found is not None:
            went.content, more.content, offered.content = (
                dives.verdict(found),
                dives.debrief(found),
                dives.offers(found),
            )
        elif debriefed is not None:
            went.content = dives.refused(debriefed.refused)
        else:
            went.content = "<p>Working out how it went …</p>" if logged.dived.plan is not None else ""
        for element in (more, offered, paper):
            element.set_visibility(found is not None)
        rmv.set_visibility(found is not None and bool(found.rates.offers))
        now = (logged, found, system, shelf.tab.night)
        if any(one is not other for one, other in zip(now, drawn[0], strict=True)):
            drawn[0] = now
            chart.style(f"height: {dived_height_px(logged.dived)}px")
            take(chart, dived_chart(logged.dived, found, system, palette(shelf.tab)))

    async def page() -> None:
        if shelf.logged is None:
            return
        number = shelf.logged.number
        paper.props("loading")
        try:
            work = shelf.tab.planner.made(log_service.debrief_pdf, shelf.log.database, number)
            pdf = await shelf.done(work)
        finally:
            paper.props(remove="loading")
        if pdf is not None:
            ui.download.content(pdf, f"dive-{number}-debrief.pdf", "application/pdf")

    def take_rates() -> None:
        logged, debriefed = shelf.logged, shelf.debriefed
        if logged is not None and debriefed is not None and debriefed.found is not None:
            _take_rates(shelf.tab, debriefed.found.rates.offers, logged.dived.diver)

    rmv.on_click(take_rates)
    paper.on_click(page)
    shelf.watch(show)
    show()


def _take_rates(tab: Tab, offers: Sequence[Offer], diver: str) -> None:
    """Write what a diver breathed into the dive file."""
    said: list[str] = []

    def change(draft: Draft) -> Draft:
        for offer in offers:
            key = _place(draft, offer, diver)
            if key is not None:
                value = tomllib.loads(offer.line(tab.written_in))[offer.key]
                draft = draft.with_value(key, value)
                said.append(f"{offer.key} = {value:g}")
        if not said:
            raise ValueError(
                f"the dive file has no {'diver ' + diver if diver else 'such diver'}, or no loop, to take it"
            )
        return draft

    tab.edit(change)
    if said:
        ui.notify(f"In the dive file now: {', '.join(said)}. Undo takes it back.")


def _place(draft: Draft, offer: Offer, diver: str) -> Key | None:
    """Where a rate goes in a dive file: to the diver of that name in a team, else to the one diver; None if nowhere."""
    team = draft.value(("team",))
    members = team if isinstance(team, list) else []
    at = next((i for i, one in enumerate(members) if isinstance(one, dict) and _same(one.get("name"), diver)), None)
    own = ("team", at) if at is not None else ()
    if offer.table == "loop":
        held = [key for key in ((*own, "loop"), ("loop",)) if draft.value(key) is not None]
        return (*held[0], offer.key) if held else None
    if members and at is None:
        return None
    return (*own, offer.key) if own else (offer.table, offer.key)


def _same(name: object, diver: str) -> bool:
    return isinstance(name, str) and name.casefold() == diver.casefold()


def _after(shelf: Shelf) -> None:
    """The next dive after the one that is shown."""
    html("<h3>The next dive after this one</h3>")
    html(
        "<p>The dive file above then begins as this dive, and those before it, have left the diver. The interval is "
        "from the end of this dive to the beginning of the next: minutes, or with a unit, such as 2.5 h.</p>"
    )
    with ui.row().classes("items-center"):
        interval = _asked("surface interval, min")
        begin = ui.button("Plan the next dive after this one").props("outline")

    def after() -> None:
        value, logged = typed(str(interval.value or "")), shelf.logged
        if value is None:
            ui.notify("Write how long the surface interval is", type="warning")
        elif logged is not None:
            shelf.tab.edit(lambda draft: _begun_after(draft, shelf, logged, value))

    begin.on_click(after)


def _begun_after(draft: Draft, shelf: Shelf, logged: Logged, interval: Any) -> Draft:
    """A draft that begins after a dive of the log. ValueError where a diver of the team was on none."""
    team = draft.value(("team",))
    names = [str(one.get("name")) for one in team if isinstance(one, dict)] if isinstance(team, list) else []
    number: Any = logged.number
    if len(names) > 1:
        number = tomlkit.inline_table()
        for name in names:
            number[name] = _dive_of(name, shelf, logged)
    if draft.value(("previous",)) is not None:
        draft = draft.with_value(("previous",), None)
    draft = Draft(draft.text.rstrip("\n") + "\n\n")
    return draft.with_row(("previous",), {"log": number, "surface_interval": interval})


def _dive_of(name: str, shelf: Shelf, logged: Logged) -> int:
    """The number of a diver's own dive beside the one that is shown."""
    if _same(name, logged.dived.diver):
        return logged.number
    began = logged.dived.began
    near = [one for one in (shelf.listed.entries if shelf.listed is not None else ()) if one.diver == name]
    near = sorted((one for one in near if abs(one.began - began) <= SAME_DIVE), key=lambda one: abs(one.began - began))
    if not near:
        raise ValueError(f"{name} is of the team, and the log has no dive of {name} at that time")
    return near[0].number


def _deeds(shelf: Shelf) -> None:
    """What can be done with the dive that is shown."""
    html("<h3>This dive in the log</h3>")
    with ui.row():
        keep = ui.button("Keep the dive file above as its plan").props("outline")
        uddf = ui.button("Save this dive (UDDF)").props("outline")
        csv = ui.button("Save this dive (CSV)").props("outline")
        remove = ui.button("Remove this dive …").props("outline")
    where = ui.element("div")

    async def keep_plan() -> None:
        tab, logged = shelf.tab, shelf.logged
        if logged is None:
            return
        if tab.team is None or tab.planned_of != tab.history.now.text:
            ui.notify("There is no plan of this dive file: put right what is listed above first", type="warning")
            return
        kept = KeptPlan(file_name(tab, ".toml"), tab.history.now.text)
        old = logged.dived.plan
        if old is not None and old != kept:
            question = f"Keep the dive file above as the plan of dive {logged.number}, in place of {old.file}?"
            if not await _sure(where, question, "Keep it"):
                return
        if await shelf.done(_true(shelf.log.keep_plan(logged.number, kept))):
            ui.notify(f"Dive {logged.number}: the dive file is kept as its plan")

    async def remove_it() -> None:
        logged = shelf.logged
        if logged is None:
            return
        question = f"Remove dive {logged.number} ({dives.which(logged.dived)}) for good?"
        if await _sure(where, question, "Remove it"):
            await shelf.done(_true(shelf.log.remove(logged.number)))

    async def out(ending: str, button: ui.button) -> None:
        if shelf.logged is not None:
            await _hand_out(shelf, [shelf.logged.number], ending, f"dive-{shelf.logged.number}", button)

    keep.on_click(keep_plan)
    remove.on_click(remove_it)
    uddf.on_click(lambda: out(".uddf", uddf))
    csv.on_click(lambda: out(".csv", csv))


async def _true(work: Awaitable[None]) -> bool:
    await work
    return True


async def _sure(where: ui.element, question: str, yes: str) -> bool:
    """Whether the diver is sure."""
    with where, ui.dialog() as dialog, ui.card():
        dialog.props["aria-label"] = question
        ui.label(question)
        with ui.row():
            ui.button("No, leave it", on_click=lambda: dialog.submit(False)).props("outline autofocus")
            ui.button(yes, on_click=lambda: dialog.submit(True)).props("outline")
    try:
        return bool(await dialog)
    finally:
        if not dialog.is_deleted:
            dialog.delete()
