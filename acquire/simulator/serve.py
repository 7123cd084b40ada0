"""Serves a rig over a pseudo-terminal (POSIX) or a TCP socket, at the pace of its own clock, faster, or as fast as it goes.

One host at a time. Nothing is sent before the host's first `hello`, which begins the next phase; when a phase is over, heartbeats
go on until the host leaves. While nobody is there the board's clock stands. A pseudo-terminal's hang-up throws away what its
reader has not read yet, so our end is closed only after the host has left, or when the caller ends it all.
"""

from __future__ import annotations

import asyncio
import sys
import time
from collections import deque
from collections.abc import AsyncIterator, Callable, Iterable
from contextlib import asynccontextmanager, suppress

from acquire.simulator.bench import Bench
from acquire.simulator.hosts import CHUNK, Host, Sleep, meet_on_pty, meet_on_socket
from acquire.simulator.phases import REST
from acquire.simulator.rig import Rig
from analysis.base.errors import UsageError

Clock = Callable[[], float]
_SOON_S = 1e-6  # what is due so soon is due: a wait shorter than the clock can tell would never end
_LONGEST = 256  # bytes of an unfinished line of the host that are kept


class Served:
    """What `serve` yields: `url` is what a host opens; `wait_finished` returns when the host of the last phase has left."""

    def __init__(self, url: str) -> None:
        self.url = url
        self._finished = asyncio.Event()

    async def wait_finished(self) -> None:
        """Wait for the end."""
        await self._finished.wait()


class _Session:
    """One host, from its coming to its leaving."""

    def __init__(self, bench: Bench, host: Host, pace: float | None, clock: Clock, sleep: Sleep) -> None:
        self._bench, self._host, self._pace, self._clock, self._sleep = bench, host, pace, clock, sleep
        self._lines: deque[bytes] = deque()
        self._heard = asyncio.Event()
        self._gone = False
        self._origin: tuple[float, float] | None = None  # our clock and the board's, at one instant

    async def run(self) -> None:
        """Until the host leaves."""
        self._bench.connected()
        listener = asyncio.create_task(self._listen())
        try:
            with suppress(ConnectionError):
                while not self._gone:
                    await self._turn()
        finally:
            listener.cancel()
            with suppress(asyncio.CancelledError, ConnectionError):
                await listener

    async def _listen(self) -> None:
        rest = b""
        try:
            while data := await self._host.read():
                *lines, rest = (rest + data).split(b"\n")
                rest = rest[-_LONGEST:]
                self._lines.extend(lines)
                self._heard.set()
        finally:
            self._gone = True
            self._heard.set()

    async def _turn(self) -> None:
        """Answer what was asked, send what is due, wait for the next."""
        self._heard.clear()
        while self._lines and not self._gone:
            await self._answer(self._lines.popleft())
        if self._origin is None:
            await self._wait(None)
            return
        due = await asyncio.to_thread(self._bench.next_s)  # may have to compute a phase first
        pace = self._pace if self._pace is not None or self._bench.phase != REST else 1.0
        if pace is None:
            await self._host.write(self._bench.take(float("inf"), CHUNK))
            self._origin = self._clock(), self._bench.now_s
            return
        now = self._origin[1] + (self._clock() - self._origin[0]) * pace
        if due > now + _SOON_S:
            await self._wait((due - now) / pace)
        elif data := self._bench.take(now + _SOON_S, CHUNK):
            await self._host.write(data)

    async def _answer(self, line: bytes) -> None:
        phase_before = self._bench.phase
        answer = await asyncio.to_thread(self._bench.command, line)
        if self._origin is None and line.rstrip(b"\r") != b"hello":
            await self._host.write(answer)
            return
        if self._origin is None or self._bench.phase != phase_before:
            self._origin = self._clock(), self._bench.now_s
        await self._host.write(answer)

    async def _wait(self, seconds: float | None) -> None:
        """Until something is heard, or for so long."""
        heard = asyncio.ensure_future(self._heard.wait())
        waits = [heard] if seconds is None else [heard, asyncio.ensure_future(self._sleep(seconds))]
        try:
            await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for wait in waits:
                wait.cancel()
            await asyncio.gather(*waits, return_exceptions=True)


@asynccontextmanager
async def serve(
    rig: Rig,
    phases: Iterable[str],
    *,
    via: str = "auto",
    pace: float | None = 1.0,
    pause_s: float | None = None,
    clock: Clock = time.monotonic,
    sleep: Sleep = asyncio.sleep,
) -> AsyncIterator[Served]:
    """Serve `rig` until the block ends.

    `via`: "pty", "socket", or "auto" (a pseudo-terminal where there is one). `pace`: board seconds a second, None for as fast as
    the host reads (rests still take their time). `pause_s`: see `Bench`. `clock` and `sleep` are what it waits with, passed in so
    that tests need not. Raises UsageError for another `via` or a pace that is not above 0, LinkError if there is no port to be
    had.
    """
    if pace is not None and not pace > 0:
        raise UsageError(f"a pace of {pace} gets nowhere", do="Give a number above 0.")
    if via == "auto":
        via = "socket" if sys.platform == "win32" else "pty"
    if via not in ("pty", "socket"):
        raise UsageError(f"there is no way {via!r} to serve a rig", do="Say pty, socket or auto.")
    bench = Bench(rig, phases, pause_s)
    meet = meet_on_pty if via == "pty" else meet_on_socket

    async with meet(sleep) as (url, hosts):
        served = Served(url)

        async def attend() -> None:
            async for host in hosts:
                await _Session(bench, host, pace, clock, sleep).run()
                if bench.finished:
                    served._finished.set()

        task = asyncio.create_task(attend())
        task.add_done_callback(
            lambda _: served._finished.set()
        )  # should it fail, nobody waits for ever: the error comes out below
        try:
            yield served
        finally:
            task.cancel()
            with suppress(asyncio.CancelledError):
                await task


def run(
    rig: Rig,
    phases: Iterable[str],
    *,
    via: str = "auto",
    pace: float | None = 1.0,
    pause_s: float | None = None,
    tell: Callable[[str], None] = print,
) -> None:
    """Serve until the host of the last phase has left, or until interrupted; `tell` is given the port to open.

    Errors as of `serve`.
    """

    async def whole() -> None:
        async with serve(rig, phases, via=via, pace=pace, pause_s=pause_s) as served:
            tell(served.url)
            await served.wait_finished()

    with suppress(KeyboardInterrupt):
        asyncio.run(whole())
