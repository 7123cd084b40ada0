"""The second screen as the live screen carries it: shown every picture, also while that is paused, and no trouble when it fails."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace

from textual.widgets import Static

from acquire.cli.second_screen import second_screen
from acquire.dashboard.app import Dashboard
from acquire.dashboard.second import Address, Second
from acquire.dashboard.snapshot import Snapshot
from acquire.procedure.link_state import FAILED
from acquire.procedure.session import Place
from acquire.procedure.steps import SWEEP
from acquire.screen.code import qr_lines
from tests.ui.test_keys import keys
from tests.ui.test_pictures import Still
from tests.walked import Walk

Walks = Callable[..., Walk]
ADDRESS = "http://192.168.178.120:65432/0123456789abcdefghi_-Z/"


def second(show: Callable[[Snapshot], None] = lambda _: None) -> Second:
    async def serve() -> None:
        await asyncio.Event().wait()

    return Second(show, serve, ADDRESS, tuple(qr_lines(ADDRESS)))


def app_with(walk: Walk, beside: Second | None) -> Dashboard:
    return Dashboard(Still(walk.station, walk.workers._source, clock=walk.clock), second=beside)


async def test_it_is_shown_every_picture_also_while_the_live_screen_is_paused(walks: Walks) -> None:
    walk, seen = walks(), []
    walk.jump(Place(SWEEP, "intake"))
    app = app_with(walk, second(seen.append))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("space")
        held, count = app.picture, len(seen)
        walk.feed()
        app.draw()
        assert app.picture is held
        assert len(seen) > count
        assert seen[-1].deg != held.deg
        await app.finish()


async def test_the_code_can_be_seen_again_by_a_key(walks: Walks) -> None:
    app = app_with(walks(), second())
    async with app.run_test(size=(80, 24)) as pilot:
        app.draw()
        await pilot.pause()
        assert "s" in keys(app)
        await pilot.press("s")
        assert isinstance(app.screen, Address)
        code, words = (str(each.render()) for each in app.screen.query(Static))
        assert code.splitlines() == qr_lines(ADDRESS)
        assert ADDRESS in words
        assert all(each.region.bottom <= 24 for each in app.screen.query(Static))
        await pilot.press("escape")
        assert len(app.screen_stack) == 1
        await app.finish()


async def test_half_a_code_is_not_drawn(walks: Walks) -> None:
    app = app_with(walks(), replace(second(), code=tuple("█" * 60 for _ in range(30))))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("s")
        (words,) = (str(each.render()) for each in app.screen.query(Static))
        assert words.startswith(ADDRESS)
        await app.finish()


async def test_without_one_there_is_no_key(walks: Walks) -> None:
    app = app_with(walks(), None)
    async with app.run_test(size=(80, 24)) as pilot:
        app.draw()
        await pilot.pause()
        assert "s" not in keys(app)
        await pilot.press("s")
        assert len(app.screen_stack) == 1
        await app.finish()


async def test_its_failure_is_no_trouble_of_the_measurement(walks: Walks) -> None:
    def fails(_: Snapshot) -> None:
        raise ValueError("out of range")

    walk = walks()
    walk.jump(Place(SWEEP, "intake"))
    app = app_with(walk, second(fails))
    async with app.run_test(size=(80, 24)) as pilot:
        app.draw()
        app.draw()
        await pilot.pause()
        said = [message.text for message in walk.station.messages if "has stopped" in message.text]
        assert said == ["The second screen has stopped (ValueError: out of range). The measurement goes on."]
        assert walk.station.watch.state().state != FAILED
        assert walk.station.recording is not None
        await app.finish()


async def test_the_real_one_serves_as_long_as_the_live_screen_runs(walks: Walks) -> None:
    beside = second_screen("127.0.0.1")
    host, _, path = beside.address.removeprefix("http://").partition("/")
    app = app_with(walks(), beside)
    async with app.run_test(size=(80, 24)):
        reader, writer = await asyncio.open_connection(*host.split(":"))
        writer.write(f"GET /{path}events HTTP/1.1\r\nHost: {host}\r\n\r\n".encode())
        assert (await reader.readline()).split()[1] == b"200"
        await reader.readuntil(b"retry: 500")
        app.draw()
        await reader.readuntil(b"event: picture\ndata: {")
        await app.finish()
        assert (await reader.read())[-1:] == b"\n", "closed with the live screen"
        writer.close()
        await writer.wait_closed()
