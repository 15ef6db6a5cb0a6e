"""What no browser would send, to the page as it runs on this machine: it refuses it or lets it be, and goes on."""

from __future__ import annotations

import json
import random
import re
import socket
import urllib.request
from contextlib import suppress
from html import unescape

import pytest
from websockets.exceptions import ConnectionClosed, InvalidHandshake
from websockets.sync.client import connect

SEED = 20261125
MOST_GROWN_MIB = 400
SOCKET = "_nicegui_ws/socket.io/?EIO=4&transport=websocket"
ODD = [
    None, True, -1, 0, 1e308, 10**30, "", "\0", "\u202e", "x" * 60_000, "\ud83d", [], {}, [[[]]], {"a": 1},
    {"value": "x"}, {"value": None}, {"index": 10**9, "depth": "deep", "minute": []}, ["a", "b"], [None] * 100,
    "<script>alert(1)</script>",
]  # fmt: skip
PACKETS = [
    "", "0", "1x", "2probe", "3", "4", "40{", "41", "42", "42[]", "42{}", "42[1]", '42["event"]', '42["event",{}]',
    '42["event",5]', '42["event",{"client_id":"none","id":1,"listener_id":"x","args":[]}]',
    '42["handshake",{"client_id":[]}]', '42["log",{"level":"x"}]', '420["handshake",null]', "43[]", "44",
    '451-["event",{"_placeholder":true,"num":0}]', "459999999-[]", "42/none,[]", "6", "9" * 500, "42" + "[" * 2000,
    '42["' + "x" * 50_000 + '"]', "\0", '42["__init__"]', b"", b"\0" * 1000, b"\xff\xfe",
]  # fmt: skip


@pytest.fixture
def page(server):
    """The page, which must be there afterwards, and not have grown by much."""
    before = resident_mib(server)
    yield server
    assert server.process.poll() is None
    assert server.ask() == 200
    assert resident_mib(server) < before + MOST_GROWN_MIB


def resident_mib(server) -> float:
    """Memory of the server, where it can be known."""
    with suppress(OSError), open(f"/proc/{server.process.pid}/status", encoding="ascii") as status:
        return int(re.search(r"VmRSS:\s+(\d+)", status.read())[1]) / 1024
    return 0.0


def raw(server, content: bytes) -> bytes:
    """The first line of what a request is answered with; empty if it is not."""
    with socket.create_connection(("127.0.0.1", server.port), timeout=10) as line:
        with suppress(OSError):
            line.sendall(content)
            line.shutdown(socket.SHUT_WR)
        answer = b""
        with suppress(OSError):
            while b"\r\n" not in answer and (part := line.recv(4096)):
                answer += part
    return answer.split(b"\r\n")[0]


def requests(port: int):
    """Requests, some of them nearly right."""
    change = random.Random(SEED)
    right = f"GET / HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n"
    yield from (
        f"{right}{header}\r\n\r\n".encode("latin-1")
        for header in (
            "Origin: http://[", "Origin: http://a]b", "Content-Length: \xb2", "Content-Length: -1",
            "Content-Length: " + "9" * 5000,
            "Host: evil.example", "Cookie: =;;\xff", "Transfer-Encoding: chunked", "Upgrade: websocket",
            "X: " + "y" * 100_000,
            "Connection: Upgrade\r\nUpgrade: websocket\r\nSec-WebSocket-Key: x\r\nSec-WebSocket-Version: 99",
            "\xff: \xff", ":", "\0",
        )
    )  # fmt: skip
    yield from (
        b"",
        b"\0" * 1000,
        b"\x16\x03\x01\x02\x00\x01",
        b"GET",
        b"GET / HTTP/9.9\r\n\r\n",
        b"\r\n" * 500,
        b"A" * 70_000,
    )
    yield (f"POST /_nicegui/client/x/upload/1 HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nTransfer-Encoding: chunked\r\n\r\n"
           "fffffffff\r\nx").encode()  # fmt: skip
    for _ in range(80):
        content = bytearray(f"{right}Accept: */*\r\n\r\n".encode())
        for _ in range(change.randint(1, 4)):
            at = change.randrange(len(content))
            content[at : at + change.randint(0, 3)] = change.randbytes(change.randint(0, 3))
        yield bytes(content)


def test_requests_that_no_browser_sends(page):
    for content in requests(page.port):
        answer = raw(page, content)
        assert not re.match(rb"HTTP/\S+ 5\d\d", answer), (content[:200], answer)


def test_packets_that_no_browser_sends(page):
    """Each on a connection of its own, for most of them end it."""
    for packet in PACKETS:
        with suppress(ConnectionClosed, InvalidHandshake, TimeoutError), connect(
            f"ws://127.0.0.1:{page.port}/{SOCKET}", open_timeout=20, close_timeout=2, max_size=None
        ) as line:  # fmt: skip
            line.recv(timeout=10)
            line.send("40")
            line.recv(timeout=10)
            line.send(packet)
            with suppress(TimeoutError):
                line.recv(timeout=0.05)


def test_events_that_no_browser_sends(page):
    """To everything on the page that listens, as the page itself would: values of every kind."""
    with urllib.request.urlopen(page.url, timeout=60) as answer:
        html = answer.read().decode()
    client = re.search(r"'client_id': '([-0-9a-f]+)'|\"client_id\": ?\"([-0-9a-f]+)\"", html)
    client_id = client[1] or client[2]
    written = re.search(r"parseElements\(String\.raw`(.*?)`", html, re.DOTALL)[1]
    elements = json.loads(unescape(written))
    listeners = [
        (int(number), event["listener_id"])
        for number, element in elements.items()
        for event in element.get("events", [])
    ]
    assert len(listeners) > 50
    change = random.Random(SEED)
    query = f"&implicit_handshake=true&client_id={client_id}&tab_id=t&document_id=d&next_message_id=0"
    with connect(
        f"ws://127.0.0.1:{page.port}/{SOCKET}{query}", open_timeout=20, close_timeout=2, max_size=None
    ) as line:
        line.recv(timeout=20)
        line.send("40")
        for element, listener in [*listeners, (1, "none"), (10**9, listeners[0][1])]:
            for _ in range(3):
                event = {"id": element, "client_id": client_id, "listener_id": listener}
                event["args"] = [json.dumps(change.choice(ODD)) for _ in range(change.choice([0, 1, 1, 1, 2]))]
                line.send(f'42["event",{json.dumps(event)}]')
        for name in ("javascript_response", "ack", "log", "zzz"):
            for odd in ODD:
                said = {"client_id": client_id, "request_id": odd, "next_message_id": odd, "level": odd}
                line.send(f"42{json.dumps([name, said])}")
        with suppress(TimeoutError, ConnectionClosed):
            for _ in range(200):
                line.recv(timeout=1)
