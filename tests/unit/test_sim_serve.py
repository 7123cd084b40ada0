"""A rig served over a pseudo-terminal and a socket: the bytes of the recording, at its pace, and nothing lost at the end."""

from __future__ import annotations

import asyncio
import os
import sys
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager

import pytest

from acquire.simulator.phases import record
from acquire.simulator.rig import Rig, Work
from acquire.simulator.serve import Served, run, serve
from acquire.wire import Decoder, Fault, Hello
from analysis.base.errors import UsageError

RIG = Rig(work=Work(touches=1, turns=1.2))
PHASES = ("stop", "intake")
VIAS = [pytest.param("pty", marks=pytest.mark.skipif(sys.platform == "win32", reason="has no pseudo-terminals")), "socket"]


class Time:
    """A clock that goes on only when somebody sleeps."""

    def __init__(self) -> None:
        self.now = 100.0

    def clock(self) -> float:
        return self.now

    async def sleep(self, seconds: float) -> None:
        self.now += seconds
        await asyncio.sleep(0)


class Host:
    """A host that reads raw bytes."""

    def __init__(self, read: Callable[[], Awaitable[bytes]], write: Callable[[bytes], None]) -> None:
        self._read, self.write = read, write
        self.got = b""

    async def read(self, size: int) -> bytes:
        """The next `size` bytes."""
        while len(self.got) < size:
            data = await self._read()
            assert data, "the simulator hung up"
            self.got += data
        taken, self.got = self.got[:size], self.got[size:]
        return taken

    async def line(self) -> bytes:
        while b"\n" not in self.got:
            self.got += await self._read()
        return await self.read(self.got.index(b"\n") + 1)


@asynccontextmanager
async def host(url: str) -> AsyncIterator[Host]:
    if url.startswith("socket://"):
        name, port = url.removeprefix("socket://").split(":")
        reader, writer = await asyncio.open_connection(name, int(port))
        try:
            yield Host(lambda: reader.read(4096), writer.write)
        finally:
            writer.close()
            await writer.wait_closed()
        return
    import tty

    fd = os.open(url, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    tty.setraw(fd)
    loop = asyncio.get_running_loop()

    async def read() -> bytes:
        ready = asyncio.Event()
        loop.add_reader(fd, ready.set)
        try:
            await ready.wait()
        finally:
            loop.remove_reader(fd)
        return os.read(fd, 4096)

    def write(data: bytes) -> None:
        assert os.write(fd, data) == len(data)

    try:
        yield Host(read, write)
    finally:
        os.close(fd)


@asynccontextmanager
async def simulator(via: str, *, pace: float | None = None) -> AsyncIterator[tuple[Served, Time]]:
    time = Time()
    async with serve(RIG, PHASES, via=via, pace=pace, clock=time.clock, sleep=time.sleep) as served:
        yield served, time


@pytest.mark.parametrize("via", VIAS)
async def test_the_bytes_are_those_of_the_recording(via: str) -> None:
    expected = record(RIG, "stop")[0].data

    async with simulator(via) as (served, _), host(served.url) as far:
        far.write(b"hello\n")
        assert await far.read(len(expected)) == expected
        assert (await far.line()).startswith(b"B,")  # and then its heart beats


@pytest.mark.parametrize("via", VIAS)
async def test_a_host_that_comes_again_gets_the_next_phase_of_the_same_board(via: str) -> None:
    first, second = record(RIG, PHASES)

    async with simulator(via) as (served, _):
        boots, cranks = [], []
        for recording in (first, second):
            decoder = Decoder()
            async with host(served.url) as far:
                far.write(b"hello\n")
                events, told = [], 0
                while told < len(recording.sent):
                    events += (more := decoder.feed(await far.line()))
                    told += sum(not isinstance(e, Hello) for e in more)
            assert isinstance(events[0], Hello)
            assert decoder.counters.lost == decoder.counters.refused == 0
            boots.append(events[0].board.boot)
            cranks.append([e.crank for e in events if hasattr(e, "crank")])
        assert boots == [57, 57]
        assert cranks[1][0] == cranks[0][-1]
        assert set(second.crank.count.tolist()) <= set(cranks[1])
        await served.wait_finished()


@pytest.mark.parametrize("via", VIAS)
async def test_commands_are_answered(via: str) -> None:
    async with simulator(via) as (served, _):
        decoder = Decoder()
        async with host(served.url) as far:
            far.write(b"hel")
            far.write(b"lo\r\nbrew\nrate 10\n")
            events = []
            while not [e for e in events if isinstance(e, Hello) and e.board.rate == 10]:
                events += decoder.feed(await far.line())
            assert isinstance(events[0], Hello)
            assert [(e.word, e.number) for e in events if isinstance(e, Fault)] == [("command", 2)]
            for _ in range(50):
                decoder.feed(await far.line())
            assert decoder.counters.lost == decoder.counters.late == decoder.counters.restarts == 0


@pytest.mark.parametrize("pace", [1.0, 20.0])
async def test_lines_come_at_the_pace_of_the_boards_clock(pace: float) -> None:
    async with simulator("socket", pace=pace) as (served, time), host(served.url) as far:
        far.write(b"hello\n")
        hello = Decoder().feed(await far.line())[0]
        assert isinstance(hello, Hello)
        while True:
            line = await far.line()
            board_s = (int(line.split(b",")[2]) - hello.time_us) / 1e6
            assert time.now - 100.0 >= board_s / pace - 1e-6  # nothing comes before its time
            if board_s > 10:
                return


async def test_nothing_is_said_before_the_hello() -> None:
    async with simulator("socket") as (served, _), host(served.url) as far:
        for _ in range(50):
            await asyncio.sleep(0)
        far.write(b"hello\n")
        assert (await far.line()).startswith(b"H,")


@pytest.mark.parametrize("via", VIAS)
async def test_a_host_that_leaves_in_the_middle_leaves_the_rest_behind(via: str) -> None:
    async with simulator(via) as (served, time):
        async with host(served.url) as far:
            far.write(b"hello\n")
            await far.read(20_000)
        while via == "pty" and time.now == 100.0:  # until it has seen the far side gone: it then looks for another, sleeping
            await asyncio.sleep(0)
        async with host(served.url) as far:
            far.write(b"hello\n")
            hello = Decoder().feed(await far.line())[0]
            assert isinstance(hello, Hello)
            assert hello.seq == record(RIG, "stop")[0].state.counters.seq  # everything unheard is counted


async def test_run_serves_until_the_last_host_has_left() -> None:
    loop = asyncio.get_running_loop()
    url: asyncio.Future[str] = loop.create_future()

    def serve_it() -> None:
        tell = lambda said: loop.call_soon_threadsafe(url.set_result, said)  # noqa: E731
        run(RIG, ["stop"], via="socket", pace=None, tell=tell)

    served = asyncio.create_task(asyncio.to_thread(serve_it))
    async with host(await url) as far:
        far.write(b"hello\n")
        assert (await far.line()).startswith(b"H,")
    await served


@pytest.mark.parametrize(("via", "pace", "word"), [("smoke", None, "no way 'smoke'"), ("socket", 0.0, "pace of 0.0")])
def test_what_cannot_be_served_is_refused(via: str, pace: float | None, word: str) -> None:
    with pytest.raises(UsageError, match=word):
        run(RIG, PHASES, via=via, pace=pace)
