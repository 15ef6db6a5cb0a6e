"""Every key of a dive file can be set on the page: the schema's keys are gone through, and each has its field."""

import asyncio
import tomllib
from collections import Counter

from nicegui import ui
from nicegui.testing import user_simulation
from playwright.sync_api import expect

from leadline.app.draft import Draft, History
from leadline.app.fields import form_fields, table_in, tables_in
from leadline.app.forms import contingency_fields, the_dive, what_we_breathe
from leadline.app.tab import Tab
from leadline.dive_file.schema import Dive
from tests.app.steps import saved, write

EVERY_TABLE = """title = "Every table"
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
[[team]]
name = "Mira"
[[team.cylinders]]
name = "own set"
gas = "28"
size = 24
pressure = 230
use = "bottom"
[[team]]
name = "Bo"
[solve]
cylinders = [{ size = 12, pressure = 200 }]
[fills]
sources = [{ gas = "helium" }]
cylinders = [{ cylinder = "twin set", diver = "Bo" }]
analysed = [{ cylinder = "twin set", diver = "Bo", o2 = 28 }]
[[compare]]
gradient_factors = [30, 70]
[ensemble]
depth = { normal = 1 }
[sweep]
axes = [{ key = "levels.1.leave_at", values = [20, 25] }]
"""
"""One row, or more, of every list of tables but [[previous]], which needs a log or a file."""
NOT_TYPED = {"previous"}


def labels_of(model):
    """The labels of every key of a table and of the tables within it."""
    found = Counter(one.label for one in form_fields(model, "metric"))
    for name in tables_in(model):
        if name not in NOT_TYPED:
            found += labels_of(table_in(model.model_fields[name].annotation))
    return found


def built(text):
    """The labels of all fields of the page for a dive file, everything unfolded; built without a browser."""
    found = Counter()

    def page():
        tab = Tab(None, ui.context.client, History(Draft(text)))
        the_dive(tab)
        what_we_breathe(tab)
        contingency_fields(tab)
        unfold_all(tab.client.elements)
        found.update(e.props["label"] for e in tab.client.elements.values() if isinstance(e, ui.input | ui.select))

    async def visited():
        async with user_simulation(root=page) as user:
            await user.open("/")

    asyncio.run(visited())
    return found


def unfold_all(elements):
    """Unfold all there is, also what unfolding has brought."""
    done = set()
    while folded := [e for e in elements.values() if isinstance(e, ui.expansion) and e.id not in done]:
        for expansion in folded:
            done.add(expansion.id)
            expansion.set_value(True)


def test_every_key_of_the_schema_has_a_field():
    there = built(EVERY_TABLE)
    missing = {label: n - there[label] for label, n in labels_of(Dive).items() if there[label] < n}
    assert not missing


def test_a_manifold_is_set_on_the_page(visit):
    page = visit()
    field = page.get_by_role("group", name="cylinder 1", exact=True).get_by_label("manifold")
    field.click()
    page.get_by_role("option", name="true").click()
    assert "manifold = true" in saved(page)


def test_a_spread_is_typed_as_the_file_has_it(visit):
    page = visit()
    page.get_by_role("button", name='Expand "More of the dive file"').click()
    page.get_by_role("button", name='Expand "Ensemble"').click()
    write(page.get_by_label("ascent", exact=True), "{ normal = 1 }")
    expect(page.get_by_text("Planning …")).to_have_count(0)
    assert tomllib.loads(saved(page))["ensemble"]["ascent"] == {"normal": 1}
