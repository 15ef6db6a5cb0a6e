"""The ensemble on the page, in a real browser: drawn when asked for, given up, dropped when the dive changes."""

import re

import pytest
from playwright.sync_api import expect

from leadline.app.planner import read_text
from leadline.ensemble import words as words
from leadline.ensemble.robustness import run_ensemble
from tests.app.steps import AXE, EXAMPLES, PHONE, TRIMIX, WIDE, level, open_file, settled, shut_out, strip, write

FEW = TRIMIX.replace("[ensemble]\n", "[ensemble]\ndives = 300\n").replace("Marigold, keel", "Few")
MANY = TRIMIX.replace("[ensemble]\n", "[ensemble]\ndives = 1000000\n").replace("Marigold, keel", "Many")
TEAM = (EXAMPLES / "marigold-team.toml").read_text() + "\n[ensemble]\ndives = 200\n"
assert "dives" in FEW
assert "dives" in MANY


def opened(visit, text, title, viewport=WIDE):
    page = visit(viewport)
    open_file(page, "dive.toml", text)
    expect(page.get_by_role("heading", level=1)).to_have_text(title)
    settled(page)
    return page


def state(page):
    return page.locator("#ensemble-state")


def draw(page):
    page.get_by_role("button", name="Simulate the dives").click()
    expect(state(page)).to_have_text("Drawn.")


def rows(page, caption):
    return page.evaluate(
        """(caption) => [...document.querySelectorAll("#ensemble-shown table")]
            .filter((table) => table.caption.textContent === caption)
            .flatMap((table) => [...table.tBodies[0].rows].map((row) => [...row.cells].map((c) => c.textContent)))""",
        caption,
    )


def test_it_shows_what_is_found(visit):
    """The very sample of the same file and seed, in pictures that say what they show and in tables."""
    page = opened(visit, FEW, "Few")
    expect(page.locator("#ensemble-shown")).to_be_hidden()
    expect(page.locator("#ensemble")).to_contain_text("None is a chance of decompression sickness")
    draw(page)
    [found] = run_ensemble(read_text(FEW))
    for line in words.summary(found):
        expect(page.locator("#ensemble-shown")).to_contain_text(line)
    assert rows(page, "Which slate is needed") == [[s.name, words.chance(s.taken)] for s in found.slates]
    gas = rows(page, "The gas lasts")
    for row, one, other in zip(gas, found.recomputed.cylinders, found.by_slate.cylinders, strict=False):
        assert row == [one.name, *(words.chance(c) for c in (one.lasts, one.to_empty, other.lasts, other.to_empty))]
    assert len(gas) == len(found.recomputed.cylinders) + 1
    kinds = rows(page, f"Contingencies on {found.planned_whole} of the drawn dives")
    assert [row[:2] for row in kinds] == [[one.kind, words.chance(one.gas_short)] for one in found.what_ifs]
    for name in ("gas", "tts", "gf", "slates", "drivers"):
        picture = page.locator(f"#ensemble-{name}")
        expect(picture).to_be_visible()
        expect(picture.locator("canvas, svg").first).to_be_visible()
        assert re.search(r"\d", picture.get_attribute("aria-label")) or name == "drivers"
    assert "twin set: " in page.locator("#ensemble-gas").get_attribute("aria-label")


def test_it_is_dropped_when_the_dive_changes(visit):
    page = opened(visit, FEW, "Few")
    draw(page)
    write(level(page).get_by_label("leave at"), "22")
    expect(state(page)).to_have_text("The dive has changed; its ensemble was dropped.")
    expect(page.locator("#ensemble-shown")).to_be_hidden()
    draw(page)
    expect(page.locator("#ensemble-shown")).to_be_visible()


def test_it_is_given_up(visit):
    """Stopped by hand, and by a change of the dive; the plan goes on meanwhile, and another can be drawn."""
    page = opened(visit, MANY, "Many")
    page.get_by_role("button", name="Simulate the dives").click()
    expect(state(page)).to_contain_text("drawing dives")
    page.get_by_role("button", name="Stop drawing").click()
    expect(state(page)).to_have_text("Stopped.")
    page.get_by_role("button", name="Simulate the dives").click()
    expect(state(page)).to_contain_text("drawing dives")
    write(level(page).get_by_label("leave at"), "22")
    expect(state(page)).to_have_text("The dive has changed; its ensemble was dropped.")
    expect(strip(page)).not_to_contain_text("Run time 58 min")
    expect(page.get_by_role("button", name="Simulate the dives")).to_be_visible()
    open_file(page, "few.toml", FEW)
    expect(page.get_by_role("heading", level=1)).to_have_text("Few")
    settled(page)
    draw(page)


def test_units_are_those_shown(visit):
    page = opened(visit, FEW, "Few")
    draw(page)
    page.get_by_role("button", name="imperial", exact=True).click()
    expect(page.locator("#ensemble-shown")).to_contain_text("10 ft deeper")
    assert "psi in 9 dives of 10" in page.locator("#ensemble-gas").get_attribute("aria-label")
    assert "3 m deeper" not in page.locator("#ensemble-shown").inner_text()
    page.get_by_role("button", name="as written", exact=True).click()
    expect(page.locator("#ensemble-shown")).to_contain_text("3 m deeper")


def test_every_diver_of_a_team(visit):
    page = opened(visit, TEAM, "Marigold, keel")
    draw(page)
    names = [one.diver for one in run_ensemble(read_text(TEAM))]
    assert len(names) > 1
    for name in names:
        page.get_by_role("group", name="diver shown").get_by_role("button", name=name).click()
        expect(page.locator("#ensemble-shown")).to_contain_text(name)
    expect(page.locator("#ensemble-shown")).to_contain_text("are those of this diver alone")


@pytest.mark.parametrize("viewport", [WIDE, PHONE], ids=["wide", "phone"])
def test_nothing_shuts_anybody_out(visit, viewport):
    """With the keyboard alone it is drawn and folded open; axe-core finds nothing serious, by day and night; a phone
    needs no sideways scroll."""
    page = opened(visit, FEW, "Few", viewport)
    page.get_by_role("button", name="Simulate the dives").focus()
    page.keyboard.press("Enter")
    expect(state(page)).to_have_text("Drawn.")
    for said in ("What differs, and how", "All numbers, by the slate", "All indices"):
        page.get_by_role("button", name=f'Expand "{said}"').focus()
        page.keyboard.press("Enter")
        expect(page.get_by_role("button", name=f'Collapse "{said}"')).to_be_visible()
    expect(page.locator("#ensemble-shown")).to_contain_text("common practice, no source")
    page.add_script_tag(path=AXE)
    assert shut_out(page) == []
    page.get_by_role("button", name="Night").click()
    expect(page.locator("body")).to_have_class(re.compile("night"))
    assert shut_out(page) == []
    if viewport == PHONE:
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
