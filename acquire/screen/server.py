"""Serves the page and its events. Whoever has the address sees what the live screen shows; nobody can change anything.

What is sent is made once for all. A viewer has room for the newest picture and the newest curve only: one that reads slowly
misses pictures, and nothing waits for it. A beat is sent only while pictures come, so that a page which hears none is out of date.
"""

from __future__ import annotations

import asyncio
import ipaddress
import json
import time
from collections.abc import Callable
from contextlib import suppress
from importlib.resources import files
from secrets import compare_digest, token_urlsafe
from typing import Any, Final

from aiohttp import web

from acquire.dashboard.snapshot import Snapshot
from acquire.screen.address import Bound
from acquire.screen.snapshot_json import curve_json, picture_json

BEAT_S: Final = 0.45  # between two events at most, with the wait for the next picture half a second
CURVE_S: Final = 0.25
VIEWERS: Final = 32
CONNECTIONS: Final = 96  # more are closed at once: files are wanted for the recording
_STUCK_S: Final = 10.0  # a viewer that takes nothing for so long is dropped
_PAGE: Final = {
    "": ("page.html", "text/html"),
    "page.css": ("page.css", "text/css"),
    "page.js": ("page.js", "text/javascript"),
}
_HEADERS: Final = {
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src data:;"
    " base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
    "Server": "lobetrace",
}


class Viewer:
    """What one page has not been sent yet: the newest of each kind."""

    def __init__(self) -> None:
        self._unsent: dict[str, bytes] = {}
        self._there_is = asyncio.Event()
        self._ended = False

    def put(self, kind: str, event: bytes) -> None:
        """An event; it replaces one of its kind that was not sent."""
        self._unsent[kind] = event
        self._there_is.set()

    def end(self) -> None:
        """Nothing more will come."""
        self._ended = True
        self._there_is.set()

    async def take(self) -> bytes:
        """Wait until there is something; nothing at the end."""
        await self._there_is.wait()
        self._there_is.clear()
        together = b"".join(self._unsent.values())
        self._unsent.clear()
        return b"" if self._ended else together


class ScreenServer:
    """One server at a bound socket, which it owns. `clock` in seconds."""

    def __init__(self, at: Bound, clock: Callable[[], float] = time.monotonic) -> None:
        self._at, self._clock = at, clock
        self._token = token_urlsafe(16)
        self.address = f"{at.root}{self._token}/"
        self.viewers: set[Viewer] = set()
        self._sent: dict[str, str] = {}
        self._number, self._sent_at, self._curve_at = 0, -BEAT_S, -CURVE_S

    def show(self, picture: Snapshot) -> None:
        """The next picture: sent if it is another one, and a beat if nothing has been sent for a while."""
        if not self.viewers:
            return
        now = self._clock()
        if now - self._curve_at >= CURVE_S:
            self._curve_at = now
            self._tell("curve", curve_json(picture), now)
        self._tell("picture", picture_json(picture), now)
        if now - self._sent_at >= BEAT_S:
            self._put("beat", "", now)

    async def serve(self) -> None:
        """Serve until cancelled; then everything is closed."""
        app = web.Application(client_max_size=1024)
        app.router.add_route("*", "/{any:.*}", self._answer)
        runner = web.AppRunner(app, access_log=None, shutdown_timeout=0.5, handler_cancellation=True)
        try:
            await runner.setup()
            server = runner.server
            assert server is not None

            def connection() -> asyncio.Protocol:
                return server() if len(server.connections) < CONNECTIONS else _Full()

            listening = await asyncio.get_running_loop().create_server(connection, sock=self._at.sock)
            try:
                await asyncio.Event().wait()
            finally:
                listening.close()
        finally:
            for viewer in self.viewers:
                viewer.end()
            await runner.cleanup()
            self._at.sock.close()

    def _tell(self, kind: str, value: Any, now: float) -> None:
        text = json.dumps(value, allow_nan=False, separators=(",", ":"))
        if self._sent.get(kind) != text:
            self._sent[kind] = text
            self._put(kind, text, now)

    def _put(self, kind: str, text: str, now: float) -> None:
        self._number, self._sent_at = self._number + 1, now
        event = f"id: {self._number}\nevent: {kind}\ndata: {text}\n\n".encode()
        for viewer in self.viewers:
            viewer.put(kind, event)

    async def _answer(self, request: web.Request) -> web.StreamResponse:
        if not self._is_called_right(request):
            return _plain(421, "This is not the address of the second screen.")
        token, slash, name = request.path[1:].partition("/")
        if not compare_digest(token.encode(errors="replace"), self._token.encode()):
            return _plain(404, "There is nothing here. The live screen shows the whole address.")
        if request.method != "GET":
            return _plain(405, "The second screen only shows.", Allow="GET")
        if not slash:
            return web.Response(status=308, headers={**_HEADERS, "Location": f"/{token}/"})
        if name == "events":
            return await self._events(request)
        if name not in _PAGE:
            return _plain(404, "There is nothing here.")
        file, kind = _PAGE[name]
        body = (files("acquire.screen") / "page" / file).read_bytes()
        return web.Response(body=body, content_type=kind, charset="utf-8", headers=_HEADERS)

    def _is_called_right(self, request: web.Request) -> bool:
        """Whether the host asked for is one of ours: a page from elsewhere whose name was turned to this machine has another."""
        host = request.headers.get("Host", "").lower()
        name = host.rpartition(":")[0] if host.rpartition(":")[2].isdigit() else host
        if name in self._at.names:
            return True
        own = None if request.transport is None else request.transport.get_extra_info("sockname")
        with suppress(ValueError):
            return own is not None and ipaddress.ip_address(name.strip("[]")) == ipaddress.ip_address(own[0])
        return False

    async def _events(self, request: web.Request) -> web.StreamResponse:
        if len(self.viewers) >= VIEWERS:
            return _plain(503, f"{VIEWERS} pages are open already. Close one of them.")
        response = web.StreamResponse(headers={**_HEADERS, "Content-Type": "text/event-stream"})
        viewer = Viewer()
        self.viewers.add(viewer)
        try:
            await response.prepare(request)
            await response.write(b"retry: 500\n\n")
            self._sent.clear()  # the next picture is sent, whether it is another one or not
            self._curve_at = -CURVE_S
            while event := await viewer.take():
                async with asyncio.timeout(_STUCK_S):
                    await response.write(event)
        except (ConnectionError, TimeoutError):
            if request.transport is not None:
                request.transport.abort()
        finally:
            self.viewers.discard(viewer)
        return response


class _Full(asyncio.Protocol):
    """Closes a connection."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        transport.close()


def _plain(status: int, sentence: str, **headers: str) -> web.Response:
    return web.Response(status=status, text=f"{sentence}\n", headers=_HEADERS | headers)
