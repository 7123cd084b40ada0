"""What came in over a port, until it is taken, and how it ended: the one face of every kind of link. No pyserial here."""

from __future__ import annotations

import asyncio
import contextlib
from collections import deque
from collections.abc import Callable
from typing import Final

MOST_HELD: Final = 1 << 20  # bytes a slow reader may leave here, a minute and a half at 115200 baud; then reading pauses


class Pipe(asyncio.Protocol):
    """What came in, with the time of arrival, until it is taken; and how it ended.

    A Protocol and not a StreamReader: the latter drops whole lines it still holds when the port dies.
    `over` only after the port has been released. `error` is None for a polite end.
    """

    def __init__(self, clock: Callable[[], float]) -> None:
        self.clock = clock
        self.over = False
        self.error: Exception | None = None
        self._transport: asyncio.Transport | None = None
        self._chunks: deque[bytes] = deque()
        self.held = 0
        self.arrived = clock()
        self._paused = False
        self._stirred = asyncio.Event()  # something to take, or over
        self._released = asyncio.Event()
        self._writable = asyncio.Event()
        self._writable.set()

    # what the transport calls

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """The port is open."""
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        transport.set_write_buffer_limits(high=0)  # so that `drained` means that everything has left

    def data_received(self, data: bytes) -> None:
        """Keep it; pause the port if too much is kept."""
        self._chunks.append(data)
        self.held += len(data)
        self.arrived = self.clock()
        self._stirred.set()
        if self.held > MOST_HELD and not self._paused and self._transport:
            self._paused = True
            self._transport.pause_reading()

    def connection_lost(self, exc: Exception | None) -> None:
        """It is over."""
        self.over, self.error = True, exc
        self._writable.set()
        self._stirred.set()
        # asyncio closes a socket only after this callback: whoever waits runs a loop turn later, and finds it free.
        self._released.set()

    def pause_writing(self) -> None:
        """Something is still to be sent."""
        self._writable.clear()

    def resume_writing(self) -> None:
        """Everything has been sent."""
        self._writable.set()

    # what the link calls

    async def stirred(self) -> None:
        """Wait until there is something to take, or it is over."""
        await self._stirred.wait()

    def take(self) -> bytes:
        """What is held; empty if nothing is."""
        data = b"".join(self._chunks)
        self._chunks.clear()
        self.held = 0
        if not self.over:
            self._stirred.clear()
            if self._paused and self._transport:
                self._paused = False
                self._transport.resume_reading()
        return data

    def write(self, data: bytes) -> None:
        """Send. Dropped without a word once it is over, so ask `over` first."""
        if self._transport and not self.over:
            self._transport.write(data)

    async def drained(self) -> None:
        """Wait until everything written has left, or it is over."""
        await self._writable.wait()

    def abort(self) -> None:
        """Release the port without sending what is left."""
        if self._transport and not self.over:
            self._transport.abort()

    async def close(self, within: float) -> int:
        """Send what is left, then release the port; after `within` seconds, or if cancelled, at once. Returns bytes not sent."""
        if self._transport is None or self.over:
            return 0
        self._transport.close()
        try:
            # close() alone would wait for ever for a device that takes nothing
            async with asyncio.timeout(within):
                await self._released.wait()
                return 0
        except TimeoutError:
            unsent = self._transport.get_write_buffer_size()
            self.abort()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(within):
                    await self._released.wait()
            return unsent
        except asyncio.CancelledError:
            self.abort()
            raise
