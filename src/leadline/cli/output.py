"""What every command does alike: exit statuses, refusals, JSON, and what is said of a long wait."""

from __future__ import annotations

import json
import os
import pickle
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from io import TextIOWrapper
from typing import Any, NoReturn, TextIO

import typer

GO, NO_GO, BAD_INPUT = 0, 1, 2
"""Exit status."""
UNFINISHED = 1
"""Exit status of what was begun and could not be finished."""
ENGINE_FAULT = 3
"""Exit status where the planning engine fails its known answers."""
INTERRUPTED = 130
"""Exit status after Ctrl-C."""
UNREAD = 141
"""Exit status where whoever read the output went away before its end, as of a program that SIGPIPE ends: it says
nothing of the dive."""


def refuse(message: str) -> NoReturn:
    """End a command for bad input, saying what is wrong."""
    typer.echo(f"leadline: {message}", err=True)
    raise typer.Exit(BAD_INPUT) from None


def print_json(data: dict[str, Any]) -> None:
    """Print plain data as JSON."""
    utf8 = (sys.stdout.encoding or "").lower().replace("-", "") == "utf8"  # else in ASCII, for nothing may be lost
    sys.stdout.write(json.dumps(data, indent=1, ensure_ascii=not utf8, allow_nan=False) + "\n")
    sys.stdout.flush()  # while a full disk can still be told


@contextmanager
def compiling() -> Iterator[None]:
    """Say what takes so long when the kernel has still to be compiled, and where it cannot be loaded."""

    def say() -> None:
        kept = getattr(sys.modules.get("leadline.tissue.kernel"), "KEPT", True)
        when = "first run only" if kept else "every run, as no folder can keep it: set NUMBA_CACHE_DIR"
        typer.echo(f"Compiling the planning engine ({when}), up to a minute ...", err=True)

    waiting = threading.Timer(3.0, say)
    waiting.daemon = True
    waiting.start()
    try:
        yield
    except (EOFError, pickle.UnpicklingError):
        raise _damaged() from None
    finally:
        waiting.cancel()


def _damaged() -> Exception:
    from leadline.tissue.fault import EngineFault
    from leadline.tissue.kernel import kept_in

    return EngineFault(f"the compiled kernel kept in {kept_in()} is damaged; delete that folder, and it is made anew")


def ready_to_print() -> None:
    """What a terminal cannot show is printed as "?", and what is printed to a closed one goes nowhere."""
    sys.stdout = sys.stdout or open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115
    sys.stderr = sys.stderr or open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115
    if isinstance(sys.stdout, TextIOWrapper) and sys.stdout.errors == "strict":
        sys.stdout.reconfigure(errors="replace")


def end_unread(out: TextIO) -> NoReturn:
    """Whoever read the output has seen enough: nothing more may be written, not even at exit."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), out.fileno())
    sys.exit(UNREAD)
