"""What a diver does and sees in the browser: the steps of its tests."""

import json
import math
import time
from pathlib import Path

import axe_core_python
from playwright.sync_api import expect
from typer.testing import CliRunner

from leadline.cli import app as command

EXAMPLES = Path(__file__).parents[2] / "examples"
TRIMIX = (EXAMPLES / "marigold-trimix.toml").read_text()
AXE = Path(axe_core_python.__file__).parent / "axe.min.js"
WIDE, PHONE = {"width": 1280, "height": 900}, {"width": 390, "height": 844}
WITHIN_MS = 60_000.0

expect.set_options(timeout=WITHIN_MS)


def settled(page):
    expect(page.locator(".strip .figure").first).to_be_visible()


def strip(page):
    return page.locator(".strip")


def level(page, i=1):
    return page.get_by_role("group", name=f"level {i}", exact=True)


def cylinder(page, i):
    return page.get_by_role("group", name=f"cylinder {i}", exact=True)


def unfold(page):
    for said in ("Site, rates and stops", "Limits", "Loop", "Team", "Which contingencies"):
        page.get_by_role("button", name=f'Expand "{said}"').click()


def write(field, text):
    field.fill(text)


def saved(page) -> str:
    """The dive file as the page saves it."""
    with page.expect_download() as download:
        page.get_by_role("button", name="Save", exact=True).click()
    return Path(download.value.path()).read_text()


def open_file(page, name, text):
    page.get_by_role("button", name="Open").click()
    with page.expect_file_chooser() as chosen:
        page.get_by_text("A dive file …").click()
    chosen.value.set_files({"name": name, "mimeType": "text/plain", "buffer": text.encode()})


def shown_numbers(page) -> dict:
    """What the page shows of the plan."""
    return page.evaluate(
        """() => {
        const figures = {};
        for (const one of document.querySelectorAll(".strip .figure")) {
            const value = one.querySelector("b").textContent;
            figures[one.textContent.replace(value, "").trim()] = value;
        }
        const rows = (caption) => [...document.querySelectorAll("main table")]
            .filter((table) => table.caption.textContent === caption)
            .flatMap((table) => [...table.tBodies[0].rows].map((row) => [...row.cells].map((c) => c.textContent)));
        return {figures, schedule: rows("Schedule"), gas: rows("Gas"), whatIf: rows("Everything that can go wrong")};
        }"""
    )


def differences(page, plan) -> list[str]:
    """Where the page shows something else than a plan as `leadline plan --json` prints it."""
    here, schedule = shown_numbers(page), plan["schedule"]

    def up(number):
        return str(math.ceil(number - 1e-6))

    lasts = [found["answers"]["gas"] in ("lasts", "into the reserve") for found in plan["contingencies"]]
    counted = [not any(f["code"] == "level-missed" for f in found["findings"]) for found in plan["contingencies"]]
    expected = {
        "Run time": f"{up(schedule['run_time_min'])} min",
        "TTS": f"{up(schedule['tts_min'])} min",
        "NDL": f"{schedule['ndl_min']} min",
        "CNS": f"{up(plan['oxygen']['cns_percent'])} %",
        "OTU": up(plan["oxygen"]["otu"]),
        "Gas lasts in": f"{sum(lasts)} of {sum(counted)}",
    }
    wrong = [f"{k}: {here['figures'].get(k)} for {v}" for k, v in expected.items() if here["figures"].get(k) != v]
    stops = [[str(round(s["depth_m"])), up(s["leave_min"])] for s in schedule["stops"]]
    rows = [[row[0], row[2]] for row in here["schedule"] if row[1].isdigit()]
    wrong += [f"stops {rows} for {stops}"] * (rows != stops)
    left = {use["name"]: use["left_bar"] for use in plan["supply"]}
    here_left = {row[0]: float(row[6].split()[0]) for row in here["gas"]}
    if left.keys() != here_left.keys() or any(abs(left[name] - here_left[name]) > 1.0 for name in left):
        wrong.append(f"left {here_left} for {left}")
    whats = [[found["name"], "; ".join(found["in_words"])] for found in plan["contingencies"]]
    rows = [[row[0], row[6].removesuffix(" (two failures)")] for row in here["whatIf"]]
    return wrong + [f"what if {rows} for {whats}"] * (rows != whats)


def agrees(page, text, tmp_path):
    """Wait until the page shows what `leadline plan --json` says of a dive file."""
    file = tmp_path / "dive.toml"
    file.write_text(text)
    plan = json.loads(CliRunner().invoke(command, ["plan", str(file), "--json"]).stdout)
    until = time.monotonic() + WITHIN_MS / 1000
    while (wrong := differences(page, plan)) and time.monotonic() < until:
        page.wait_for_timeout(200)
    assert wrong == []


def shut_out(page) -> list:
    """What axe-core, which the page has loaded, finds serious, once every colour that changes has changed."""
    page.evaluate("async () => { await Promise.allSettled(document.getAnimations().map(one => one.finished)) }")
    found = page.evaluate("async () => (await axe.run(document, {resultTypes: ['violations']})).violations")
    return [
        (one["id"], [node["html"][:150] for node in one["nodes"][:4]], one["nodes"][0]["failureSummary"])
        for one in found
        if one["impact"] in ("serious", "critical")
    ]
