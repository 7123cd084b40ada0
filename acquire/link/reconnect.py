"""A board at the other end: find its port, connect, read, and connect again. The face of everything that opens a port.

`connection` is one connection, `transport` the libraries; this module adds the way back after an end, in the
caller's task and never in a transport's callback, where the port is not free yet.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncGenerator, Awaitable, Callable
from dataclasses import dataclass
from typing import Final

from acquire.link.connection import HELLO_WITHIN, Clock, Leftover, Link, Opener, connect, probe
from acquire.link.outcomes import Batch, Broken, Ended, Idle, Outcome, broken_by
from acquire.link.transport import PortInfo, list_ports, open_pipe
from acquire.wire import Hello
from acquire.wire.frames import HALF, U32
from analysis.base.errors import LobetraceError

__all__ = [
    "Batch",
    "Broken",
    "Connected",
    "Ended",
    "Idle",
    "Leftover",
    "Link",
    "Outcome",
    "PortInfo",
    "connect",
    "list_ports",
    "probe",
    "stream",
]

_BACK_OFF: Final = (0.1, 2.0)  # seconds before the first try to connect again, and at most


@dataclass(frozen=True)
class Connected:
    """A board has been greeted; commands go to `link`, which the stream reads.

    `same_count`: None the first time; then True only if the board surely went on counting (its boot number is there and
    unchanged, its frames go on), so that counts before and after share one zero. `missed`: frames that it sent meanwhile, if so.
    """

    hello: Hello
    same_count: bool | None
    missed: int
    link: Link


async def stream(
    url: str,
    baud: int = 115200,
    *,
    idle_after: float = 1.5,
    hello_timeout: float = HELLO_WITHIN,
    back_off: tuple[float, float] = _BACK_OFF,
    clock: Clock = time.monotonic,
    sleep: Callable[[float], Awaitable[object]] = asyncio.sleep,
    opener: Opener = open_pipe,
) -> AsyncGenerator[Connected | Outcome, None]:
    """Connect, read, and after each end connect again, until the caller stops: use it under `contextlib.aclosing`.

    Before each new try it waits `back_off[0]` seconds, doubled up to `back_off[1]`. Each try that fails comes out as `Broken`.
    UsageError at once if `url` is no address.
    """
    before: Link | None = None
    wait = back_off[0]
    while True:
        try:
            link = await connect(url, baud, hello_timeout=hello_timeout, clock=clock, opener=opener)
        except LobetraceError as error:
            yield broken_by(error)
        else:
            try:
                yield Connected(link.hello, *_continuity(before, link.hello), link)
                before, wait = link, back_off[0]
                while not isinstance(outcome := await link.read(idle_after), Ended | Broken):
                    yield outcome
            finally:
                await link.close()  # before the end is told, so that the port is free by then
            yield outcome
        await sleep(wait)
        wait = min(2 * wait, back_off[1])


def _continuity(before: Link | None, hello: Hello) -> tuple[bool | None, int]:
    """Whether the board went on counting, and how many frames were missed meanwhile."""
    if before is None:
        return None, 0
    boot = before.board.boot
    ahead = (hello.seq - before.next_seq) & U32
    same = boot != 0 and hello.board.boot == boot and ahead < HALF
    return same, ahead if same else 0
