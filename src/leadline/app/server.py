"""Runs the page: on this machine only, unless a host and with it a token is asked for."""

from __future__ import annotations

import secrets
import socket
from pathlib import Path

from nicegui import app, ui

from leadline.app.guard import Guard, is_loopback
from leadline.app.log_service import LogService
from leadline.app.page import build
from leadline.app.planner import Planner

PORT = 8360


def examples() -> dict[str, str]:
    """The example dive files by name."""
    beside = Path(__file__).parents[1] / "examples"  # in an installed package
    folder = beside if beside.is_dir() else Path(__file__).parents[3] / "examples"
    return {path.stem: path.read_text(encoding="utf-8") for path in sorted(folder.glob("*.toml"))}


def serve(text: str = "", host: str = "127.0.0.1", port: int = PORT, database: str | None = None) -> None:
    """Serve the page until interrupted; `text` is the dive file that it opens with, an example if empty; `database` the
    URL of the dive log, that of the environment or the user's own if None.

    On an address that other machines reach, a token is made, printed and needed. OSError if the port is taken.
    """
    _try_port(host, port)
    token = "" if is_loopback(host) else secrets.token_urlsafe(24)
    dives = examples()
    first = text or dives.get("marigold-trimix", next(iter(dives.values()), ""))
    planner, log = Planner(database=database), LogService(database)
    planner.warm_up()

    @ui.page("/", title="Leadline", response_timeout=30.0)
    def index() -> None:
        build(planner, log, first, dives, opened=bool(text))

    # No bar at the top while something is sent: it says nothing, and has no name that a screen reader could say.
    app.config.quasar_config["loadingBar"]["skipHijack"] = True
    app.on_shutdown(planner.close)
    app.on_shutdown(log.close)
    app.add_middleware(Guard, host=host, token=token, large=log.uploads)
    app.on_startup(lambda: print(_said(host, port, token), flush=True))
    ui.run(
        host=host, port=port, show=False, reload=False, title="Leadline", show_welcome_message=False, on_air=None,
        reconnect_timeout=20.0,
        fastapi_docs=False, endpoint_documentation="none", uvicorn_logging_level="warning",
    )  # fmt: skip


def _try_port(host: str, port: int) -> None:
    """OSError, naming host and port, if nothing can listen there."""
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        with socket.socket(family, kind, protocol) as tried:
            tried.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            tried.bind(address)
    except OSError as error:
        raise OSError(error.errno, error.strerror, f"{host}, port {port}") from None


def _said(host: str, port: int, token: str) -> str:
    """Where the page is."""
    if not token:
        return f"Leadline: http://localhost:{port}/   (Ctrl-C ends it)"
    shown = f"[{host}]" if ":" in host else host
    return (
        f"Leadline: http://{shown}:{port}/?token={token}   (Ctrl-C ends it)\n"
        "Other machines reach this page. Whoever has the address with its token can use it, and your dive log with it; "
        "it is not encrypted."
    )
