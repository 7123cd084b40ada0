"""The way back: a stream that loses its board and finds it, or another one, again."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncGenerator
from contextlib import aclosing
from pathlib import Path
from typing import Any

import pytest

from acquire import wire
from acquire.link.reconnect import Batch, Broken, Connected, Ended, Idle, connect, stream
from analysis.base.errors import DeviceError, LinkError, UsageError

from .conftest import PATIENCE, RigOf, ScriptedBoard, encoded, quick_rigs


class Waits:
    """Stands for the sleep between two tries: notes how long, and lets the test act instead of waiting."""

    def __init__(self) -> None:
        self.seconds: list[float] = []
        self.then: list[Any] = []

    async def __call__(self, seconds: float) -> None:
        self.seconds.append(seconds)
        if self.then and (act := self.then.pop(0)):
            await act()
        await asyncio.sleep(0)


async def until(items: AsyncGenerator[Any, None], kind: type) -> tuple[list[wire.Event], Any]:
    """The events on the way to the next item of `kind`, and that item."""
    events: list[wire.Event] = []
    async for item in items:
        if isinstance(item, kind):
            return events, item
        assert isinstance(item, Batch), item
        events += item.events
    raise AssertionError("the stream gave up")


@quick_rigs
@pytest.mark.parametrize(
    ("boot", "next_boot", "next_seq", "same", "missed"),
    [
        (57, 57, 13, True, 8),
        (57, 57, 5, True, 0),
        (57, 58, 13, False, 0),  # another start
        (57, 57, 0, False, 0),  # the same boot number, but its frames begin again
        (0, 0, 13, False, 0),  # a board that cannot tell its starts apart
        (0, 58, 13, False, 0),
    ],
)
async def test_reconnects_and_says_whether_the_count_went_on(
    kind: str, boot: int, next_boot: int, next_seq: int, same: bool, missed: int, rig_of: RigOf
) -> None:
    waits = Waits()
    async with (
        rig_of(kind, ScriptedBoard(boot)) as rig,
        aclosing(stream(rig.url, sleep=waits, idle_after=PATIENCE, opener=rig.opener)) as items,
    ):
        _, first = await until(items, Connected)
        assert (first.same_count, first.missed, first.hello.seq) == (None, 0, 0)
        await rig.say(encoded(before := rig.board.frames(5)))
        got: list[wire.Event] = []
        while len(got) < 5:
            got += (await anext(items)).events
        assert got == before
        await rig.unplug()
        _, broken = await until(items, Broken)
        assert isinstance(broken.error, LinkError)
        waits.then = [lambda: rig.replug(ScriptedBoard(next_boot, next_seq))]
        events, again = await until(items, Connected)
        assert events == []
        assert (again.same_count, again.missed) == (same, missed)
        assert again.hello.board.boot == next_boot
        assert waits.seconds == [0.1]
        await rig.say(encoded(after := rig.board.frames(2)))
        assert (await anext(items)).events[0] == after[0]


@quick_rigs
async def test_a_polite_end_is_told_and_then_it_connects_again(kind: str, rig_of: RigOf) -> None:
    async with rig_of(kind) as rig:
        if not rig.ends_politely:
            return
        waits = Waits()
        async with aclosing(stream(rig.url, sleep=waits, idle_after=PATIENCE, opener=rig.opener)) as items:
            await until(items, Connected)
            await rig.end()
            assert (await until(items, Ended))[1] == Ended("closed by the other side")
            waits.then = [lambda: rig.replug(rig.board)]
            assert (await until(items, Connected))[1].same_count is True


async def test_backs_off_and_begins_anew_after_a_success(rig_of: RigOf, tmp_path: Path) -> None:
    waits = Waits()
    rig = rig_of("pty")
    missing = str(tmp_path / "port")
    waits.then = [None] * 6 + [lambda: rig.replug(rig.board)]
    async with aclosing(stream(missing, sleep=waits, idle_after=PATIENCE)) as items:
        for _ in range(7):
            broken = await anext(items)
            assert isinstance(broken, Broken)
            assert broken.error.what == "there is no such port"
        await until(items, Connected)
        assert waits.seconds == [0.1, 0.2, 0.4, 0.8, 1.6, 2.0, 2.0]
        await rig.unplug()
        await until(items, Broken)
        await until(items, Broken)
        assert waits.seconds[7:] == [0.1]
        await until(items, Broken)
        assert waits.seconds[7:] == [0.1, 0.2]


async def test_five_rounds_of_plugging(rig_of: RigOf) -> None:
    """Files, tasks and threads are counted by `run`; the port keeps its name, as a link made by the system does."""

    waits = Waits()
    rig = rig_of("pty")
    await rig.replug(ScriptedBoard())
    sent: list[wire.Sample] = []
    got: list[wire.Event] = []
    verdicts = []
    async with aclosing(stream(rig.url, sleep=waits, idle_after=PATIENCE)) as items:
        for _ in range(5):
            _, connected = await until(items, Connected)
            verdicts.append(connected.same_count)
            await rig.say(encoded(frames := rig.board.frames(50)))
            sent += frames
            while len(got) < len(sent):
                got += (await anext(items)).events
            await rig.unplug()
            assert isinstance((await until(items, Broken))[1], Broken)
            waits.then = [lambda: rig.replug(rig.board)]
        await until(items, Connected)
    assert got == sent
    assert verdicts == [None, True, True, True, True]
    await rig.unplug()


async def test_the_port_is_free_before_the_end_is_told(rig_of: RigOf) -> None:
    async with rig_of("pty") as rig, aclosing(stream(rig.url, sleep=Waits(), idle_after=PATIENCE)) as items:
        await until(items, Connected)
        await rig.say(b"H,2.0,0,0*%04X\n" % wire.crc16(b"H,2.0,0,0"))
        _, broken = await until(items, Broken)
        assert isinstance(broken.error, DeviceError)
        await (await connect(rig.url)).close()


async def test_idle_comes_through_and_commands_go_to_the_link(rig_of: RigOf) -> None:
    async with rig_of("memory") as rig, aclosing(stream(rig.url, idle_after=0.01, opener=rig.opener)) as items:
        _, connected = await until(items, Connected)
        assert await anext(items) == Idle(0.01)
        await connected.link.send(wire.ZERO)
        events = (await anext(items)).events
        assert [type(event) for event in events] == [wire.Hello]
        assert rig.board.heard[-1] == wire.ZERO


@quick_rigs
async def test_stopping_frees_the_port(kind: str, rig_of: RigOf) -> None:
    async with rig_of(kind) as rig:
        async with aclosing(stream(rig.url, opener=rig.opener)) as items:
            await until(items, Connected)
        await (await connect(rig.url, opener=rig.opener)).close()

        connected = asyncio.Event()

        async def consume() -> None:
            async with aclosing(stream(rig.url, idle_after=PATIENCE, opener=rig.opener)) as items:
                async for item in items:
                    assert isinstance(item, Connected)
                    connected.set()

        task = asyncio.create_task(consume())
        await connected.wait()
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        await (await connect(rig.url, opener=rig.opener)).close()


async def test_what_is_no_address_is_not_tried_again() -> None:
    waits = Waits()
    async with aclosing(stream("tcp://host:1", sleep=waits)) as items:
        with pytest.raises(UsageError):
            await anext(items)
    assert waits.seconds == []
