"""Reading until somebody says that it is enough: Ctrl-C, SIGTERM and a closed terminal are a clean end, not a failure."""

from __future__ import annotations

import asyncio
import signal
from collections.abc import Callable, Coroutine, Iterator
from contextlib import contextmanager, suppress
from typing import Any


async def until_told(reading: Coroutine[Any, Any, None], seconds: float | None = None) -> None:
    """Run `reading` until it is done, a signal says that it is enough, or so many seconds have passed."""
    task = asyncio.create_task(reading)
    timer = asyncio.get_running_loop().call_later(seconds, task.cancel) if seconds is not None else None
    try:
        with _signals(task.cancel), suppress(asyncio.CancelledError):
            await task
    finally:
        if timer:
            timer.cancel()


@contextmanager
def _signals(enough: Callable[[], object]) -> Iterator[None]:
    """Ctrl-C, SIGTERM and a closed terminal call `enough` in the event loop instead of breaking in anywhere."""
    loop = asyncio.get_running_loop()
    names = ("SIGINT", "SIGTERM", "SIGHUP")  # the last is unknown to some systems
    before = {number: signal.getsignal(number) for name in names if (number := getattr(signal, name, None))}
    for number in before:
        signal.signal(number, lambda *_: loop.call_soon_threadsafe(enough))
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
