"""A server of the page for the tests that talk to one."""

import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from contextlib import suppress

import pytest
from playwright.sync_api import sync_playwright

from tests.app.steps import WIDE, WITHIN_MS, settled

SERVE = "from leadline.cli.main import run; run()"
STARTS_WITHIN_S = 180.0
NO_LOG = "sqlite:////nowhere/no-log-in-this-test.db"
"""A log that cannot be opened."""


class Server:
    """The page in a process of its own, as a diver starts it."""

    def __init__(self, *options: str, database: str = NO_LOG):
        """`database` is the log's; the user's own is out of reach."""
        self.port, self.options, self.database = free_port(), options, database
        self.process = self._start()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}/"

    def _start(self):
        process = subprocess.Popen(
            [sys.executable, "-c", SERVE, "serve", *self.options, "--port", str(self.port)],
            stdout=subprocess.PIPE,
            text=True,
            env={name: value for name, value in os.environ.items() if not name.startswith("PYTEST_")}
            | {"LEADLINE_DATABASE": self.database},
        )
        self.said = process.stdout.readline()
        until = time.monotonic() + STARTS_WITHIN_S
        while time.monotonic() < until and process.poll() is None:
            with suppress(urllib.error.URLError, ConnectionError, TimeoutError):
                self.ask()
                return process
        process.kill()
        process.stdout.close()
        raise AssertionError(f"the server did not come up (exit status {process.wait()})")

    def ask(self, path: str = "", **headers: str) -> int:
        """The status that a request gets."""
        request = urllib.request.Request(
            self.url + path, headers={name.replace("_", "-"): value for name, value in headers.items()}
        )
        try:
            with urllib.request.urlopen(request, timeout=30) as answer:
                answer.read()
                return answer.status
        except urllib.error.HTTPError as error:
            with error:
                return error.code

    def stop(self):
        self.process.terminate()
        try:
            self.process.wait(30)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        self.process.stdout.close()

    def restart(self):
        self.process = self._start()


def free_port() -> int:
    with socket.socket() as made:
        made.bind(("127.0.0.1", 0))
        return made.getsockname()[1]


@pytest.fixture(scope="session", autouse=True)
def no_log():
    """Nothing in these tests comes near the log of whoever runs them."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("LEADLINE_DATABASE", NO_LOG)
        yield


@pytest.fixture(scope="session")
def server():
    made = Server()
    yield made
    made.stop()


@pytest.fixture(scope="session")
def chromium():
    """The path of Chromium. Without one the tests are skipped, or fail where LEADLINE_BROWSER=required."""
    found = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if found is None:
        if os.environ.get("LEADLINE_BROWSER") == "required":
            pytest.fail("LEADLINE_BROWSER=required, and there is no Chromium")
        pytest.skip("no Chromium")
    return found


@pytest.fixture(scope="module")
def browser(chromium):
    with sync_playwright() as play:
        made = play.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        yield made
        made.close()


@pytest.fixture(scope="module")
def contexts(browser):
    """A window for each size of screen, so that the page's own scripts are loaded once."""
    made = {}

    def of(viewport):
        size = tuple(viewport.values())
        if size not in made:
            made[size] = browser.new_context(viewport=viewport, accept_downloads=True)
            made[size].set_default_timeout(WITHIN_MS)
        return made[size]

    return of


@pytest.fixture
def visit(contexts, server):
    """Opens the page as a new visitor, with the first dive planned. Errors of the page's own scripts fail the test."""
    pages, errors = [], []

    def opened(viewport=WIDE, url=server.url):
        page = contexts(viewport).new_page()
        pages.append(page)
        page.on("pageerror", lambda error: errors.append(error))
        page.goto(f"{url}nothing-there")
        page.evaluate("localStorage.clear()")
        page.goto(url)
        settled(page)
        return page

    yield opened
    for page in pages:
        page.close()
    assert errors == []
