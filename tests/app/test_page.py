"""The page in a real browser: what a diver does with it, from first start to printed slates."""

import re
import time
import tomllib

import pypdf
import pytest
from playwright.sync_api import Error, expect

from leadline.cautions import SHORT
from tests.app.conftest import Server
from tests.app.steps import (
    AXE,
    EXAMPLES,
    PHONE,
    TRIMIX,
    WIDE,
    WITHIN_MS,
    agrees,
    cylinder,
    level,
    open_file,
    saved,
    settled,
    shown_numbers,
    shut_out,
    strip,
    unfold,
    write,
)

LOOP = (EXAMPLES / "marigold-loop.toml").read_text()
KEEL = """# the keel
title = "Keel"
units = "metric"

[[levels]]
depth = 40 # the sand
leave_at = 20

[[cylinders]]
name = "twin set"
gas = "28"
size = 24
pressure = 230
use = "bottom"

[diver]
rmv_bottom = 18
"""
MM = 72 / 25.4


# --- From first start to printed slates -------------------------------------------------------------------------------


def test_a_newcomer_comes_to_printed_slates(visit, tmp_path):
    """An example is there with its verdict and cautions; the tour is open, once; what is printed is true to size."""
    page = visit()
    expect(page.get_by_role("heading", level=1)).to_have_text("Marigold, keel")
    expect(page.locator(".verdict-word")).to_have_text("Can be dived as planned")
    expect(strip(page)).to_contain_text(SHORT)
    expect(page.locator("ul.tour")).to_be_visible()
    agrees(page, TRIMIX, tmp_path)
    sizes = {"Slate (PDF)": (90, 130), "Briefing (PDF)": (210, 297)}
    for button, size in sizes.items():
        with page.expect_download() as download:
            page.get_by_role("button", name=button).click()
        assert download.value.suggested_filename.startswith("marigold-keel-")
        sheets = pypdf.PdfReader(download.value.path()).pages
        assert len(sheets) > 0
        for sheet in sheets:
            assert (sheet.mediabox.width / MM, sheet.mediabox.height / MM) == pytest.approx(size, abs=0.2)
        assert "Marigold" in sheets[0].extract_text()
    page.reload()
    settled(page)
    expect(page.get_by_text("What this page shows")).to_be_visible()
    expect(page.locator("ul.tour")).to_be_hidden()


def test_edits_show_what_the_command_line_says(visit, tmp_path):
    """Depth, time, gas, gradient factors, a cylinder more and one less, a loop: all of it, of the file as saved."""
    page = visit()
    write(level(page).get_by_label("depth, m"), "57")
    write(level(page).get_by_label("leave at"), "25")
    expect(strip(page)).not_to_contain_text("Run time 58 min")
    agrees(page, saved(page), tmp_path)
    write(page.get_by_label("gradient factors, %").first, "30, 70")
    write(cylinder(page, 1).get_by_label("gas", exact=True), "21/35")
    page.get_by_role("button", name="Add a cylinder").click()
    expect(cylinder(page, 4).get_by_label("name")).to_have_value("another stage")
    write(cylinder(page, 4).get_by_label("gas", exact=True), "32")
    text = saved(page)
    assert [one["gas"] for one in tomllib.loads(text)["cylinders"]] == ["21/35", 50, "oxygen", 32] or [
        str(one["gas"]) for one in tomllib.loads(text)["cylinders"]
    ] == ["21/35", "50", "oxygen", "32"]
    agrees(page, text, tmp_path)
    page.get_by_role("button", name="Take away cylinder 3").click()
    expect(cylinder(page, 4)).to_have_count(0)
    agrees(page, saved(page), tmp_path)
    page.get_by_role("button", name='Expand "Loop"').click()
    write(page.get_by_label("diluent", exact=True), "18/45")
    write(page.get_by_label("setpoint, bar", exact=True), "1.2")
    for i in (1, 2, 3):
        cylinder(page, i).get_by_label("use").click()
        page.get_by_role("option", name="bailout").click()
    text = saved(page)
    assert tomllib.loads(text)["loop"] == {"diluent": "18/45", "setpoint": 1.2}
    agrees(page, text, tmp_path)
    assert text.count("#") == TRIMIX.count("#")


def test_units_change_what_is_shown_and_nothing_else(visit, tmp_path):
    page = visit()
    page.get_by_role("button", name="imperial", exact=True).click()
    expect(strip(page)).to_contain_text("First stop 79 ft")  # 24 m; 1 ft is 0.3048 m
    expect(strip(page)).to_contain_text("Run time 58 min")
    assert saved(page) == TRIMIX
    page.get_by_role("button", name="as written", exact=True).click()
    agrees(page, TRIMIX, tmp_path)


def test_undo_and_redo(visit, tmp_path):
    page = visit()
    undo, redo = (page.get_by_role("button", name=name, exact=True) for name in ("Undo", "Redo"))
    expect(undo).to_be_disabled()
    write(level(page).get_by_label("leave at"), "30")
    expect(undo).to_be_enabled()
    changed = saved(page)
    agrees(page, changed, tmp_path)
    undo.click()
    expect(level(page).get_by_label("leave at")).to_have_value("20")
    agrees(page, TRIMIX, tmp_path)
    assert saved(page) == TRIMIX
    redo.click()
    expect(level(page).get_by_label("leave at")).to_have_value("30")
    assert saved(page) == changed


def test_a_file_is_opened_and_saved_with_its_comments(visit, tmp_path):
    page = visit()
    open_file(page, "loop.toml", LOOP)
    expect(page.get_by_role("heading", level=1)).to_have_text("Marigold, foredeck")
    expect(level(page).get_by_label("depth, ft")).to_have_value("150")
    assert saved(page) == LOOP
    write(level(page).get_by_label("leave at"), "33")
    expect(page.get_by_role("heading", level=1)).to_have_text("Marigold, foredeck (not saved)")
    assert saved(page) == LOOP.replace("leave_at = 35", "leave_at = 33")


def test_the_dive_file_is_written_in(visit, tmp_path):
    """What is typed there counts; while it is no dive file that is said, and fields wait."""
    page = visit()
    open_file(page, "keel.toml", KEEL)
    expect(page.get_by_role("heading", level=1)).to_have_text("Keel")
    page.locator(".cm-content").click()
    page.keyboard.press("ControlOrMeta+End")
    page.keyboard.type("sorting_out = ")
    expect(page.locator("#findings")).to_contain_text("is not TOML")
    expect(level(page).get_by_label("leave at")).to_be_disabled()
    expect(level(page).get_by_label("leave at")).to_have_value("20")
    page.keyboard.type("4")
    expect(page.get_by_label("sorting out, min")).to_have_value("4")
    expect(level(page).get_by_label("leave at")).to_be_enabled()
    assert saved(page) == KEEL + "sorting_out = 4"
    write(level(page).get_by_label("leave at"), "22")
    text = (KEEL + "sorting_out = 4").replace("leave_at = 20", "leave_at = 22")
    agrees(page, text, tmp_path)
    assert saved(page) == text


def test_the_briefing_to_send_opens_without_a_network(visit, browser, tmp_path):
    page = visit()
    with page.expect_download() as download:
        page.get_by_role("button", name="Briefing to send").click()
    file = tmp_path / download.value.suggested_filename
    download.value.save_as(file)
    context = browser.new_context(viewport=PHONE, offline=True)
    asked = []
    context.route("**", lambda route: (asked.append(route.request.url), route.continue_()))
    phone = context.new_page()
    phone.goto(file.as_uri())
    expect(phone.locator(".verdict-word")).to_have_text("Can be dived as planned")
    expect(phone.get_by_role("img").first).to_be_visible()
    assert phone.evaluate("[...document.images].every((image) => image.complete && image.naturalWidth > 300)")
    assert all(url.startswith(("file:", "data:")) for url in asked)
    assert phone.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    context.close()


# --- On every screen, by day and night, with the keyboard alone -------------------------------------------------------


def test_a_phone_needs_no_sideways_scroll(visit):
    page = visit(PHONE)
    for text in (TRIMIX, LOOP, TRIMIX.replace("twin set", "W" * 40).replace("Marigold, keel", "M" * 80)):
        open_file(page, "dive.toml", text)
        expect(page.get_by_role("heading", level=1)).to_have_text(tomllib.loads(text)["title"])
        settled(page)
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
        assert strip(page).bounding_box()["height"] <= PHONE["height"] / 3


def test_night(visit):
    """Dark, and kept; nothing on the page stays bright."""
    page = visit()
    page.get_by_role("button", name="Night").click()
    expect(page.locator("body")).to_have_class(re.compile("night"))
    page.reload()
    settled(page)
    expect(page.locator("body")).to_have_class(re.compile("night"))
    bright = page.evaluate(
        """() => [...document.querySelectorAll("body, body *")].filter((element) => {
            const found = getComputedStyle(element).backgroundColor.match(/[0-9.]+/g).map(Number);
            const light = 0.2126 * found[0] + 0.7152 * found[1] + 0.0722 * found[2];
            const box = element.getBoundingClientRect();
            return (found[3] ?? 1) > 0.5 && light > 60 && box.width * box.height > 20000 && element.checkVisibility();
        }).map((element) => element.outerHTML.slice(0, 90))"""
    )
    assert bright == []


def test_the_keyboard_alone(visit):
    """Tab comes to the fields and to the pictures; there the arrow keys move the read-out, minute by minute."""
    page = visit()

    def tab_to(selector, most=150):
        for _ in range(most):
            page.keyboard.press("Tab")
            if page.evaluate("(selector) => document.activeElement.matches(selector)", selector):
                return
        raise AssertionError(f"the keyboard does not come to {selector}")

    tab_to("[aria-label='level 1'] input")
    assert level(page).get_by_label("depth, m").evaluate("(field) => field === document.activeElement")
    page.keyboard.type("54")
    page.keyboard.press("Tab")
    page.keyboard.press("ControlOrMeta+a")
    page.keyboard.type("22")
    expect(page.get_by_role("button", name="Undo", exact=True)).to_be_enabled()
    tab_to("#pictures")
    read = {name: page.locator(f"[data-read={name}]") for name in ("run_time", "depth", "gas", "ppo2")}
    page.keyboard.press("Home")
    expect(read["run_time"]).to_have_text("0:00")
    expect(read["depth"]).to_have_text("0 m")
    page.keyboard.press("PageDown")
    page.keyboard.press("ArrowRight")
    expect(read["run_time"]).to_have_text("11:00")
    expect(read["gas"]).to_have_text("18/45")
    # ppO2 of 18 % at the level: 18 % of 1.01325 bar and 1 bar for every 9.948 m of sea water (1025 kg/m³).
    depth_m = float(tomllib.loads(saved(page))["levels"][0]["depth"])
    expect(read["depth"]).to_have_text(f"{depth_m:g} m")
    expect(read["ppo2"]).to_have_text(f"{0.18 * (1.01325 + 1025 * 9.80665 * depth_m / 1e5):.2f} bar")
    expect(page.locator("#cursor-said")).to_contain_text("run time 11:00")
    page.locator("#pictures").focus()
    page.keyboard.press("End")
    expect(read["depth"]).to_have_text("0 m")


@pytest.mark.parametrize("viewport", [WIDE, PHONE], ids=["wide", "phone"])
def test_nothing_shuts_anybody_out(visit, viewport):
    """axe-core finds nothing serious, by day and night, folded open, with a plan and with something to put right."""
    page = visit(viewport)
    unfold(page)
    page.add_script_tag(path=AXE)
    for state in ("day", "night", "night, with a problem"):
        if state == "night":
            page.get_by_role("button", name="Night").click()
            expect(page.locator("body")).to_have_class(re.compile("night"))
        elif state != "day":
            write(level(page).get_by_label("depth, m"), "deep")
            expect(page.locator(".verdict-word")).to_contain_text("to put right")
        assert (state, shut_out(page)) == (state, [])


# --- What goes wrong --------------------------------------------------------------------------------------------------


FIELDS = "section:not(#the-log) .row-of-fields .q-input:not(.wide)"
"""Those of the dive file."""
TYPE_ALL = """([start, end]) => {
    const type = Object.getOwnPropertyDescriptor(HTMLInputElement.prototype, "value").set;
    const fields = [...document.querySelectorAll("FIELDS")].slice(start, end);
    for (const field of fields) {
        const input = field.querySelector("input");
        type.call(input, field.querySelector(".q-field__label").textContent === "name" ? "" : "?!");
        input.dispatchEvent(new Event("input", {bubbles: true}));
    }
}""".replace("FIELDS", FIELDS)
"""Fields of a name are emptied, for they take any word."""
UNSAID = """([start, end]) => [...document.querySelectorAll("FIELDS")].slice(start, end)
    .filter((field) => !field.matches(".q-field--error") || !field.querySelector("[role=alert]")?.textContent)
    .map((field) => field.textContent)""".replace("FIELDS", FIELDS)


def test_bad_input_is_said_at_its_field(visit, server):
    """In every field of the page: at the field, in the strip and in words; and all is well with another dive."""
    page = visit()
    unfold(page)
    page.get_by_role("button", name="Add a diver").click()
    expect(page.get_by_role("group", name="diver 1", exact=True)).to_be_visible()
    count = page.locator(FIELDS).count()
    assert count > 60
    for start in range(0, count, 15):  # of twenty problems no more are told
        chunk = [start, min(start + 15, count)]
        page.evaluate(TYPE_ALL, chunk)
        until = time.monotonic() + WITHIN_MS / 1000
        while (unsaid := page.evaluate(UNSAID, chunk)) and time.monotonic() < until:
            page.wait_for_timeout(200)
        assert unsaid == []
        expect(page.locator(".verdict-word")).to_contain_text("to put right")
        expect(page.locator("#findings li").first).to_be_visible()
        page.get_by_role("button", name="Open").click()
        page.get_by_text("Example: marigold trimix").click()
        settled(page)
        page.get_by_role("button", name="Add a diver").click()
        expect(page.get_by_role("group", name="diver 1", exact=True)).to_be_visible()
    assert server.ask() == 200


def test_hostile_words_stay_words(visit, tmp_path):
    page = visit()
    bad = "<img src=x onerror='window.hacked=1'>{b}"
    text = TRIMIX.replace("Marigold, keel", bad).replace("twin set", f"t{bad[:38]}").replace("left stage", "<b>l</b>")
    open_file(page, "bad.toml", text)
    expect(page.get_by_role("heading", level=1)).to_have_text(bad)
    agrees(page, text, tmp_path)
    assert page.evaluate("window.hacked") is None
    open_file(page, "bad.toml", "depth = [[[")
    expect(page.locator(".verdict-word")).to_have_text("1 thing to put right")
    expect(page.locator("#findings")).to_contain_text("is not TOML")
    open_file(page, "big.toml", TRIMIX + "#" * 60_000)
    expect(page.get_by_text("too large for a dive file")).to_be_visible()
    page.get_by_role("button", name="Undo", exact=True).click()
    agrees(page, text, tmp_path)


def test_a_level_is_dragged(visit, tmp_path):
    """The handle of the level at 60 m, 20 min of a picture of 58 min and 70 m, to 51 m and 24 min; and undone."""
    page = visit()
    canvas = page.locator("#pictures canvas").first
    canvas.scroll_into_view_if_needed()
    page.locator("#pictures").evaluate("(chart) => chart.scrollIntoView({block: 'center'})")
    box = canvas.bounding_box()

    def at(minutes, depth):
        return box["x"] + 56 + (box["width"] - 76) * minutes / 58, box["y"] + 20 + 300 * depth / 70

    page.mouse.move(*at(20, 60))
    page.mouse.down()
    page.mouse.move(*at(22, 55), steps=4)
    page.mouse.move(*at(24, 51), steps=4)
    page.mouse.up()
    expect(level(page).get_by_label("leave at")).to_have_value("24")
    expect(level(page).get_by_label("depth, m")).to_have_value("51")
    agrees(page, saved(page), tmp_path)
    page.get_by_role("button", name="Undo", exact=True).click()
    agrees(page, TRIMIX, tmp_path)


def test_a_contingency_is_laid_over_the_profile(visit):
    page = visit()
    drawn = "() => document.querySelector('#pictures canvas').toDataURL()"
    page.wait_for_function("() => document.querySelector('[data-read=depth]').textContent === '0 m'")
    before = page.evaluate(drawn)
    page.get_by_label("Laid over the profile").click()
    page.get_by_role("option", name="5 min longer", exact=True).click()
    page.keyboard.press("Escape")
    expect(page.locator(".q-chip")).to_contain_text("5 min longer")
    page.wait_for_function(f"(before) => ({drawn})() !== before", arg=before)
    write(level(page).get_by_label("leave at"), "21")
    expect(strip(page)).not_to_contain_text("Run time 58 min")
    expect(page.locator(".q-chip")).to_contain_text("5 min longer")
    page.locator(".q-chip").get_by_role("button").click()
    expect(page.locator(".q-chip")).to_have_count(0)
    page.get_by_role("button", name="Undo", exact=True).click()
    page.wait_for_function(f"(before) => ({drawn})() === before", arg=before)


def test_a_log_that_cannot_be_opened_leaves_the_rest_alone(visit, tmp_path):
    """It is said in words where the log would be."""
    page = visit()
    page.locator("#the-log").scroll_into_view_if_needed()
    expect(page.locator("#dives")).to_contain_text("cannot be made: there is no folder")
    write(level(page).get_by_label("leave at"), "25")
    expect(strip(page)).not_to_contain_text("Run time 58 min")
    agrees(page, saved(page), tmp_path)
    text = TRIMIX + "\n[[previous]]\nlog = 1\nsurface_interval = 90\n"
    open_file(page, "second.toml", text)
    expect(page.locator("#findings")).to_contain_text("the dive log cannot say what was dived before")
    expect(page.locator("#findings")).to_contain_text("there is no folder")


def test_two_divers_at_once(visit, tmp_path):
    """Each sees the own dive alone."""
    one, other = visit(), visit()
    write(level(one).get_by_label("leave at"), "25")
    write(level(other).get_by_label("leave at"), "15")
    texts = [saved(page) for page in (one, other)]
    assert [tomllib.loads(text)["levels"][0]["leave_at"] for text in texts] == [25, 15]
    for page, text in zip((one, other), texts, strict=True):
        agrees(page, text, tmp_path)


def test_the_page_comes_back_with_the_server(visit):
    """The draft is kept, is still known to be unsaved, and can be worked on."""
    own = Server()
    try:
        page = visit(url=own.url)
        write(level(page).get_by_label("leave at"), "26")
        expect(page.get_by_role("heading", level=1)).to_have_text("Marigold, keel (not saved)")
        before = shown_numbers(page)
        own.stop()
        expect(page.locator("#popup")).to_be_visible()
        own.restart()
        expect(page.locator("#popup")).to_be_hidden()
        settled(page)
        expect(level(page).get_by_label("leave at")).to_have_value("26")
        expect(page.get_by_role("heading", level=1)).to_have_text("Marigold, keel (not saved)")
        until = time.monotonic() + WITHIN_MS / 1000
        while shown_numbers(page) != before and time.monotonic() < until:
            page.wait_for_timeout(200)
        assert shown_numbers(page) == before
        write(level(page).get_by_label("leave at"), "20")
        expect(strip(page)).to_contain_text("Run time 58 min")
    finally:
        own.stop()


def test_leaving_with_changes_is_warned_of(visit):
    page = visit()
    warned = []
    page.on("dialog", lambda dialog: (warned.append(dialog.type), dialog.dismiss()))
    write(level(page).get_by_label("leave at"), "21")
    expect(page.get_by_role("heading", level=1)).to_have_text("Marigold, keel (not saved)")
    page.wait_for_function("() => JSON.parse(sessionStorage['leadline.draft']).text.includes('leave_at = 21')")
    with pytest.raises(Error, match="ERR_ABORTED"):  # the diver chose to stay
        page.goto("about:blank")
    assert warned == ["beforeunload"]
    saved(page)
    expect(page.get_by_role("heading", level=1)).to_have_text("Marigold, keel")
    page.wait_for_function(
        "() => { const d = JSON.parse(sessionStorage['leadline.draft']); return d.text === d.saved; }"
    )
    page.goto("about:blank")
    assert warned == ["beforeunload"]


def test_the_limits_are_worked_out_until_stopped(visit):
    page = visit()
    begin, stop = (page.get_by_role("button", name=name, exact=True) for name in ("Work out the limits", "Stop"))
    begin.click()
    expect(page.get_by_text(re.compile(r"Working: [1-9]\d* dives planned"))).to_be_visible()
    expect(begin).to_be_hidden()
    stop.click()
    expect(begin).to_be_visible()
    expect(page.get_by_text(re.compile("Stopped"))).to_be_visible()
