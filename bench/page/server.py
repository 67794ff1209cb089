"""The page's server: the picture out as a stream of events, presses in, on the loopback interface only."""

from __future__ import annotations

import asyncio
import json
import os
import secrets
import socket
import threading
import time
from collections.abc import AsyncIterator
from importlib.resources import files
from types import TracebackType
from typing import Any, Self

import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, Response, StreamingResponse
from starlette.routing import Route

from bench.errors import BenchError
from bench.page.desk import Desk, NotNow
from bench.page.guard import Guard

LOOPBACK = "127.0.0.1"
# The picture changes some twenty times a second; looked at more often than that, none of it is missed.
LOOKS_PER_S = 50
QUIET_S = 15.0
MOST_TABS = 12
START_S = 10.0

KINDS = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
}


def application(desk: Desk) -> Starlette:
    """The page around a desk; whoever serves it puts a `Guard` before it."""
    open_tabs = 0

    def file(name: str) -> Route:
        content = files("bench.page").joinpath("static", name).read_bytes()
        kind = KINDS[name[name.rindex(".") :]]

        async def send(_: Request) -> Response:
            return Response(content, media_type=kind)

        return Route("/" if name == "page.html" else f"/{name}", send, methods=["GET"])

    async def state(_: Request) -> Response:
        return Response(desk.since(0)[1] or "{}", media_type="application/json")

    async def news() -> AsyncIterator[str]:
        nonlocal open_tabs
        open_tabs += 1
        try:
            with desk.tab():
                yield "retry: 1000\n\n"
                version, sent_at = 0, time.monotonic()
                while not desk.closed:
                    version, text = desk.since(version)
                    if text is not None:
                        yield f"data: {text}\n\n"
                        sent_at = time.monotonic()
                    elif time.monotonic() - sent_at > QUIET_S:
                        yield ": here\n\n"
                        sent_at = time.monotonic()
                    await asyncio.sleep(1 / LOOKS_PER_S)
                version, text = desk.since(version)
                if text is not None:
                    yield f"data: {text}\n\n"
                yield "event: end\ndata: {}\n\n"
        finally:
            open_tabs -= 1

    async def events(_: Request) -> Response:
        if open_tabs >= MOST_TABS:
            return Response("Too many pages are open.\n", 503)
        return StreamingResponse(news(), media_type="text/event-stream")

    async def said(request: Request) -> dict[str, Any] | None:
        try:
            found = json.loads(await request.body())
        except (ValueError, RecursionError):
            return None
        return found if isinstance(found, dict) else None

    async def answer(request: Request) -> Response:
        match await said(request):
            case {"ask": int(ask), "choice": str(choice), **rest}:
                return _done(lambda: desk.answer(ask, choice, str(rest.get("text", ""))))
        return Response("That is not an answer.\n", 400)

    async def press(request: Request) -> Response:
        match await said(request):
            case {"what": str(what), **rest}:
                return _done(lambda: desk.press(what, str(rest.get("text", ""))))
        return Response("That is not a press.\n", 400)

    names = sorted(
        entry.name
        for entry in files("bench.page").joinpath("static").iterdir()
        if entry.name.endswith(tuple(KINDS))
    )
    return Starlette(
        routes=[
            *(file(name) for name in names),
            Route("/state", state, methods=["GET"]),
            Route("/events", events, methods=["GET"]),
            Route("/answer", answer, methods=["POST"]),
            Route("/press", press, methods=["POST"]),
        ]
    )


def _done(act: Any) -> Response:
    try:
        act()
    except NotNow as why:
        return JSONResponse({"why": str(why)}, 409)
    return Response(status_code=204)


class PageServer:
    """Serves a desk's page from a thread of its own while it is open (a context manager).

    Parameters
    ----------
    desk : Desk
    port : int
        0 takes a free one.

    Raises
    ------
    BenchError
        The port cannot be had.
    """

    def __init__(self, desk: Desk, port: int = 0) -> None:
        self.desk = desk
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        try:
            if os.name == "posix":
                # Elsewhere this would let another program share the port.
                self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            self._socket.bind((LOOPBACK, port))
        except OSError as problem:
            self._socket.close()
            raise BenchError(
                f"The page cannot be served on port {port}: {problem.strerror}. Choose another with --port, or leave it out."
            ) from problem
        self.port = int(self._socket.getsockname()[1])
        self.key = secrets.token_urlsafe(24)
        host = f"{LOOPBACK}:{self.port}"
        self.address = f"http://{host}/{self.key}/"
        config = uvicorn.Config(
            Guard(application(desk), key=self.key, host=host),
            http="h11",
            ws="none",
            loop="asyncio",
            lifespan="off",
            interface="asgi3",
            log_config=None,
            access_log=False,
            server_header=False,
            date_header=False,
            proxy_headers=False,
            limit_concurrency=64,
            h11_max_incomplete_event_size=16384,
            timeout_keep_alive=5,
            timeout_graceful_shutdown=2,
        )
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._run, name="page", daemon=True)

    def _run(self) -> None:
        self._server.run(sockets=[self._socket])

    def __enter__(self) -> Self:
        self._thread.start()
        until = time.monotonic() + START_S
        while not self._server.started:
            if time.monotonic() > until or not self._thread.is_alive():
                raise BenchError("The page's server did not start. Run the command again.")
            time.sleep(0.01)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.desk.close()
        # Give open pages the moment they need to show how it ended.
        time.sleep(3 / LOOKS_PER_S)
        self._server.should_exit = True
        self._thread.join(5.0)
        self._socket.close()
