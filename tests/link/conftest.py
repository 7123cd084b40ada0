"""Boards at the end of four kinds of link.

A `Rig` is one kind of link with a scripted board at its far end. What a kind cannot do is said as data on its class; faults are
levers on the rig.
"""

from __future__ import annotations

import asyncio
import os
import socket
import struct
import tty
from collections.abc import Callable, Coroutine, Iterator
from pathlib import Path
from time import sleep
from types import SimpleNamespace
from typing import Any, ClassVar

import pytest
import serial
import serial.rfc2217

from acquire import wire
from acquire.link.connection import Link
from acquire.link.outcomes import Batch
from acquire.link.pipe import Pipe
from acquire.link.transport import open_pipe
from analysis.base.samples import Board

PATIENCE = 10.0  # seconds; no test waits so long unless it fails


@pytest.fixture(autouse=True)
def pyserial_does_not_dawdle(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its RFC 2217 client waits 0.3 s whenever it closes and 0.05 s for each answer, whoever is at the other end."""
    monkeypatch.setattr(serial.rfc2217, "time", SimpleNamespace(sleep=lambda seconds: sleep(seconds / 50)))


class ScriptedBoard:
    """Answers hello and zero, streams when told to. `deaf` answers nothing."""

    def __init__(self, boot: int = 57, seq: int = 0, *, deaf: bool = False, greeting: bytes | None = None) -> None:
        self.hello = Board(2400, True, "edge", (0.01,), ("mm",), "bench-a", boot=boot)
        self.seq = seq
        self.deaf = deaf
        self.greeting = greeting
        self.heard: list[wire.Command] = []
        self._partial = b""

    def hear(self, data: bytes) -> bytes:
        """What it answers."""
        *lines, self._partial = (self._partial + data).split(b"\n")
        commands = [command for line in lines if (command := wire.parse_command(line))]
        self.heard += commands
        if self.deaf:
            return b""
        greeting = wire.encode_hello(self.hello, self.seq, 5012) if self.greeting is None else self.greeting
        return greeting * len(commands)

    def frames(self, count: int) -> list[wire.Sample]:
        """The next samples."""
        made = [wire.Sample(i, 400 * i, i - 14400, 0, (35,), (1235,)) for i in range(self.seq, self.seq + count)]
        self.seq += count
        return made


def encoded(frames: list[wire.Sample]) -> bytes:
    return b"".join(wire.encode_frame(frame) for frame in frames)


class Rig:
    """One kind of link. `say` sends bytes to the host, `unplug` is abrupt, `end` polite, `replug` puts a board back on it."""

    ends_politely: ClassVar[bool] = False

    def __init__(self, board: ScriptedBoard, folder: Path) -> None:
        self.board = board
        self.folder = folder
        self.url = "?"
        self.opener: Callable[[str, int, Pipe], Coroutine[Any, Any, None]] = open_pipe

    async def __aenter__(self) -> Rig:
        await self.replug(self.board)
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.unplug()

    async def replug(self, board: ScriptedBoard) -> None:
        raise NotImplementedError

    async def unplug(self) -> None:
        raise NotImplementedError

    async def end(self) -> None:
        raise NotImplementedError

    async def say(self, data: bytes) -> None:
        raise NotImplementedError


class MemoryTransport(asyncio.Transport):
    """A port made of nothing. `stuck` takes what is written and never sends it."""

    def __init__(self, pipe: Pipe, board: ScriptedBoard, stuck: bool) -> None:
        super().__init__()
        self.pipe, self.board, self.stuck = pipe, board, stuck
        self.unsent = 0
        self.over = self.aborted = False
        self.paused = 0
        self.waiting: list[bytes] = []

    def set_write_buffer_limits(self, high: int | None = None, low: int | None = None) -> None:  # noqa: ARG002
        assert high == 0

    def get_write_buffer_size(self) -> int:
        return self.unsent

    def pause_reading(self) -> None:
        self.paused += 1

    def resume_reading(self) -> None:
        self.paused -= 1
        asyncio.get_running_loop().call_soon(self._flow)

    def deliver(self, data: bytes) -> None:
        self.waiting.append(data)
        self._flow()

    def _flow(self) -> None:
        while self.waiting and not self.paused and not self.over:
            self.pipe.data_received(self.waiting.pop(0))

    def write(self, data: Any) -> None:
        if self.stuck:
            self.unsent += len(data)
            self.pipe.pause_writing()
        else:
            asyncio.get_running_loop().call_soon(lambda: self.over or self.deliver(self.board.hear(bytes(data))))

    def is_closing(self) -> bool:
        return self.over

    def close(self) -> None:
        if not self.unsent:
            asyncio.get_running_loop().call_soon(self.lose, None)

    def abort(self) -> None:
        self.aborted = True
        asyncio.get_running_loop().call_soon(self.lose, None)

    def lose(self, error: Exception | None) -> None:
        if not self.over:
            self.over = True
            self.pipe.connection_lost(error)


class MemoryRig(Rig):
    ends_politely = True
    stuck = False

    async def replug(self, board: ScriptedBoard) -> None:
        self.board = board
        self.url = "memory"
        self.port: MemoryTransport | None = None
        self.opener = self._open

    async def _open(self, _url: str, _baud: int, pipe: Pipe) -> None:
        await asyncio.sleep(0)
        self.port = MemoryTransport(pipe, self.board, self.stuck)
        pipe.connection_made(self.port)

    async def say(self, data: bytes) -> None:
        assert self.port
        self.port.deliver(data)

    async def unplug(self) -> None:
        if self.port:
            self.port.lose(OSError("gone"))

    async def end(self) -> None:
        assert self.port
        self.port.lose(None)


class PtyRig(Rig):
    """A pseudo-terminal behind a symbolic link, as a board keeps its name over unplugging. A tty knows no polite end."""

    async def replug(self, board: ScriptedBoard) -> None:
        self.board = board
        self.url = str(self.folder / "port")
        self.master, slave = os.openpty()
        tty.setraw(slave)
        os.set_blocking(self.master, False)
        Path(self.url).symlink_to(os.ttyname(slave))
        self.slave = slave  # kept open until the host has opened it: a pty without a slave reads as an error
        asyncio.get_running_loop().add_reader(self.master, self._hear)

    def _hear(self) -> None:
        if answer := self.board.hear(os.read(self.master, 4096)):
            os.write(self.master, answer)

    async def say(self, data: bytes) -> None:
        assert os.write(self.master, data) == len(data)

    async def unplug(self) -> None:
        if self.master >= 0:
            asyncio.get_running_loop().remove_reader(self.master)
            Path(self.url).unlink()
            os.close(self.slave)
            os.close(self.master)
            self.master = -1


class SocketRig(Rig):
    ends_politely = True
    port = 0

    async def replug(self, board: ScriptedBoard) -> None:
        self.board = board
        self.writers: list[asyncio.StreamWriter] = []
        self.server: asyncio.Server | None = await asyncio.start_server(self._serve, "127.0.0.1", self.port)
        self.port = self.server.sockets[0].getsockname()[1]
        self.url = f"socket://127.0.0.1:{self.port}"

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.writers.append(writer)
        try:
            while data := await reader.read(4096):
                writer.write(self.answer(data, writer))
        except ConnectionError:
            pass
        finally:
            writer.close()

    def answer(self, data: bytes, _writer: asyncio.StreamWriter) -> bytes:
        return self.board.hear(data)

    def escape(self, data: bytes) -> bytes:
        return data

    async def say(self, data: bytes) -> None:
        self.writers[-1].write(self.escape(data))

    async def unplug(self) -> None:
        for writer in self.writers:
            sock = writer.get_extra_info("socket")
            if sock.fileno() >= 0:
                # Linger of zero: the other side gets a reset, not an end.
                sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
                writer.transport.abort()
        await self._shut()

    async def end(self) -> None:
        for writer in self.writers:
            writer.close()
        await self._shut()

    async def _shut(self) -> None:
        if self.server:
            self.server.close()
            await self.server.wait_closed()
            self.server = None
        await asyncio.sleep(0)


class Rfc2217Rig(SocketRig):
    """pyserial's own server side of RFC 2217, over a port of its own kind that loops back."""

    ends_politely = False  # pyserial's client tells an end and a reset apart no more than a tty does

    async def replug(self, board: ScriptedBoard) -> None:
        await super().replug(board)
        self.url = f"rfc2217://127.0.0.1:{self.port}"
        self.managers: dict[asyncio.StreamWriter, Any] = {}
        self.far = serial.serial_for_url("loop://")

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.managers[writer] = serial.rfc2217.PortManager(self.far, writer)  # type: ignore[no-untyped-call]
        await super()._serve(reader, writer)

    def answer(self, data: bytes, writer: asyncio.StreamWriter) -> bytes:
        return self.escape(self.board.hear(b"".join(self.managers[writer].filter(data))))

    def escape(self, data: bytes) -> bytes:
        return data.replace(b"\xff", b"\xff\xff")  # RFC 854: a data byte 255 is doubled


RIGS: dict[str, type[Rig]] = {"memory": MemoryRig, "pty": PtyRig, "socket": SocketRig, "rfc2217": Rfc2217Rig}

RigOf = Callable[..., Any]  # (kind, board or none) -> Rig

every_rig = pytest.mark.parametrize("kind", RIGS)
quick_rigs = pytest.mark.parametrize("kind", ["memory", "pty", "socket"])


@pytest.fixture
def rig_of(tmp_path: Path) -> RigOf:
    """`rig_of(kind, board)`: a rig to be entered."""
    return lambda kind, board=None: RIGS[kind](board or ScriptedBoard(), tmp_path)


class CancelAt:
    """Await a coroutine, and cancel the awaiting task for real when it waits for the `n`th time (from 0)."""

    def __init__(self, coroutine: Coroutine[Any, Any, Any], n: int) -> None:
        self.coroutine = coroutine
        self.n = n

    def __await__(self) -> Iterator[Any]:
        error: BaseException | None = None
        while True:
            try:
                waited = self.coroutine.throw(error) if error else self.coroutine.send(None)
            except StopIteration as stop:
                return stop.value
            if self.n == 0 and (task := asyncio.current_task()):
                task.cancel()
            self.n -= 1
            error = None
            try:
                yield waited
            except BaseException as raised:
                error = raised


async def read_events(link: Link, wanted: int) -> list[wire.Event]:
    """So many events at least."""
    events: list[wire.Event] = []
    while len(events) < wanted:
        outcome = await link.read(PATIENCE)
        assert isinstance(outcome, Batch), outcome
        events += outcome.events
    return events
