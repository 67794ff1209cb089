"""Keeps everybody but this page out.

Any page that the same browser shows, and any program of another user, can reach a server on the loopback interface. So
every request must carry the run's secret as the first part of its path, name this server as its host (a name that was
made to point here, as in DNS rebinding, does not), and come from this page where the browser says where it comes from.
There is no cookie: browsers send cookies to every port of a host, so that another server here could collect it.
"""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

LONGEST_BODY = 4096
# How much of a refused body is still read before the connection is closed (RFC 9112, section 9.6), and for how long.
MOST_READ = 16 * LONGEST_BODY
BODY_S = 2.0

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
HEADERS: tuple[tuple[bytes, bytes], ...] = (
    (b"content-security-policy", POLICY.encode()),
    (b"x-frame-options", b"DENY"),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"permissions-policy", b"camera=(), microphone=(), geolocation=()"),
    (b"cache-control", b"no-store"),
)


class Guard:
    """Wraps the application; lets through what belongs, without the secret in its path.

    Parameters
    ----------
    app : ASGI application
    key : str
        The run's secret.
    host : str
        HOST:PORT as the browser must call it.
    """

    def __init__(self, app: App, *, key: str, host: str) -> None:
        self._app = app
        self._key = key.encode()
        self._host = host.encode()
        self._origin = b"http://" + self._host

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return
        status, path = self._judge(scope)
        if status:
            await _body(receive)
            await _refuse(send, status)
            return
        body = b""
        if scope["method"] == "POST":
            whole = await _body(receive)
            if whole is None:
                await _refuse(send, 413)
                return
            body = whole
        given = False

        async def once() -> Message:
            nonlocal given
            if given:
                return await receive()
            given = True
            return {"type": "http.request", "body": body, "more_body": False}

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message.get("headers", []), *HEADERS]
            await send(message)

        inside = {**scope, "path": path, "raw_path": path.encode(), "root_path": ""}
        await self._app(inside, once, guarded)

    def _judge(self, scope: Scope) -> tuple[int, str]:
        """The status to refuse with (0: let through), and the path without the secret."""
        headers: dict[bytes, list[bytes]] = {}
        for name, value in scope["headers"]:
            headers.setdefault(name.lower(), []).append(value)
        if headers.get(b"host") != [self._host]:
            return 421, ""
        first, _, rest = scope["path"].removeprefix("/").partition("/")
        if not secrets.compare_digest(first.encode(), self._key):
            return 404, ""
        path = f"/{rest}"
        origin = headers.get(b"origin")
        if origin is not None and origin != [self._origin]:
            return 403, ""
        site = headers.get(b"sec-fetch-site", [b"same-origin"])
        opens_page = headers.get(b"sec-fetch-dest") == [b"document"] and path == "/"
        if site not in ([b"same-origin"], [b"none"]) and not opens_page:
            return 403, ""
        if scope["method"] == "POST":
            # A form of another page can send neither an Origin of ours nor this type without asking first.
            if origin is None:
                return 403, ""
            kind = headers.get(b"content-type", [b""])[0].split(b";")[0].strip().lower()
            if kind != b"application/json":
                return 415, ""
        elif scope["method"] not in ("GET", "HEAD"):
            return 405, ""
        return 0, path


async def _body(receive: Receive) -> bytes | None:
    """The request's body; None where it is longer than any of ours or does not come to its end.

    What is too long is read on within bounds all the same: closing on bytes that nobody read takes the refusal back.
    """
    body = bytearray()
    read = 0
    try:
        async with asyncio.timeout(BODY_S):
            while read <= MOST_READ:
                message = await receive()
                if message["type"] != "http.request":
                    return None
                piece = message.get("body", b"")
                read += len(piece)
                if read <= LONGEST_BODY:
                    body += piece
                if not message.get("more_body", False):
                    return bytes(body) if read <= LONGEST_BODY else None
    except TimeoutError:
        pass
    return None


async def _refuse(send: Send, status: int) -> None:
    body = b"Not here.\n"
    await send(
        {
            "type": "http.response.start",
            "status": status,
            "headers": [
                *HEADERS,
                (b"content-type", b"text/plain"),
                (b"content-length", str(len(body)).encode()),
                (b"connection", b"close"),
            ],
        }
    )
    await send({"type": "http.response.body", "body": body})
