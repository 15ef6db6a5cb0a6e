"""Draws the pictures of the README from an example dive: `python docs/pictures.py`. The page's need Chromium."""

import shutil
import socket
import subprocess
import sys
import tomllib
import urllib.error
import urllib.request
from contextlib import suppress
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory

from playwright.sync_api import Browser, sync_playwright

from leadline import parse_dive, read_dive
from leadline.logbook.as_planned import dived_as_planned
from leadline.logbook.database.store import Logbook
from leadline.logbook.dived import KeptPlan
from leadline.plan.team import plan_team
from leadline.sheets import content
from leadline.sheets.frontier import draw_frontier
from leadline.sheets.write import picture_pages
from leadline.solve import limits_frontier

HERE = Path(__file__).parent


def main() -> None:
    """Write docs/images/: the slate with the plan, what can go wrong and the bailout, the briefing, and the limits."""
    images = HERE / "images"
    images.mkdir(exist_ok=True)
    team = plan_team(read_dive(HERE.parent / "examples" / "marigold-loop.toml"))
    [member] = team.members
    pages = picture_pages("slate", content.slate(team, member), 110)
    for name, png in (("plan", pages[0]), ("what-if", pages[1]), ("bailout", pages[-1])):
        (images / f"slate-{name}.png").write_bytes(png)
    briefing = picture_pages("briefing", content.briefing(team, member), 100)
    for name, png in zip(("briefing", "briefing-gas"), briefing, strict=True):
        (images / f"{name}.png").write_bytes(png)
    around = limits_frontier(read_dive(HERE.parent / "examples" / "marigold-trimix.toml"))
    (images / "limits.png").write_bytes(draw_frontier(around, "png"))
    draw_page(images)


def draw_page(images: Path) -> None:
    """The page by day on a wide screen, and by night on a phone; and how a dive of its log went."""
    with TemporaryDirectory() as folder:
        database = f"sqlite:///{folder}/log.db"
        log_a_late_dive(database)
        _draw_pages(images, database)


def log_a_late_dive(database: str) -> None:
    """Log the example two metres deeper and two minutes longer than its plan, which is kept with it."""
    text = (HERE.parent / "examples" / "marigold-trimix.toml").read_text()
    late = text.replace("depth = 60", "depth = 62").replace("leave_at = 20", "leave_at = 22")
    [member] = plan_team(parse_dive(tomllib.loads(late))).members
    dived = dived_as_planned(member.plan, datetime(2026, 5, 31, 10, 20), "Ann")
    with Logbook(database) as log:
        log.add(replace(dived, notes="", plan=KeptPlan("marigold-trimix.toml", text)))


def _draw_pages(images: Path, database: str) -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    command = [sys.executable, "-c", "from leadline.cli.main import run; run()", "serve", "--port", str(port)]
    command += ["--database", database]
    server = subprocess.Popen(command, stdout=subprocess.DEVNULL)  # noqa: S603
    try:
        with sync_playwright() as play:
            browser = play.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
            _draw_page(browser, port, images / "page-day.png", (1180, 1000), night=False)
            _draw_page(browser, port, images / "page-night.png", (390, 844), night=True)
            _draw_log(browser, port, images / "page-log.png")
            browser.close()
    finally:
        server.terminate()
        server.wait()


def _draw_page(browser: Browser, port: int, path: Path, size: tuple[int, int], night: bool) -> None:
    url = f"http://127.0.0.1:{port}/"
    page = browser.new_page(viewport={"width": size[0], "height": size[1]})
    if night:
        page.add_init_script("localStorage.setItem('leadline.night', '1')")
    for _ in range(600):
        with suppress(urllib.error.URLError), urllib.request.urlopen(url):
            break
        page.wait_for_timeout(100)
    page.goto(url)
    page.locator(".strip .figure").first.wait_for(timeout=60_000)
    page.locator("#pictures").evaluate("(chart) => chart.scrollIntoView()")
    page.locator("#pictures").focus()
    page.keyboard.press("Home")
    for _ in range(3):
        page.keyboard.press("PageDown")
    page.wait_for_function("() => document.querySelector('[data-read=run_time]').textContent === '30:00'")
    page.wait_for_timeout(1000)  # the pictures are drawn in a frame of their own
    page.screenshot(path=path)
    page.close()


def _draw_log(browser: Browser, port: int, path: Path) -> None:
    page = browser.new_page(viewport={"width": 1180, "height": 1060})
    page.goto(f"http://127.0.0.1:{port}/")
    page.locator(".strip .figure").first.wait_for(timeout=60_000)
    page.locator("#the-log").evaluate("(log) => log.scrollIntoView()")
    page.get_by_role("button", name="Show dive 1", exact=True).click(timeout=60_000)
    page.get_by_text("Which sheet applied").wait_for(timeout=60_000)
    page.locator("#dive-of-the-log").evaluate("(dive) => { dive.scrollIntoView(); scrollBy(0, 36); }")
    page.wait_for_timeout(1000)
    page.screenshot(path=path)
    page.close()


if __name__ == "__main__":
    main()
