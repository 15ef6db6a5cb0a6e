"""What is said on the terminal while a table set is planned."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.text import Text

SILENT_S = 1.5
"""A set that is sooner done says nothing."""


@contextmanager
def progress(
    console: Console | None = None, now: Callable[[], float] = time.monotonic
) -> Iterator[Callable[[int, int, str], None]]:
    """A line on the terminal's standard error that says what is planned, how much of it is done and how long the rest
    takes; silent where that is no terminal."""
    console = console or Console(stderr=True, highlight=False)
    if not console.is_terminal:
        yield lambda done, of, said: None
        return
    began, status = now(), console.status("Planning the tables ... (Ctrl-C stops)")

    def told(done: int, of: int, said: str) -> None:
        passed_s = now() - began
        if passed_s < SILENT_S:
            return
        status.start()
        left = f", about {passed_s / done * (of - done):.0f} s left" if done else ""
        status.update(Text(f"{100 * done // of} %{left}: {said} (Ctrl-C stops)"))

    try:
        yield told
    finally:
        status.stop()
