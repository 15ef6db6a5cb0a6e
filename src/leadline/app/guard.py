"""Who may talk to the page: nobody from another site, and from another machine only with the token."""

from __future__ import annotations

import hmac
import ipaddress
import re
from collections.abc import Awaitable, Callable, Container, MutableMapping
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from typing import Any
from urllib.parse import parse_qs, urlsplit

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
Application = Callable[[Scope, Receive, Send], Awaitable[None]]

MOST_BODY_BYTES = 2_000_000
"""A dive file is a page of text."""
MOST_DIVES_BYTES = 128_000_000
"""A file of dives: a thousand of an hour, with a sample and three pressures every ten seconds, have 84 MB as UDDF."""
COOKIE = "leadline-token"
LOOPBACK = ("127.0.0.1", "localhost", "::1")
_ONCE = ("host", "origin", "content-length")
_LENGTH = re.compile(r"[0-9]{1,12}")
"""Of a body. Other digits than these, and thousands of them, are no number."""

_HEADERS = [
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    (b"content-security-policy", b"frame-ancestors 'none'"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
]


@dataclass(frozen=True)
class Guard:
    """Stands before the page.

    Refuses requests whose Host is a name that is not ours (a name that another site pointed at this machine), whose
    Origin is another site's, whose body is too large, and, where there is a `token`, those without it. The token comes
    once in the address, `?token=...`, and is kept in a cookie that no script reads. A body may be larger where files of
    dives are taken, at the paths in `large`; nowhere else.
    """

    inner: Application
    host: str = "127.0.0.1"
    token: str = ""
    large: Container[str] = ()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or refuse it."""
        if scope["type"] not in ("http", "websocket"):
            await self.inner(scope, receive, send)
            return
        named = [(name.decode("latin-1").lower(), value.decode("latin-1")) for name, value in scope["headers"]]
        headers = dict(named)
        if sum(name in _ONCE for name, _ in named) > sum(name in _ONCE for name in headers):
            await _refuse(scope, send, 400, "That is said twice.")  # and which of the two the page would read is open
            return
        given = parse_qs(scope.get("query_string", b"").decode("latin-1")).get("token", [""])[0]
        most = MOST_DIVES_BYTES if scope.get("path") in self.large else MOST_BODY_BYTES
        refusal = self._refusal(headers, given, most)
        if refusal is not None:
            await _refuse(scope, send, *refusal)
            return
        cookie = self.token and given
        await self.inner(scope, _limited(receive, most), _marked(send, self.token if cookie else ""))

    def _refusal(self, headers: dict[str, str], given: str, most: int) -> tuple[int, str] | None:
        asked = headers.get("host", "")
        if not self._ours(_name(asked)):
            return 421, "This is not the name of this page."
        origin = headers.get("origin")
        if origin is not None and _site(origin) != asked.lower():
            return 403, "Another site may not talk to this page."
        length = headers.get("content-length", "0")
        if _LENGTH.fullmatch(length) is None or int(length) > most:
            return 413, "That is too large."
        if self.token and not (_same(given, self.token) or _same(_cookie(headers), self.token)):
            return 403, "This page needs the token that was printed when it was started: add ?token=... to the address."
        return None

    def _ours(self, name: str) -> bool:
        """Names are ours only if they are this machine's or were given; addresses cannot be rebound."""
        if name in LOOPBACK or name == self.host.lower():
            return True
        if not self.token:
            return False
        try:
            ipaddress.ip_address(name)
        except ValueError:
            return False
        return True


def is_loopback(host: str) -> bool:
    """Whether an address is reached from this machine only."""
    if host.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _site(origin: str) -> str:
    """Host and port of an Origin; empty if it names none."""
    try:
        return urlsplit(origin).netloc.lower()
    except ValueError:
        return ""


def _name(netloc: str) -> str:
    try:
        return (urlsplit(f"//{netloc}").hostname or "").lower()
    except ValueError:
        return ""


def _same(given: str, token: str) -> bool:
    return hmac.compare_digest(given.encode(), token.encode())


def _cookie(headers: dict[str, str]) -> str:
    try:
        found = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
    except CookieError:
        return ""
    return found.value if found is not None else ""


async def _refuse(scope: Scope, send: Send, status: int, said: str) -> None:
    if scope["type"] == "websocket":
        await send({"type": "websocket.close", "code": 1008, "reason": said})
        return
    start = {"type": "http.response.start", "status": status}
    await send(start | {"headers": [(b"content-type", b"text/plain; charset=utf-8"), *_HEADERS]})
    await send({"type": "http.response.body", "body": said.encode()})


def _limited(receive: Receive, most: int) -> Receive:
    """A body that gives no length, or a false one, is cut off where it is too large."""
    taken = 0

    async def counted() -> MutableMapping[str, Any]:
        nonlocal taken
        message = await receive()
        if message["type"] == "http.request":
            taken += len(message.get("body", b""))
            if taken > most:
                return {"type": "http.disconnect"}
        return message

    return counted


def _marked(send: Send, token: str) -> Send:
    """Answers carry what keeps browsers from misusing them, and the cookie where the token has just come."""

    async def marked(message: MutableMapping[str, Any]) -> None:
        if message["type"] == "http.response.start":
            more = list(_HEADERS)
            if token:
                more.append((b"set-cookie", f"{COOKIE}={token}; HttpOnly; SameSite=Strict; Path=/".encode()))
            message["headers"] = [*message.get("headers", []), *more]
        await send(message)

    return marked
