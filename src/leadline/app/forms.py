"""What is written into a dive file: a field for every key, a line of fields for every level, cylinder and diver."""

from __future__ import annotations

from html import escape
from typing import Any

from nicegui import events, ui

from leadline.app import tables
from leadline.app.draft import Draft, Key, shown, typed
from leadline.app.fields import Field, form_fields, is_list, is_of, table, tables_in
from leadline.app.tab import Tab
from leadline.dive_file.schema import Dive

_STAGE = {"name": "another stage", "gas": "50", "size": "11 L", "pressure": "200 bar", "use": "deco"}
_NEW_ROWS: dict[tuple[str, ...], dict[str, Any]] = {
    ("levels",): {"depth": "20 m", "leave_at": 60},
    ("cylinders",): _STAGE,
    ("team",): {"name": "another diver"},
    ("team", "cylinders"): _STAGE,
    ("solve", "cylinders"): {"size": "12 L", "pressure": "200 bar"},
    ("fills", "sources"): {"gas": "helium"},
    ("fills", "cylinders"): {"cylinder": "twin set", "pressure": 0},
    ("fills", "analysed"): {"cylinder": "twin set", "o2": 21},
    ("compare",): {"gradient_factors": [30, 70]},
    ("sweep", "axes"): {"key": "levels.1.leave_at", "values": [20, 25]},
}
_ONE_OF = {
    "levels": "level", "cylinders": "cylinder", "team": "diver", "previous": "dive before", "sources": "source",
    "analysed": "analysis", "compare": "column", "axes": "axis",
}  # fmt: skip
_SHOWN = (
    "site", "model", "rates", "stops", "levels", "loop", "cylinders", "diver", "limits", "gas", "contingencies", "team",
    "previous", "after",
)  # fmt: skip
"""The tables that have a place of their own; any other is under "More of the dive file"."""


def html(content: str = "") -> ui.html:
    """HTML of our own making, in which every text of a dive file is escaped."""
    return ui.html(content, sanitize=False).classes("w-full")


def heading(text: str) -> None:
    """A heading within a section."""
    html(f"<h3>{escape(text)}</h3>")


def mark_stale(tab: Tab, *elements: ui.element) -> None:
    """Mark what is shown as that of an earlier draft, while there is no plan of this one; hide it if there was none."""
    for element in elements:
        element.set_visibility(tab.planned_once)
        element.classes(add="stale" if tab.plan is None else "", remove="" if tab.plan is None else "stale")


def the_dive(tab: Tab) -> None:
    """Title, levels, model; site, rates, stops, limits and what comes after folded away."""
    _fields(tab, (), ("title",))
    _before(tab)
    heading("Levels")
    _rows(tab, ("levels",))
    heading("Gradient factors and coefficients")
    _fields(tab, ("model",))
    folded = {"Site, rates and stops": ("site", "rates", "stops"), "Limits": ("limits",), "After the dive": ("after",)}
    for said, names in folded.items():
        with ui.expansion(said).classes("w-full"):
            for name in names:
                if len(names) > 1:
                    heading(name.capitalize())
                _all_of(tab, (name,))
    with ui.expansion("More of the dive file").classes("w-full"):
        _fields(tab, (), ("units",))
        for name in tables_in(Dive):
            if name not in _SHOWN:
                _unfolding(tab, name.capitalize(), (name,))


def _before(tab: Tab) -> None:
    """The dives before this one, where there are any: which, and how long ago."""
    with ui.element("div").classes("w-full") as before:
        heading("Before this dive")
        which = html()
        _rows(tab, ("previous",))

    def show() -> None:
        rows = tab.history.now.value(("previous",))
        named = [_named(one) for one in rows if isinstance(one, dict)] if isinstance(rows, list) else []
        before.set_visibility(bool(named))
        which.content = f"<p>After {escape(', then '.join(named))}.</p>" if named else ""

    tab.watch(show)
    show()


def _named(previous: dict[str, Any]) -> str:
    """A dive before this one, in words: "dive 12 of the log", "dive 12 (Ann), 13 (Ben) of the log", or its file."""
    log = previous.get("log")
    if isinstance(log, dict):
        return f"dive {', '.join(f'{number} ({diver})' for diver, number in log.items())} of the log"
    return f"dive {log} of the log" if log is not None else str(previous.get("file", "another dive"))


def what_we_breathe(tab: Tab) -> None:
    """Cylinders, breathing, loop and team, and what becomes of the gas."""
    heading("Cylinders")
    _rows(tab, ("cylinders",))
    heading("How much the diver breathes")
    _fields(tab, ("diver",))
    heading("How the gas is planned")
    _fields(tab, ("gas",))
    with ui.expansion("Loop").classes("w-full"):
        _fields(tab, ("loop",))
        ui.button(
            "Without a loop", on_click=lambda: tab.edit(lambda draft: draft.with_value(("loop",), None))
        ).props("outline dense")  # fmt: skip
    with ui.expansion("Team").classes("w-full"):
        _rows(tab, ("team",))
    gas_tables = html()

    def show() -> None:
        mark_stale(tab, gas_tables)
        if tab.plan is not None:
            gas_tables.content = tables.gas(tab.plan) + tables.turning(tab.plan) + tables.breathing(tab.plan)

    tab.watch(show)


def contingency_fields(tab: Tab) -> None:
    """Which contingencies are planned for."""
    with ui.expansion("Which contingencies").classes("w-full"):
        _fields(tab, ("contingencies",))


# --- Fields and rows --------------------------------------------------------------------------------------------------


def _fields(tab: Tab, key: Key, only: tuple[str, ...] = ()) -> None:
    """The fields of a table at a key, as far as named; all if none is."""
    names = only or tuple(asked.name for asked in form_fields(table(*_words_of(key)), tab.written_in))
    with ui.element("div").classes("row-of-fields"):
        for name in names:
            _field(tab, (*key, name))


def _all_of(tab: Tab, key: Key) -> None:
    """All of a table: its fields, and the tables within it."""
    _fields(tab, key)
    for name in tables_in(table(*_words_of(key))):
        heading(name.replace("_", " ").capitalize())
        _whole(tab, (*key, name))


def _whole(tab: Tab, key: Key) -> None:
    """A table, or the rows of a list of tables."""
    (_rows if is_list(table(*_words_of(key[:-1])), str(key[-1])) else _all_of)(tab, key)


def _unfolding(tab: Tab, said: str, key: Key) -> None:
    """A table that is folded away, and made when it is first looked at."""
    folded = ui.expansion(said).classes("w-full")
    made: list[bool] = []

    def unfold() -> None:
        if not made:
            made.append(True)
            with folded, tab.watching(_part(key[:-1])):
                _whole(tab, key)

    folded.on_value_change(unfold)


def _part(key: Key) -> str:
    """The part of the page that a key's fields belong to: that of a row is within that of its list."""
    return "/".join(map(str, key)) + "/"


def _words_of(key: Key) -> tuple[str, ...]:
    return tuple(part for part in key if isinstance(part, str))


def _field(tab: Tab, key: Key) -> None:
    model, name = table(*_words_of(key[:-1])), str(key[-1])

    def asked() -> Field:
        return next(one for one in form_fields(model, tab.written_in) if one.name == name)

    def write(event: events.ValueChangeEventArguments[Any]) -> None:
        text = str(event.value) if event.value is not None else ""
        if tab.history.now.readable and typed(text) != tab.history.now.value(key):
            tab.edit(lambda draft: draft.with_value(key, _kept(asked(), text)), key)

    made = _input(asked())

    def show() -> None:
        draft, now = tab.history.now, asked()
        made.set_enabled(draft.readable)
        _relabel(made, now)
        text = shown(draft.value(key))
        offered = not now.choices or text in now.choices or not text
        if draft.readable and offered and typed(str(made.value or "")) != typed(text):
            made.set_value(text)
        said = [problem.message for problem in tab.problems if is_of(problem.key, key)]
        made.error = said[0] if said else None

    show()
    made.on_value_change(write)
    tab.watch(show)


def _input(asked: Field) -> Any:
    made: Any
    if asked.choices:
        words = {"": f"({asked.default or 'none'})"} | {word: word for word in asked.choices}
        made = ui.select(words, label=asked.label, value="")
    else:
        made = ui.input(asked.label, placeholder=asked.default)
    made.props("outlined dense stack-label hide-bottom-space")
    if asked.name == "title":
        made.classes("wide")
    made.tooltip(asked.help)
    return made


def _relabel(made: Any, asked: Field) -> None:
    """Labels and defaults go with the units of the dive file."""
    for prop, text in (("label", asked.label), *(() if asked.choices else (("placeholder", asked.default),))):
        if made.props.get(prop) != text:
            made.props[prop] = text


def _kept(asked: Field, text: str) -> Any:
    """What is typed, as the key takes it: words stay words even where they look like numbers."""
    if asked.name in ("name", "title"):
        return text.strip() or None
    value = typed(text)
    return [value] if asked.many and value is not None and not isinstance(value, list) else value


def _rows(tab: Tab, key: Key) -> None:
    """A list of tables: a line of fields each, that can be added and taken away."""
    words, part = _words_of(key), _part(key)
    listed = ui.element("div").classes("w-full")
    shown_rows = [-1]

    def show() -> None:
        if not tab.history.now.readable:
            return
        count = tab.history.now.rows(key)
        if count == shown_rows[0]:
            return
        shown_rows[0] = count
        tab.forget(part)
        listed.clear()
        with listed, tab.watching(part):
            for i in range(count):
                _row(tab, key, i)

    if words in _NEW_ROWS:
        ui.button(
            f"Add a {_ONE_OF[words[-1]]}",
            on_click=lambda: tab.edit(lambda draft: draft.with_row(key, _new(draft, key))),
        ).props("outline dense")
    tab.watch(show)
    show()


def _row(tab: Tab, key: Key, i: int) -> None:
    def take_away() -> None:
        tab.edit(lambda draft: draft.without_row(key, i))

    one = f"{_ONE_OF[str(key[-1])]} {i + 1}"
    with ui.element("div").classes("card-row").props(f'role="group" aria-label="{one}"'):
        with ui.element("div").classes("grow"):
            _fields(tab, (*key, i))
            for name in tables_in(table(*_words_of(key))):
                _unfolding(tab, f"Own {name}", (*key, i, name))
        ui.button(icon="close", on_click=take_away).props(f'flat dense aria-label="Take away {one}"')


def _new(draft: Draft, key: Key) -> dict[str, Any]:
    """A row to begin with; its name is none that is there."""
    row = dict(_NEW_ROWS[_words_of(key)])
    taken = {other.get("name") for other in draft.value(key) or [] if isinstance(other, dict)}
    if "name" in row and row["name"] in taken:
        row["name"] = next(f"{row['name']} {i}" for i in range(2, len(taken) + 3) if f"{row['name']} {i}" not in taken)
    return row
