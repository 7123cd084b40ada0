"""Every fault of a line over every kind of link: nothing invented, nothing silent, and the next frame is read as if all were well."""

from __future__ import annotations

import asyncio
import random
from contextlib import aclosing
from dataclasses import replace

import pytest

from acquire import wire
from acquire.link.reconnect import Batch, Broken, Connected, Ended, Idle, Link, connect, stream
from acquire.wire import encode_frame
from tests.left_out import thorough

from .conftest import PATIENCE, RigOf, ScriptedBoard, encoded, every_rig, quick_rigs
from .faults import FAULTS, at_wrong_speed

pytestmark = pytest.mark.filterwarnings("ignore:set(Daemon|Name)\\(\\) is deprecated:DeprecationWarning")  # pyserial's rfc2217


async def read_until(link: Link, last: wire.Event) -> list[wire.Event]:
    events: list[wire.Event] = []
    while last not in events:
        outcome = await link.read(PATIENCE)
        assert isinstance(outcome, Batch), outcome
        events += outcome.events
    return events


def without_answers(events: list[wire.Event]) -> list[wire.Event]:
    """Late frames make the link ask for a hello; an answer that tells nothing new is no part of the story."""
    return [event for event in events if not isinstance(event, wire.Hello) or event.restarted]


@every_rig
@pytest.mark.parametrize("fault", FAULTS)
@pytest.mark.parametrize("seed", [1, *thorough(2)])
async def test_a_fault_comes_out_as_what_it_is(kind: str, fault: str, seed: int, rig_of: RigOf) -> None:
    async with rig_of(kind) as rig:
        link = await connect(rig.url, opener=rig.opener)
        before = link.counters
        story = FAULTS[fault](rig.board, random.Random(f"{fault} {seed}"))
        for piece in story.said:
            await rig.say(piece)
            await asyncio.sleep(0)
        events = without_answers(await read_until(link, story.events[-1]))
        assert tuple(events) == story.events
        # Every byte is one of a frame handed out, or refused, or of a late frame (which brings a hello with it).
        told = [event for event in events if isinstance(event, wire.Damage)]
        assert sum(damage.refused for damage in told) == link.counters.refused
        if not any(damage.late for damage in told):
            good = sum(len(encode_frame(event)) for event in events if not isinstance(event, wire.Damage))
            assert good + link.counters.refused == link.counters.received - before.received
        await rig.say(encoded(more := rig.board.frames(5)))
        assert without_answers(await read_until(link, more[-1])) == more
        await link.close()


@pytest.mark.parametrize(("sent", "read"), [(115200, 9600), (9600, 115200), (57600, 115200), (115200, 115200), (115200, 117000)])
def test_the_receiver_at_the_wrong_speed_is_one(sent: int, read: int) -> None:
    """8N1 bears a fifth of a bit at the tenth bit, 2 %; here 1.6 % is fine and a factor is not."""
    data = encoded(ScriptedBoard().frames(20))
    assert (at_wrong_speed(data, sent, read) == data) == (abs(read / sent - 1) < 0.02)


@quick_rigs
async def test_a_start_whose_own_hello_is_lost_is_found_by_asking(kind: str, rig_of: RigOf) -> None:
    """Without that, its frames would be passed over until their numbers had caught up, and then be spliced to the old count."""

    async with rig_of(kind) as rig:
        link = await connect(rig.url, opener=rig.opener)
        before = rig.board.frames(100)
        await rig.say(encoded(before))
        assert await read_until(link, before[-1]) == before
        rig.board.hello, rig.board.seq = replace(rig.board.hello, boot=58), 0
        await rig.say(encoded(rig.board.frames(3)))  # its hello, and the end of the line before, were eaten by a spark
        events: list[wire.Event] = []
        while not any(isinstance(event, wire.Hello) for event in events):
            outcome = await link.read(PATIENCE)
            assert isinstance(outcome, Batch), outcome
            events += outcome.events
        assert events == [wire.Damage(0, 0, 3), wire.Hello(rig.board.hello, 3, 5012, restarted=True)]
        await rig.say(encoded(after := rig.board.frames(4)))
        assert await read_until(link, after[-1]) == after
        await link.close()


@quick_rigs
async def test_repeated_frames_do_not_make_it_ask_without_end(kind: str, rig_of: RigOf) -> None:
    async with rig_of(kind) as rig:
        link = await connect(rig.url, opener=rig.opener, clock=lambda: 1.0)
        first, *rest = rig.board.frames(50)
        for frame in rest:
            await rig.say(encoded([first, frame]))
            assert frame in await read_until(link, frame)
        await link.send(wire.ZERO)
        while rig.board.heard[-1] != wire.ZERO:
            await link.read(PATIENCE)
        assert len(rig.board.heard) <= 4  # to greet, once to ask, zero; the clock stands still
        await link.close()


@every_rig
async def test_a_flood_loses_nothing_and_a_stall_is_no_end(kind: str, rig_of: RigOf) -> None:
    count = 3_000
    async with rig_of(kind) as rig:
        link = await connect(rig.url, opener=rig.opener)
        sent = rig.board.frames(count)
        got: list[wire.Event] = []

        async def flood() -> None:
            for first in range(0, count, 50):  # a pseudo-terminal takes 4 kB at once
                while len(got) < first - 50:
                    await asyncio.sleep(0)
                await rig.say(encoded(sent[first : first + 50]))

        flooding = asyncio.create_task(flood())
        while len(got) < count:
            outcome = await link.read(PATIENCE)
            assert isinstance(outcome, Batch), outcome
            got += outcome.events
        await flooding
        assert got == sent
        for _ in range(3):
            assert await link.read(0.01) == Idle(0.01)
        await rig.say(encoded(more := rig.board.frames(1)))
        assert await read_until(link, more[0]) == more
        await link.close()


@quick_rigs
@pytest.mark.parametrize("polite", [True, False], ids=["politely", "abruptly"])
@pytest.mark.parametrize("half", [0, 1, 17], ids="half{}".format)
async def test_unplugged_and_back(kind: str, polite: bool, half: int, rig_of: RigOf) -> None:
    """The rest of a line that was cut never meets the first bytes of the next connection."""

    async with rig_of(kind) as rig:
        if polite and not rig.ends_politely:
            return  # a tty knows no polite end
        items = stream(rig.url, idle_after=PATIENCE, sleep=lambda _: asyncio.sleep(0), opener=rig.opener)
        async with aclosing(items):
            assert isinstance(await anext(items), Connected)
            sent = rig.board.frames(3)
            cut = encoded(rig.board.frames(1))[:half]
            await rig.say(encoded(sent) + cut)
            got: list[wire.Event] = []
            size = 0
            while size < len(encoded(sent) + cut):
                batch = await anext(items)
                assert isinstance(batch, Batch), batch
                got += batch.events
                size += batch.size
            await (rig.end() if polite else rig.unplug())
            while not isinstance(item := await anext(items), Ended | Broken):
                assert isinstance(item, Batch)
                got += item.events
            assert got == [*sent, *([wire.Damage(0, half, 0)] if half else [])]
            assert isinstance(item, Ended if polite else Broken)
            await rig.replug(ScriptedBoard(57, 4))
            while not isinstance(item := await anext(items), Connected):
                assert isinstance(item, Broken)
            assert (item.same_count, item.missed) == (True, 1)
            await rig.say(encoded(more := rig.board.frames(2)))
            assert list((await anext(items)).events) == more
