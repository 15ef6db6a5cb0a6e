"""The log on the page, in a real browser: dives in and out, how one went, and the next one after it."""

import csv
import json
import re
import tomllib
import xml.etree.ElementTree as ElementTree
from datetime import datetime, timedelta
from pathlib import Path

import pypdf
import pytest
import sqlalchemy as sql
from playwright.sync_api import expect
from typer.testing import CliRunner

from leadline.cli import app as command
from leadline.logbook.database import tables as t
from leadline.logbook.database.store import Logbook
from leadline.logbook.dived import CylinderCarried, Dived, GasBreathed, Profile
from leadline.physics.mix import Mix
from tests.app.conftest import Server
from tests.app.steps import AXE, PHONE, agrees, level, open_file, saved, shut_out, strip, write

HOSTILE = "<img src=x onerror='window.hacked=1'>{b}"
KEEL = """# the keel
title = "Keel"
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

[diver]
rmv_bottom = 18
"""
TEAM = '\n[[team]]\nname = "Ann"\n\n[[team]]\nname = "Ben"\n'
UDDF = """<?xml version="1.0" encoding="UTF-8"?>
<uddf xmlns="http://www.streit.cc/uddf/3.2/" version="3.2.3">
<diver><owner id="ann"><personal><firstname>Ann</firstname></personal><equipment>
<tank id="twins"><name>twin set</name><tankvolume>0.024</tankvolume></tank></equipment></owner></diver>
<divesite><site id="keel"><name>HOSTILE</name></site><site id="stack"><name>Gull Stack</name></site></divesite>
<gasdefinitions><mix id="m28"><o2>0.28</o2><n2>0.72</n2><he>0</he></mix></gasdefinitions>
<profiledata><repetitiongroup>
<dive><informationbeforedive><link ref="keel"/><datetime>2026-05-31T10:20:00</datetime></informationbeforedive>
<tankdata><link ref="twins"/><link ref="m28"/>
<tankpressurebegin>23000000</tankpressurebegin><tankpressureend>9000000</tankpressureend></tankdata>
<samples>
<waypoint><depth>0</depth><divetime>0</divetime><switchmix ref="m28"/></waypoint>
<waypoint><depth>42</depth><divetime>150</divetime></waypoint>
<waypoint><depth>42</depth><divetime>1320</divetime></waypoint>
<waypoint><depth>6</depth><divetime>1560</divetime></waypoint>
<waypoint><depth>6</depth><divetime>1980</divetime></waypoint>
<waypoint><depth>0</depth><divetime>2040</divetime></waypoint>
</samples></dive>
<dive><informationbeforedive><link ref="stack"/><datetime>2026-05-31T14:00:00</datetime></informationbeforedive>
<samples>
<waypoint><depth>0</depth><divetime>0</divetime><switchmix ref="m28"/></waypoint>
<waypoint><depth>12</depth><divetime>1200</divetime></waypoint>
<waypoint><depth>0</depth><divetime>600</divetime></waypoint>
</samples></dive>
<dive><informationbeforedive><link ref="stack"/><datetime>2026-05-31T15:00:00</datetime></informationbeforedive>
<samples>
<waypoint><depth>0</depth><divetime>0</divetime><switchmix ref="m28"/></waypoint>
<waypoint><depth>12</depth><divetime>120</divetime></waypoint>
<waypoint><depth>12</depth><divetime>1800</divetime></waypoint>
<waypoint><depth>0</depth><divetime>1920</divetime></waypoint>
</samples></dive>
</repetitiongroup></profiledata></uddf>
""".replace("HOSTILE", HOSTILE.replace("<", "&lt;"))
"""Three dives of Ann: over the keel, one that goes back in time, and one at the Gull Stack."""
CSV = """# began: 2026-05-30 09:00
# title: Gull Stack, north wall
# cylinder: back, air, 12 L, 200 bar, 80 bar
time [min],depth [m]
0,0
2,20
30,20
34,0
"""


@pytest.fixture(scope="module")
def database(tmp_path_factory):
    """A log that only this module has."""
    return f"sqlite:///{tmp_path_factory.mktemp('log') / 'log.db'}"


@pytest.fixture(scope="module")
def server(database):
    made = Server(database=database)
    yield made
    made.stop()


@pytest.fixture(autouse=True)
def log(database, monkeypatch):
    """The log, empty, for the page and the command line alike."""
    monkeypatch.setenv("LEADLINE_DATABASE", database)
    with Logbook.open(database) as log:
        with log._engine.begin() as connection:
            for table in (t.dive, t.diver, t.plan):
                connection.execute(sql.delete(table))
        yield log


def said_by_command(*arguments: str) -> dict:
    return json.loads(CliRunner().invoke(command, [*arguments, "--json"]).stdout)


def to_the_log(page):
    page.locator("#the-log").evaluate("(log) => log.scrollIntoView()")
    expect(page.locator("#dives")).to_contain_text(re.compile("No dive is in the log yet|newest first"))


def bring_in(page, *files: tuple[str, str]):
    with page.expect_file_chooser() as chosen:
        page.get_by_role("button", name="Import dives").click()
    chosen.value.set_files(
        [{"name": name, "mimeType": "application/octet-stream", "buffer": text.encode()} for name, text in files]
    )
    expect(page.locator("#brought")).to_contain_text("came in")


def unfold(page, said):
    page.get_by_role("button", name=f'Expand "{said}').click()
    expect(page.get_by_role("button", name=f'Collapse "{said}')).to_be_visible()


def shown(page):
    return page.locator("#dive-of-the-log")


def show(page, number):
    page.get_by_role("button", name=f"Show dive {number}", exact=True).click()
    expect(shown(page)).to_contain_text(f"Dive {number}:")


def rows(page, caption):
    """The cells of a table of the log."""
    return page.evaluate(
        """(caption) => [...document.querySelectorAll("#the-log table")]
        .filter((table) => table.caption.textContent === caption)
        .flatMap((table) => [...table.tBodies[0].rows].map((row) => [...row.cells].map((c) => c.textContent)))""",
        caption,
    )


def download(page, button):
    with page.expect_download() as found:
        button.click()
    return found.value


def log_as_planned(page, at):
    fields = page.get_by_role("group", name="the plan as dived")
    if not fields.is_visible():
        unfold(page, "Log the plan above as dived")
    day, time = at.split()
    fields.get_by_label("date").fill(day)
    fields.get_by_label("left the surface at").fill(time)
    page.get_by_role("button", name="Log it as planned").click()


def numbers(log):
    return {(entry.began, entry.diver): entry.number for entry in log.entries()}


def test_dives_come_in_and_go_out(visit, log):
    """Two files at once, one dive of three broken: the others are there, once, and words stay words."""
    page = visit()
    to_the_log(page)
    unfold(page, "If the file does not say")
    page.get_by_role("group", name="if the file does not say").get_by_label("diver").fill("Ben")
    bring_in(page, ("saltby.uddf", UDDF), ("stack.csv", CSV))
    expect(page.locator("#brought")).to_contain_text("3 dives came in")
    expect(page.locator("#brought")).to_contain_text("1 is broken")
    expect(page.locator("#brought li")).to_contain_text("saltby.uddf, dive 2: goes back in time")
    found = numbers(log)
    keel, stack = (found[datetime(2026, 5, 31, hour, minute), "Ann"] for hour, minute in ((10, 20), (15, 0)))
    north = found[datetime(2026, 5, 30, 9, 0), "Ben"]
    expect(page.get_by_role("button", name="Show dive")).to_have_count(3)
    assert rows(page, "Dives, the newest first") == [
        [f"{stack}", "2026-05-31 15:00", "Gull Stack", "Ann", "12", "32:00", ""],
        [f"{keel}", "2026-05-31 10:20", HOSTILE, "Ann", "42", "34:00", ""],
        [f"{north}", "2026-05-30 09:00", "Gull Stack, north wall", "Ben", "20", "34:00", ""],
    ]
    show(page, keel)
    # Mean depth: (150 s x 21 m + 1170 s x 42 m + 240 s x 24 m + 420 s x 6 m + 60 s x 3 m) / 2040 s = 29.8 m.
    expect(shown(page)).to_contain_text("Deepest 42 m, mean 29.8 m, run time 34:00")
    expect(shown(page).get_by_role("heading").first).to_have_text(f"Dive {keel}: {HOSTILE}")
    assert rows(page, "Carried") == [["twin set", "28 %", "24", "230", "90"]]
    assert page.evaluate("window.hacked") is None

    uddf = download(page, page.get_by_role("button", name="Save this dive (UDDF)"))
    assert uddf.suggested_filename == f"dive-{keel}.uddf"
    everything = ElementTree.parse(download(page, page.get_by_role("button", name="Save these dives (UDDF)")).path())
    began = [one.text for one in everything.iter("{http://www.streit.cc/uddf/3.2/}datetime")]
    assert {"2026-05-30T09:00:00", "2026-05-31T10:20:00", "2026-05-31T15:00:00"} <= set(began)
    table = download(page, page.get_by_role("button", name="Save this dive (CSV)"))
    lines = [line for line in Path(table.path()).read_text().splitlines() if not line.startswith("#")]
    assert [float(row[1]) for row in list(csv.reader(lines))[1:]] == [0, 42, 42, 6, 6, 0]

    page.get_by_label("whose dives", exact=True).click()
    page.get_by_role("option", name="Ben").click()
    expect(page.get_by_role("button", name="Show dive")).to_have_count(1)
    more = f"<passed-over>{'x' * 1000}</passed-over>" * 2500  # more than all else that may be sent
    padded = Path(uddf.path()).read_text().replace("</uddf>", f"{more}</uddf>")
    bring_in(page, ("saltby.uddf", padded), ("not-one.uddf", "<html></html>"))
    expect(page.locator("#brought")).to_contain_text("No dive came in; 1 was in the log already")
    expect(page.locator("#brought li")).to_contain_text("not-one.uddf")
    assert numbers(log) == found


def test_how_it_went(visit, log, tmp_path):
    """Against the dive file of the page, once that is kept as its plan: as the command says. What was breathed
    goes into the dive file, and out again."""
    page = visit()
    open_file(page, "keel.toml", KEEL)
    expect(page.get_by_role("heading", level=1)).to_have_text("Keel")
    to_the_log(page)
    bring_in(page, ("saltby.uddf", UDDF))
    keel = numbers(log)[datetime(2026, 5, 31, 10, 20), "Ann"]
    show(page, keel)
    expect(shown(page)).to_contain_text("No plan is kept with it")
    expect(page.get_by_role("button", name="Debrief (PDF)")).to_be_hidden()
    page.get_by_role("button", name="Keep the dive file above as its plan").click()
    expect(shown(page)).to_contain_text("Which sheet applied")
    assert log.dive(keel).dived.plan.text == KEEL

    said = said_by_command("debrief", f"{keel}")
    listed = shown(page).locator("ul.findings li")
    assert said["findings"]
    expect(listed).to_have_count(len(said["findings"]))
    for i, finding in enumerate(said["findings"]):
        expect(listed.nth(i)).to_contain_text(finding["message"])
    marks = {row[0]: row for row in rows(page, "Plan and dive at the marked times")}
    # Planned to be left at 20 min; the file has the last sample at 42 m at 1320 s.
    assert marks["leave 40 m"][1:5] == ["20", "22", "+2.0", "42"]
    surface = next(mark for mark in said["marks"] if mark["what"] == "surface")
    assert float(marks["surface"][2]) == pytest.approx(surface["dived"]["run_time_min"], abs=0.051)
    doses = {row[0]: row[1:] for row in rows(page, "Oxygen and gradient factors")}
    assert doses["CNS"] == [
        f"{percent:.0f} %" for percent in (said["oxygen"]["planned"]["cns_percent"], said["oxygen"]["cns_percent"])
    ]
    assert doses["GF on surfacing"][1] == f"{said['gradient_factors']['surface_percent']:.0f} %"
    gas = rows(page, "Gas against the plan")
    assert [(row[0], row[5]) for row in gas] == [("twin set", "90")]
    assert float(gas[0][3]) == pytest.approx(said["gas"][0]["used_l"], abs=0.51)

    paper = pypdf.PdfReader(download(page, page.get_by_role("button", name="Debrief (PDF)")).path())
    assert "Keel" in paper.pages[0].extract_text()
    [offer] = [one for one in said["rmv"]["offers"] if one["key"] == "rmv_bottom"]
    page.get_by_role("button", name="Take this RMV as the dive file's").click()
    taken = page.get_by_label("RMV bottom, L/min").first
    expect(taken).not_to_have_value("18")
    assert tomllib.loads(saved(page))["diver"]["rmv_bottom"] == pytest.approx(offer["rate_l_min"], abs=0.051)
    page.get_by_role("button", name="Undo", exact=True).click()
    expect(taken).to_have_value("18")
    assert saved(page) == KEEL

    write(level(page).get_by_label("leave at"), "21")
    expect(page.get_by_role("heading", level=1)).to_have_text("Keel (not saved)")
    agrees(page, saved(page), tmp_path)
    page.get_by_role("button", name="Keep the dive file above as its plan").click()
    dialog = page.get_by_role("dialog")
    expect(dialog).to_contain_text("in place of keel.toml?")
    page.keyboard.press("Escape")
    expect(dialog).to_have_count(0)
    assert log.dive(keel).dived.plan.text == KEEL


def test_the_next_dive(visit, log, tmp_path):
    """The plan is logged as dived; the dive after it is planned as the command plans the saved file, until its dive is
    taken out of the log, which asks first."""
    page = visit()
    open_file(page, "keel.toml", KEEL)
    expect(page.get_by_role("heading", level=1)).to_have_text("Keel")
    agrees(page, KEEL, tmp_path)
    to_the_log(page)
    log_as_planned(page, "2026-06-01 09:30")
    expect(shown(page)).to_contain_text("Dived as planned: no deviation found.")
    [number] = numbers(log).values()
    page.get_by_role("button", name="Plan the next dive after this one").click()
    expect(page.get_by_text("Write how long the surface interval is")).to_be_visible()
    assert saved(page) == KEEL
    page.get_by_label("surface interval, min").last.fill("1.5 h")
    page.get_by_role("button", name="Plan the next dive after this one").click()
    expect(page.get_by_text(f"After dive {number} of the log.")).to_be_visible()
    text = saved(page)
    assert tomllib.loads(text)["previous"] == [{"log": number, "surface_interval": "1.5 h"}]
    agrees(page, text, tmp_path)
    before = page.get_by_role("group", name="dive before 1", exact=True)
    write(before.get_by_label("surface interval, min"), "240")
    expect(page.get_by_role("heading", level=1)).to_have_text("Keel (not saved)")
    later = saved(page)
    assert tomllib.loads(later)["previous"] == [{"log": number, "surface_interval": 240}]
    agrees(page, later, tmp_path)

    page.get_by_role("button", name="Remove this dive").click()
    expect(page.get_by_role("dialog")).to_contain_text(f"Remove dive {number} (2026-06-01 09:30, Keel) for good?")
    page.get_by_role("button", name="No, leave it").click()
    expect(page.get_by_role("dialog")).to_have_count(0)
    assert len(log.entries()) == 1
    page.get_by_role("button", name="Remove this dive").click()
    page.get_by_role("button", name="Remove it").click()
    expect(shown(page)).to_be_hidden()
    assert log.entries() == ()
    expect(strip(page)).to_contain_text("1 thing to put right")
    expect(page.locator("#findings")).to_contain_text(f"there is no dive {number} in the log")
    page.get_by_role("button", name="Take away dive before 1").click()
    expect(before).to_have_count(0)
    agrees(page, KEEL, tmp_path)


def test_a_team_goes_on_together(visit, log, tmp_path):
    """Every diver begins as the own dive has left him or her; nobody is forgotten."""
    page = visit()
    open_file(page, "keel.toml", KEEL + TEAM)
    agrees_team(page, KEEL + TEAM, tmp_path)
    to_the_log(page)
    log_as_planned(page, "2026-06-01 09:30")
    expect(page.get_by_role("button", name="Show dive")).to_have_count(2)
    found = {diver: number for (_, diver), number in numbers(log).items()}
    assert set(found) == {"Ann", "Ben"}
    page.get_by_label("surface interval, min").last.fill("90")
    page.get_by_role("button", name="Plan the next dive after this one").click()
    expect(page.get_by_text(f"After dive {found['Ann']} (Ann), {found['Ben']} (Ben) of the log.")).to_be_visible()
    text = saved(page)
    assert tomllib.loads(text)["previous"] == [{"log": found, "surface_interval": 90}]
    agrees_team(page, text, tmp_path)
    page.get_by_role("button", name="Undo", exact=True).click()
    log.remove(found["Ben"])
    page.get_by_role("button", name=f"Show dive {found['Ben']}", exact=True).click()
    expect(page.get_by_text(f"there is no dive {found['Ben']} in the log")).to_be_visible()
    expect(page.get_by_role("button", name="Show dive")).to_have_count(1)
    show(page, found["Ann"])
    page.get_by_role("button", name="Plan the next dive after this one").click()
    expect(page.get_by_text("the log has no dive of Ben at that time")).to_be_visible()


def agrees_team(page, text, tmp_path):
    """The strip shows the first diver as the command plans the whole team."""
    file = tmp_path / "team.toml"
    file.write_text(text)
    first = said_by_command("plan", str(file))["divers"][0]["plan"]
    run_time = -(-(first["schedule"]["run_time_min"] - 1e-6) // 1)
    expect(strip(page)).to_contain_text(f"Run time {run_time:.0f} min")
    cns = -(-(first["oxygen"]["cns_percent"] - 1e-6) // 1)
    expect(strip(page)).to_contain_text(f"CNS {cns:.0f} %")


def test_a_thousand_dives_do_not_weigh(visit, log):
    """Of a thousand dives some are sent at a time: a few thousand bytes, whichever are looked at."""
    dive = Dived(
        began=datetime(2020, 1, 1, 10, 0),
        profile=Profile((0.0, 2.0, 30.0, 33.0), (0.0, 18.0, 18.0, 0.0)),
        cylinders=(CylinderCarried("single", Mix.parse("air"), 12.0),),
        breathed=(GasBreathed(0.0, 0),),
        title="Gull Stack",
    )
    fill(log, dive, 1000)
    page, received = visit(), []
    page.on("websocket", lambda socket: socket.on("framereceived", lambda data: received.append(len(data))))
    page.reload()
    expect(page.locator(".strip .figure").first).to_be_visible()
    page.wait_for_timeout(500)
    received.clear()
    to_the_log(page)
    expect(page.get_by_role("button", name="Show dive")).to_have_count(25)
    expect(page.locator("#the-log")).to_contain_text("1 to 25 of 1000.")
    page.get_by_role("button", name="Older").click()
    expect(page.locator("#the-log")).to_contain_text("26 to 50 of 1000.")
    began = dive.began + timedelta(days=999 - 25)
    assert rows(page, "Dives, the newest first")[0][1] == f"{began:%Y-%m-%d %H:%M}"
    assert received
    assert sum(received) < 40_000


def fill(log, dive, count):
    """A log of so many dives, a day apart: one is added, and its row is multiplied."""
    first = log.add(dive)
    with log._engine.begin() as connection:
        row = connection.execute(sql.select(t.dive).where(t.dive.c.number == first)).mappings().one()
        copies = [dict(row) | {"number": first + i, "began": dive.began + timedelta(days=i)} for i in range(1, count)]
        connection.execute(sql.insert(t.dive), copies)


def test_nobody_is_shut_out_of_the_log(visit, log):
    """axe-core finds nothing serious, by day and night, folded open, with a dive, its debrief and a question; a phone
    needs no sideways scroll; and the keyboard alone shows a dive."""
    page = visit(PHONE)
    open_file(page, "keel.toml", KEEL)
    expect(page.get_by_role("heading", level=1)).to_have_text("Keel")
    to_the_log(page)
    unfold(page, "If the file does not say")
    log_as_planned(page, "2026-06-01 09:30")
    expect(shown(page)).to_contain_text("Which sheet applied")
    bring_in(page, ("saltby.uddf", UDDF))
    keel = numbers(log)[datetime(2026, 5, 31, 10, 20), "Ann"]
    button = page.get_by_role("button", name=f"Show dive {keel}", exact=True)
    button.focus()
    page.keyboard.press("Enter")
    expect(shown(page)).to_contain_text(f"Dive {keel}:")
    page.get_by_role("button", name="Keep the dive file above as its plan").click()
    expect(shown(page)).to_contain_text("Which sheet applied")
    page.add_script_tag(path=AXE)
    page.add_style_tag(content=".q-notification { display: none }")  # they fade in and out
    for night in (False, True):
        if night:
            page.get_by_role("button", name="Night").click()
            expect(page.locator("body")).to_have_class(re.compile("night"))
        assert (night, shut_out(page)) == (night, [])
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    page.get_by_role("button", name="Remove this dive").click()
    expect(page.get_by_role("dialog")).to_be_visible()
    page.wait_for_timeout(400)  # it is faded in
    assert shut_out(page) == []
