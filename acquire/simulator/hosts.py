"""The two ways in which a served rig meets its hosts: a TCP port of this machine, and a pseudo-terminal (POSIX)."""

from __future__ import annotations

import asyncio
import os
import sys
from collections.abc import AsyncGenerator, AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from typing import Protocol

from analysis.base.errors import LinkError

Sleep = Callable[[float], Awaitable[None]]
CHUNK = 4096
_POLL_S = 0.05  # how often to look whether a host has opened the pseudo-terminal


class Host(Protocol):
    """The far end, while it is there."""

    async def read(self) -> bytes:
        """Some bytes; none once the host has left."""

    async def write(self, data: bytes) -> None:
        """All of `data`. ConnectionError once the host has left."""


class _StreamHost:
    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._reader, self._writer = reader, writer

    async def read(self) -> bytes:
        with suppress(ConnectionError):
            return await self._reader.read(CHUNK)
        return b""

    async def write(self, data: bytes) -> None:
        self._writer.write(data)
        await self._writer.drain()

    async def close(self) -> None:
        self._writer.close()
        with suppress(OSError):
            await self._writer.wait_closed()


@asynccontextmanager
async def meet_on_socket(_sleep: Sleep) -> AsyncIterator[tuple[str, AsyncIterator[Host]]]:
    """A TCP port on this machine only, as pyserial's `socket://` opens it."""
    waiting: asyncio.Queue[_StreamHost] = asyncio.Queue()

    def came(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        waiting.put_nowait(_StreamHost(reader, writer))

    try:
        server = await asyncio.start_server(came, "127.0.0.1", 0)
    except OSError as error:
        raise LinkError(f"no TCP port to be had: {error}", where="127.0.0.1", do="Look whether a firewall forbids it.") from error

    async def hosts() -> AsyncGenerator[Host, None]:
        while True:
            host = await waiting.get()
            try:
                yield host
            finally:
                await host.close()

    coming = hosts()
    try:
        yield f"socket://127.0.0.1:{server.sockets[0].getsockname()[1]}", coming
    finally:
        with suppress(RuntimeError):  # its attendant was cancelled inside
            await coming.aclose()
        server.close()
        while not waiting.empty():
            await waiting.get_nowait().close()


class _PtyHost:
    """The master side of a pseudo-terminal."""

    def __init__(self, fd: int) -> None:
        self._fd = fd
        self._gone = False

    async def read(self) -> bytes:
        while not self._gone:
            try:
                data = os.read(self._fd, CHUNK)
            except BlockingIOError:
                await _ready(self._fd, write=False)
                continue
            except OSError:  # EIO: nobody has the other side open any more
                data = b""
            self._gone = not data
            return data
        return b""

    async def write(self, data: bytes) -> None:
        while data and not self._gone:
            try:
                data = data[os.write(self._fd, data) :]
            except BlockingIOError:
                await _ready(self._fd, write=True)
            except OSError as error:
                raise ConnectionResetError("the host has left") from error
        if self._gone:
            raise ConnectionResetError("the host has left")


def _settle(future: asyncio.Future[None]) -> None:
    if not future.done():
        future.set_result(None)


async def _ready(fd: int, *, write: bool) -> None:
    loop = asyncio.get_running_loop()
    ready: asyncio.Future[None] = loop.create_future()
    add, remove = (loop.add_writer, loop.remove_writer) if write else (loop.add_reader, loop.remove_reader)
    add(fd, _settle, ready)
    try:
        await ready
    finally:
        remove(fd)


@asynccontextmanager
async def meet_on_pty(sleep: Sleep) -> AsyncIterator[tuple[str, AsyncIterator[Host]]]:
    """A pseudo-terminal; the host opens its other side by name."""
    if sys.platform == "win32":
        raise LinkError("there are no pseudo-terminals on this system", do="Serve over a socket.")
    import select
    import termios
    import tty

    try:
        master, slave = os.openpty()
    except OSError as error:
        raise LinkError(f"no pseudo-terminal to be had: {error}", do="Serve over a socket.") from error
    name = os.ttyname(slave)
    tty.setraw(slave)
    os.set_blocking(master, False)
    os.close(slave)  # from now on a hang-up means: no host
    poll = select.poll()
    poll.register(master, select.POLLIN)

    async def hosts() -> AsyncGenerator[Host, None]:
        while True:
            while any(event & select.POLLHUP for _, event in poll.poll(0)):
                await sleep(_POLL_S)
            yield _PtyHost(master)
            termios.tcflush(master, termios.TCOFLUSH)  # what the host that left has not read is not for the next one

    coming = hosts()
    try:
        yield name, coming
    finally:
        with suppress(RuntimeError):
            await coming.aclose()
        os.close(master)
