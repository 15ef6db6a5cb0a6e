"""The server as it runs: every route of it stands behind the guard, and none leads to a file."""

import pytest

from tests.app.conftest import Server

SOCKET = "_nicegui_ws/socket.io/?EIO=4&transport=polling"


@pytest.mark.parametrize("path", ["", SOCKET, "_nicegui/client/x/upload/1", "static/x", "favicon.ico"])
def test_every_route_is_guarded(server, path):
    """Another name for this machine, and another site's page, get nowhere: neither page, socket nor upload."""
    assert server.ask(path, Host="evil.example") == 421
    assert server.ask(path, Origin="http://evil.example") == 403
    assert server.ask(path, Content_Length="9000000") == 413


def test_the_page_itself(server):
    assert server.ask() == 200
    assert server.ask(SOCKET) == 200
    assert server.said.startswith(f"Leadline: http://localhost:{server.port}/")


@pytest.mark.parametrize("path", ["docs", "redoc", "openapi.json", "examples/marigold-trimix.toml", "pyproject.toml"])
def test_there_is_nothing_else(server, path):
    assert server.ask(path) == 404


@pytest.mark.parametrize("way", ["../" * 12 + "etc/passwd", "..%2f" * 12 + "etc/passwd", "%2fetc%2fpasswd"])
@pytest.mark.parametrize("start", ["", "_nicegui/static/", "_nicegui/3.0.0/static/", "_nicegui/client/1/upload/"])
def test_no_path_leads_to_a_file(server, start, way):
    assert server.ask(start + way) in (403, 404, 405)


def test_other_machines_need_the_token():
    """Every route, the socket's too; the token was printed."""
    open_to_all = Server("--host", "0.0.0.0")
    try:
        token = open_to_all.said.split("?token=")[1].split()[0]
        assert open_to_all.ask() == open_to_all.ask(SOCKET) == open_to_all.ask("?token=guessed") == 403
        assert open_to_all.ask(f"?token={token}") == 200
        assert open_to_all.ask(SOCKET, Cookie=f"leadline-token={token}") == 200
    finally:
        open_to_all.stop()
