"""Who may talk to the page."""

import asyncio

import pytest

from leadline.app.guard import COOKIE, MOST_BODY_BYTES, MOST_DIVES_BYTES, Guard, is_loopback

TOKEN = "kQ3-saltby"


async def page(scope, receive, send):
    body = b""
    while True:
        message = await receive()
        if message["type"] != "http.request":
            break
        body += message.get("body", b"")
        if not message.get("more_body"):
            break
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": body})


def ask(guard, kind="http", query="", body=(b"",), path="/", **headers):
    """(status, headers, body) of a request; a websocket's status is its close code."""
    sent, parts = [], list(body)

    async def receive():
        if not parts:
            return {"type": "http.disconnect"}
        part = parts.pop(0)
        return {"type": "http.request", "body": part, "more_body": bool(parts)}

    async def send(message):
        sent.append(message)

    scope = {
        "type": kind, "path": path, "query_string": query.encode(),
        "headers": [(name.replace("_", "-").encode(), value.encode()) for name, value in headers.items()],
    }  # fmt: skip
    asyncio.run(guard(scope, receive, send))
    if kind == "websocket":
        return sent[0].get("code", sent[0].get("status")), {}, b""
    return sent[0]["status"], dict(sent[0]["headers"]), sent[1]["body"]


@pytest.mark.parametrize("host", ["127.0.0.1:8300", "localhost:8300", "[::1]:8300", "LOCALHOST"])
def test_this_machine(host):
    assert ask(Guard(page), host=host)[0] == 200
    assert ask(Guard(page), kind="websocket", host=host)[0] == 200


@pytest.mark.parametrize(
    "host", ["evil.example:8300", "127.0.0.1.evil.example", "", "192.168.1.5:8300", "[", "localhost.evil"]
)
def test_a_name_that_was_pointed_here(host):
    """DNS rebinding: the browser is led to this machine under another site's name."""
    assert ask(Guard(page), host=host)[0] == 421
    assert ask(Guard(page), kind="websocket", host=host)[0] == 1008


@pytest.mark.parametrize(
    "origin", ["http://evil.example", "null", "http://localhost:9999", "https://127.0.0.1:8300.evil"]
)
@pytest.mark.parametrize("kind", ["http", "websocket"])
def test_another_site(kind, origin):
    """A page of another origin, another port of this machine included, neither posts nor opens a websocket."""
    refused = {"http": 403, "websocket": 1008}[kind]
    assert ask(Guard(page), kind=kind, host="localhost:8300", origin=origin)[0] == refused
    assert ask(Guard(page), kind=kind, host="localhost:8300", origin="http://localhost:8300")[0] == 200


def test_the_token():
    """Without it nothing; with it in the address a cookie that scripts cannot read; then the cookie is enough."""
    guard = Guard(page, host="0.0.0.0", token=TOKEN)
    assert ask(guard, host="192.168.1.5:8300")[0] == 403
    assert ask(guard, host="192.168.1.5:8300", query="token=wrong")[0] == 403
    status, headers, _ = ask(guard, host="192.168.1.5:8300", query=f"token={TOKEN}")
    assert status == 200
    cookie = headers[b"set-cookie"].decode()
    assert cookie.startswith(f"{COOKIE}={TOKEN};")
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert ask(guard, host="192.168.1.5:8300", cookie=f"{COOKIE}={TOKEN}")[0] == 200
    assert ask(guard, kind="websocket", host="192.168.1.5:8300")[0] == 1008
    assert ask(guard, kind="websocket", host="192.168.1.5:8300", cookie=f"{COOKIE}={TOKEN}")[0] == 200
    assert ask(guard, host="192.168.1.5:8300", cookie=f"{COOKIE}=wrong")[0] == 403
    assert ask(guard, host="boat.evil.example", query=f"token={TOKEN}")[0] == 421
    assert b"set-cookie" not in ask(guard, host="192.168.1.5:8300", cookie=f"{COOKIE}={TOKEN}")[1]


def test_too_much():
    """A body over the limit, told or untold, does not get through."""
    many = b"x" * 1_000_000
    assert ask(Guard(page), host="localhost", content_length=str(MOST_BODY_BYTES + 1))[0] == 413
    assert ask(Guard(page), host="localhost", content_length="many")[0] == 413
    assert len(ask(Guard(page), host="localhost", body=[many] * 5)[2]) <= MOST_BODY_BYTES
    assert ask(Guard(page), host="localhost", body=[many])[2] == many


def test_files_of_dives_may_be_larger():
    """Where they are taken, up to a limit of their own, and nowhere else."""
    guard, many = Guard(page, large={"/dives"}), b"x" * 32_000_000
    assert ask(guard, host="localhost", path="/dives", content_length=str(MOST_DIVES_BYTES))[0] == 200
    assert ask(guard, host="localhost", path="/dives", content_length=str(MOST_DIVES_BYTES + 1))[0] == 413
    assert ask(guard, host="localhost", path="/dives/", content_length=str(MOST_DIVES_BYTES))[0] == 413
    assert len(ask(guard, host="localhost", path="/dives", body=[many] * 3)[2]) == 96_000_000
    assert len(ask(guard, host="localhost", path="/dives", body=[many] * 5)[2]) <= MOST_DIVES_BYTES
    assert len(ask(guard, host="localhost", path="/other", body=[many] * 3)[2]) == 0
    refused = Guard(page, host="0.0.0.0", token=TOKEN, large={"/dives"})
    assert ask(refused, host="192.168.1.5:8300", path="/dives", content_length="9000000")[0] == 403


def test_every_answer_is_marked():
    headers = ask(Guard(page), host="localhost")[1]
    assert headers[b"x-frame-options"] == b"DENY"
    assert headers[b"x-content-type-options"] == b"nosniff"


def test_loopback():
    assert all(is_loopback(host) for host in ("127.0.0.1", "127.0.0.5", "::1", "localhost"))
    assert not any(is_loopback(host) for host in ("0.0.0.0", "192.168.1.5", "::", "boat", ""))
