"""Faults of the link with the real image at its end: a host that leaves and comes back, nonsense, a board that is gone."""

from __future__ import annotations

import asyncio
import sys
from contextlib import aclosing
from typing import Any

import pytest

from acquire import wire
from acquire.link.reconnect import Batch, Broken, Connected, Ended, Idle, Link, connect, stream
from tests.firmware.emulation import Emulator, Script

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")
PATIENCE = 20.0


async def read_until(link: Link, kind: Any, wanted: int = 1) -> list[wire.Event]:
    events: list[wire.Event] = []
    async with asyncio.timeout(PATIENCE):
        while sum(isinstance(event, kind) for event in events) < wanted:
            outcome = await link.read(PATIENCE)
            assert isinstance(outcome, Batch), outcome
            events += outcome.events
    return events


async def test_nonsense_is_answered_by_a_fault_and_the_board_goes_on(emulator: Emulator) -> None:
    script = Script().turn(2.0, 400.0, 100.0).end(8_000_000)
    with emulator.on_a_terminal("scale", script, real=True, name="nonsense") as bench:
        link = await connect(bench.port, hello_timeout=PATIENCE)
        link._pipe.write(b"\x80\xff garbage\nhel\nlo\n")
        events = await read_until(link, wire.Fault)
        assert next(event for event in events if isinstance(event, wire.Fault)).word == "command"
        await link.send(wire.HELLO)
        (hello,) = [event for event in await read_until(link, wire.Hello) if isinstance(event, wire.Hello)]
        assert not hello.restarted
        await read_until(link, wire.Sample | wire.Heartbeat, 3)
        assert (link.counters.refused, link.counters.late) == (0, 0)
        await link.close()


async def test_a_host_that_leaves_and_comes_back_knows_what_it_missed(emulator: Emulator) -> None:
    script = Script().turn(3.0, 400.0, 100.0).end(8_000_000)
    with emulator.on_a_terminal("scale", script, real=True, name="back") as bench:
        items = stream(bench.port, hello_timeout=PATIENCE, idle_after=PATIENCE)
        async with aclosing(items):
            first = await anext(items)
            assert isinstance(first, Connected)
            await read_until(first.link, wire.Sample, 20)
        link = await connect(bench.port, hello_timeout=PATIENCE)  # the port is free at once
        assert link.board.boot == first.link.board.boot != 0
        assert link.hello.seq > first.link.next_seq - 1  # the board went on counting, so what was missed is known
        await read_until(link, wire.Sample | wire.Heartbeat, 3)
        await link.close()


async def test_a_board_that_is_gone_is_an_end_and_never_silence(emulator: Emulator) -> None:
    script = Script().turn(30.0, 400.0, 100.0).end()
    with emulator.on_a_terminal("scale", script, real=True, name="gone") as bench:
        link = await connect(bench.port, hello_timeout=PATIENCE)
        await read_until(link, wire.Sample, 20)
        bench.process.kill()
        async with asyncio.timeout(PATIENCE):
            while isinstance(end := await link.read(PATIENCE), Batch):
                pass
        assert isinstance(end, Ended | Broken)
        assert not isinstance(end, Idle)
        await link.close()
