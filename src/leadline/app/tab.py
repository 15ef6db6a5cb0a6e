"""What one browser tab works on: its draft, its plan, and who is to be told when they change."""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace

from nicegui import Client, ui

from leadline.app.draft import MOST_CHARACTERS, Draft, History, Key
from leadline.app.planner import Ensembles, PlannedTeam, Planner, ServerLimits
from leadline.dive_file.errors import Problem
from leadline.ensemble.robustness import EnsembleResult
from leadline.plan import Plan
from leadline.plan.team import Team
from leadline.solve import Frontier
from leadline.units import SystemName

PATIENCE_S = 3.0
"""A plan that takes longer is given up when the draft has changed meanwhile; a shorter one is waited for, as ending its
process costs more."""
TYPING_S = 1.5
"""Keystrokes that follow each other so fast are one step to undo."""
SLOW_S = 0.5
CURES_AFTER_S = 1.0
"""After so long the page says that it is planning."""

_log = logging.getLogger(__name__)


@dataclass
class Tab:
    """One tab's work. Whoever shows some of it watches it, and is called when there is something new."""

    planner: Planner
    client: Client
    history: History
    saved: str = ""
    """The text as it was opened or last saved."""
    units: SystemName | None = None
    """The units shown; None: those of the dive file."""
    night: bool = False
    planned: PlannedTeam | None = None
    planned_once: bool = False
    """Whether there has been a plan to show."""
    planned_of: str = ""
    """The text that the plan is of."""
    slow: bool = False
    """Whether the plan that is shown is an old one, and the new one takes its time."""
    member: int = 0
    """Which diver of a team is shown."""
    laid_over: list[str] = field(default_factory=list)
    """Contingencies laid over the profile, by name."""
    limits: ServerLimits | None = None
    """The limits around the dive, while they are worked out."""
    around: Frontier | None = None
    """The limits around the dive, when they were last worked out."""
    around_of: str = ""
    """The text that those limits are of."""
    sampling: Ensembles | None = None
    """The ensemble, while it is worked out."""
    sampled: tuple[EnsembleResult, ...] | None = None
    """The ensemble of every diver, when it was last worked out."""
    sampled_of: str = ""
    """The text that it is, or is to be, of."""
    _task: asyncio.Task[None] | None = None
    _curing: asyncio.Task[None] | None = None
    _since: float = 0.0
    _wanted: bool = False
    _typed_at: tuple[Key, float] = ((), 0.0)
    _watchers: dict[str, list[Callable[[], None]]] = field(default_factory=dict)
    _part: str = ""

    def __post_init__(self) -> None:
        """What is shown first was not changed by anyone."""
        self.saved = self.history.now.text

    @property
    def team(self) -> Team | None:
        """The plan of all divers; None while there is none for the draft."""
        return self.planned.team if self.planned is not None else None

    @property
    def plan(self) -> Plan | None:
        """The plan of the diver that is shown."""
        return self.team.members[min(self.member, len(self.team.members) - 1)].plan if self.team is not None else None

    @property
    def problems(self) -> tuple[Problem, ...]:
        """What is wrong with the draft."""
        return self.planned.problems if self.planned is not None else ()

    @property
    def written_in(self) -> SystemName:
        """The units of the dive file."""
        return "imperial" if self.history.now.value(("units",)) == "imperial" else "metric"

    @property
    def unsaved(self) -> bool:
        """Whether the draft has changes that were not saved."""
        return self.history.now.text != self.saved

    # --- Changes

    def write(self, history: History) -> None:
        """Take up a draft, and plan it."""
        self._typed_at = ((), 0.0)
        if history is not self.history:
            self.history = history
            self.replan()

    def edit(self, change: Callable[[Draft], Draft], key: Key = ()) -> None:
        """Change the draft; what cannot be written is said. Keystrokes at one `key` are one step to undo."""
        now = time.monotonic()
        amends = bool(key) and key == self._typed_at[0] and now - self._typed_at[1] < TYPING_S
        try:
            history = self.history.then(change(self.history.now), amends)
        except ValueError as error:
            ui.notify(str(error), type="warning")
            return
        self.write(history)
        self._typed_at = (key, now)

    def open(self, text: str, saved: str | None = None) -> None:
        """Take up another dive file; `saved`: its text when it was last saved. What was there can be had back by
        undoing."""
        if len(text) > MOST_CHARACTERS:
            ui.notify(f"That is over {MOST_CHARACTERS // 1000} kB, too large for a dive file", type="warning")
            return
        self.saved = text if saved is None else saved
        self.member, self.laid_over = 0, []
        self.history = self.history.then(Draft(text))
        self.replan()

    def show_in(self, units: SystemName | None) -> None:
        """Show the plan in other units. The dive stays as it is."""
        if units != self.units:
            self.units = units
            self.replan()

    def show_diver(self, name: object) -> None:
        """Show a diver of the team."""
        names = [member.name for member in self.team.members] if self.team is not None else []
        if isinstance(name, str) and name in names and names.index(name) != self.member:
            self.member = names.index(name)
            self.show()

    def lay_over(self, names: list[str]) -> None:
        """Lay contingencies over the profile."""
        if names != self.laid_over:
            self.laid_over = names
            self.show()

    # --- Planning and showing

    def replan(self) -> None:
        """Plan the draft as it stands: one plan at a time, and of what was written meanwhile only the last."""
        self._wanted = True
        if self._task is None or self._task.done():
            self._task = asyncio.create_task(self._plan())
        elif time.monotonic() - self._since > PATIENCE_S:
            self._task.cancel()
            self._task = asyncio.create_task(self._plan())

    async def _plan(self) -> None:
        while self._wanted:
            self._wanted, self._since = False, time.monotonic()
            text = self.history.now.text
            saying = asyncio.get_running_loop().call_later(SLOW_S, self._say_slow)
            try:
                planned = await self.planner.plan(text, self.units)
            finally:
                saying.cancel()
            if self._wanted:
                continue
            self.planned, self.planned_of, self.slow = planned, text, False
            if self.team is not None:
                self.planned_once = True
                self.member = min(self.member, len(self.team.members) - 1)
            self.show()
            self._look_for_cures()

    def _look_for_cures(self) -> None:
        """Once nothing is typed for a moment, find what would fix the no-gos that are shown."""
        if self._curing is not None:
            self._curing.cancel()
        if self.team is not None and self.team.no_go:
            self._curing = asyncio.create_task(self._cure())

    async def _cure(self) -> None:
        await asyncio.sleep(CURES_AFTER_S)
        planned, team = self.planned, self.team
        if planned is None or team is None:
            return
        found = await self.planner.cures(team)
        if found is not None and self.planned is planned and not self._wanted:
            self.planned = replace(planned, team=found)
            self.show()

    def _say_slow(self) -> None:
        self.slow = True
        self.show()

    def begin_limits(self) -> tuple[ServerLimits, str]:
        """Begin to work out the limits around the dive as it stands; with them the text that they are of."""
        text = self.history.now.text
        self.limits = self.planner.limits(text, self.units)
        return self.limits, text

    def begin_ensemble(self) -> Ensembles:
        """Begin to draw dives around the plan as it stands."""
        self.sampled, self.sampled_of = None, self.history.now.text
        self.sampling = self.planner.ensemble(self.sampled_of, self.units)
        return self.sampling

    def drop_ensemble(self) -> bool:
        """Drop an ensemble of another dive than this, and give up one that is worked out. Returns whether there was
        one."""
        if self.sampled_of in ("", self.history.now.text):
            return False
        if self.sampling is not None:
            self.sampling.stop()
        self.sampled, self.sampled_of = None, ""
        return True

    def close(self) -> None:
        """The tab is gone: nothing is planned for it any more."""
        self._wanted = False
        for task in (self._task, self._curing):
            if task is not None:
                task.cancel()
        if self.limits is not None:
            self.limits.stop()
        if self.sampling is not None:
            self.sampling.stop()
        self._watchers.clear()

    def watch(self, show: Callable[[], None]) -> None:
        """Have a function called when there is something new to show."""
        self._watchers.setdefault(self._part, []).append(show)

    @contextmanager
    def watching(self, part: str) -> Iterator[None]:
        """What begins to watch in here belongs to a part of the page, and is forgotten with it."""
        before, self._part = self._part, part
        try:
            yield
        finally:
            self._part = before

    def forget(self, part: str) -> None:
        """A part of the page is gone, and what is within it."""
        for gone in [other for other in self._watchers if other.startswith(part)]:
            del self._watchers[gone]

    def show(self) -> None:
        """Show what there is. What cannot be shown leaves the rest alone, and is said."""
        with self.client:
            for part, shows in list(self._watchers.items()):
                for show in list(shows):
                    if self._watchers.get(part) is not shows:  # forgotten meanwhile
                        break
                    try:
                        show()
                    except Exception as error:
                        self.say(error)

    def say(self, error: Exception) -> None:
        """Say that something went wrong that should not; the log has the rest."""
        _log.error("the page could not do something", exc_info=error)
        with self.client:
            ui.notify(
                f"Something went wrong in Leadline ({type(error).__name__}). Your dive file is kept; the server's log "
                "has the rest.",
                type="negative",
            )
