"""The second screen's server over real sockets: who gets in, what is sent, and that no page holds up the measurement."""

from __future__ import annotations

import asyncio
import json
import socket
import sys
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, suppress
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import zxingcpp

from acquire.cli.second_screen import asked_for, second_screen
from acquire.dashboard.picture import snapshot_of
from acquire.dashboard.snapshot import Snapshot
from acquire.procedure.session import Place
from acquire.procedure.steps import SWEEP
from acquire.screen.address import bound
from acquire.screen.code import qr_lines
from acquire.screen.server import BEAT_S, CONNECTIONS, CURVE_S, VIEWERS, ScreenServer, Viewer
from acquire.simulator.scenarios import SCENARIOS
from analysis.base.errors import UsageError
from tests.walked import Clock, Walk


@pytest.fixture(scope="module")
def picture(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Snapshot]:
    """In the middle of a sweep."""
    walk = Walk(tmp_path_factory.mktemp("second") / "job", SCENARIOS["clean"])
    walk.jump(Place(SWEEP, "intake"))
    walk.feed(12)
    yield snapshot_of(walk.station)
    walk.station.close()


@asynccontextmanager
async def served(clock: Clock | None = None, at: str = "127.0.0.1") -> AsyncIterator[ScreenServer]:
    server = ScreenServer(bound(at), clock or Clock())
    task = asyncio.create_task(server.serve())
    try:
        yield server
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


def split(server: ScreenServer) -> tuple[str, int, str]:
    """Host, port and path of its address."""
    host, _, path = server.address.removeprefix("http://").partition("/")
    name, _, port = host.rpartition(":")
    return name, int(port), f"/{path}"


class Page:
    """A connection that has asked for something."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.reader, self.writer = reader, writer

    @classmethod
    async def asks(cls, server: ScreenServer, path: str, host: str | None = None, method: str = "GET") -> Page:
        name, port, _ = split(server)
        reader, writer = await asyncio.open_connection(name.strip("[]"), port)
        host = f"Host: {f'{name}:{port}' if host is None else host}\r\n" if host != "" else ""
        writer.write(f"{method} {path} HTTP/1.1\r\n{host}Connection: close\r\n\r\n".encode())
        return cls(reader, writer)

    async def head(self) -> tuple[int, dict[str, str]]:
        first, *lines = (await self.reader.readuntil(b"\r\n\r\n")).decode().strip().split("\r\n")
        return int(first.split()[1]), {k.lower(): v for k, v in (line.split(": ", 1) for line in lines)}

    async def body(self) -> str:
        return (await self.reader.read()).decode()

    async def event(self) -> tuple[str, str]:
        """Kind and data of the next event. Chunks of the transfer coding carry whole lines."""
        found = {}
        while True:
            line = (await self.reader.readuntil(b"\n")).decode().strip()
            if ": " in line or line.endswith(":"):
                name, _, value = line.partition(":")
                found[name] = value.strip()
            if not line and "data" in found:
                return found["event"], found["data"]

    async def close(self) -> None:
        self.writer.close()
        with suppress(ConnectionError):
            await self.writer.wait_closed()


async def got(server: ScreenServer, path: str, host: str | None = None, method: str = "GET") -> tuple[int, dict[str, str], str]:
    page = await Page.asks(server, path, host, method)
    try:
        return *(await page.head()), await page.body()
    finally:
        await page.close()


async def opened(server: ScreenServer) -> Page:
    """A page that listens."""
    count = len(server.viewers)
    page = await Page.asks(server, f"{split(server)[2]}events")
    assert (await page.head())[0] == 200
    assert len(server.viewers) == count + 1
    return page


@pytest.mark.parametrize(
    ("name", "kind"), [("", "text/html"), ("page.css", "text/css"), ("page.js", "text/javascript")], ids=["page", "css", "js"]
)
async def test_the_page_comes_from_here_alone_and_may_load_nothing_else(name: str, kind: str) -> None:
    async with served() as server:
        status, headers, body = await got(server, split(server)[2] + name)
    assert (status, headers["content-type"]) == (200, f"{kind}; charset=utf-8")
    assert headers["content-security-policy"].startswith("default-src 'none'; script-src 'self';")
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["cache-control"] == "no-store"
    assert headers["referrer-policy"] == "no-referrer", "the address is a secret"
    assert headers["server"] == "lobetrace"
    assert "unsafe" not in headers["content-security-policy"]
    assert "https:" not in body
    assert "http:" not in body.replace("http://www.w3.org/2000/svg", "")
    assert "<script>" not in body
    assert " style=" not in body
    assert " on" + "click=" not in body


async def test_without_the_token_nothing_is_there() -> None:
    async with served() as server:
        path = split(server)[2]
        answers = [
            await got(server, wrong)
            for wrong in ("/", "/x/", "/events", path[:-2] + "/", path.upper(), "/" + path, "/%ff%00/", "//")
        ]
    assert len(path) >= 22 + 2, "128 bits"
    assert {status for status, _, _ in answers} == {404}
    assert len({body for _, _, body in answers}) == 1, "a near miss looks like any other"


@pytest.mark.parametrize("name", ["page.html", "../server.py", "%2e%2e/server.py", "page.js/", "events/", "favicon.ico"])
async def test_nothing_but_the_page_is_there(name: str) -> None:
    async with served() as server:
        assert (await got(server, split(server)[2] + name))[0] == 404


async def test_an_address_without_its_last_slash_leads_to_the_page() -> None:
    async with served() as server:
        path = split(server)[2]
        status, headers, _ = await got(server, path[:-1])
    assert (status, headers["location"]) == (308, path)


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS", "HEAD"])
@pytest.mark.parametrize("name", ["", "events"])
async def test_nothing_can_be_sent(name: str, method: str) -> None:
    async with served() as server:
        status, headers, _ = await got(server, split(server)[2] + name, method=method)
    assert (status, headers["allow"]) == (405, "GET")


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("127.0.0.1:8000", 200),  # forwarded from another port
        ("127.0.0.1", 200),
        ("localhost:80", 200),
        ("LOCALHOST", 200),
        ("bench.example", 421),  # a name that somebody has turned to this machine
        ("127.0.0.1.bench.example:80", 421),
        ("127.0.0.2", 421),
        ("[::1]", 421),
        ("", 421),
        (":", 421),
    ],
)
async def test_only_its_own_name_is_answered(host: str, status: int) -> None:
    async with served() as server:
        page = await Page.asks(server, split(server)[2], host)
        assert (await page.head())[0] in ({status, 400} if not host else {status})
        await page.close()


async def test_ipv6() -> None:
    try:
        at = bound("[::1]")
    except UsageError:
        pytest.skip("no IPv6 on this machine")
    at.sock.close()
    async with served(at="[::1]") as server:
        assert server.address.startswith("http://[::1]:")
        assert (await got(server, split(server)[2]))[0] == 200
        assert (await got(server, split(server)[2], "[::1]:9"))[0] == 200
        assert (await got(server, split(server)[2], "[::2]:9"))[0] == 421


async def test_a_page_is_sent_the_picture_the_curve_and_then_what_has_changed(picture: Snapshot) -> None:
    clock = Clock()
    async with served(clock) as server:
        server.show(picture)  # nobody looks
        page = await opened(server)
        server.show(picture)
        assert {(await page.event())[0], (await page.event())[0]} == {"picture", "curve"}
        clock.now += BEAT_S / 2
        server.show(picture)
        server.show(replace(picture, deg=12.34))
        kind, data = await page.event()
        assert kind == "picture", "what has not changed is not sent again"
        assert json.loads(data)["readings"][0] == {"name": "crank degrees", "number": "12.3", "word": "ATDC"}
        clock.now += BEAT_S
        server.show(replace(picture, deg=12.34))
        assert (await page.event()) == ("beat", "")
        await page.close()


async def test_a_page_opened_later_sees_everything_too(picture: Snapshot) -> None:
    async with served() as server:
        first = await opened(server)
        server.show(picture)
        one = {await first.event(), await first.event()}
        second = await opened(server)
        server.show(picture)
        assert {await second.event(), await second.event()} == one
        await first.close()
        await second.close()


async def test_the_curve_is_sent_less_often(picture: Snapshot) -> None:
    assert picture.curve is not None
    clock = Clock()
    other = replace(picture, curve=replace(picture.curve, marks=((1.0, 2.0),)))
    async with served(clock) as server:
        page = await opened(server)
        server.show(picture)
        assert {(await page.event())[0], (await page.event())[0]} == {"picture", "curve"}
        clock.now += CURVE_S / 2
        server.show(other)
        clock.now += CURVE_S / 2
        server.show(other)
        kind, data = await page.event()
        assert (kind, json.loads(data)["marks"]) == ("curve", [[1.0, 2.0]])
        await page.close()


async def test_a_page_that_does_not_read_misses_pictures_and_costs_no_memory() -> None:
    viewer = Viewer()
    for k in range(10_000):
        viewer.put("picture", b"p%d" % k)
        viewer.put("curve", b"c%d" % k)
    assert await viewer.take() == b"p9999c9999"
    assert viewer.__dict__["_unsent"] == {}


async def test_pictures_are_shown_at_once_though_nobody_reads(picture: Snapshot) -> None:
    """No await: what a page does cannot hold it up. The page hears of the end as soon as it reads again."""
    clock = Clock()
    async with served(clock) as server:
        page = await opened(server)
        for k in range(1000):
            clock.now += 0.08
            server.show(replace(picture, deg=k / 100))
        last = ""
        while last != "10.0":
            kind, data = await page.event()
            last = json.loads(data)["readings"][0]["number"] if kind == "picture" else last
        await page.close()


async def test_a_page_that_has_gone_is_forgotten(picture: Snapshot) -> None:
    clock = Clock()
    async with served(clock) as server:
        page = await opened(server)
        page.writer.transport.abort()
        while server.viewers:
            clock.now += 1.0
            server.show(picture)
            await asyncio.sleep(0)


async def test_too_many_pages_are_told_so() -> None:
    async with served() as server:
        pages = [await opened(server) for _ in range(VIEWERS)]
        status, _, body = await got(server, f"{split(server)[2]}events")
        assert status == 503
        assert f"{VIEWERS} pages are open" in body
        assert (await got(server, split(server)[2]))[0] == 200, "the page itself can say so"
        for page in pages:
            await page.close()


async def test_connections_that_ask_for_nothing_do_not_take_all_files() -> None:
    async with served() as server:
        name, port, path = split(server)
        idle = [await asyncio.open_connection(name, port) for _ in range(CONNECTIONS)]
        reader, writer = await asyncio.open_connection(name, port)
        with suppress(ConnectionError):
            assert await reader.read() == b"", "closed at once"
        writer.close()
        for _, each in idle:
            each.transport.abort()
        status = 0
        while status != 200:  # as soon as those have gone
            with suppress(asyncio.IncompleteReadError, ConnectionError):
                status = (await got(server, path))[0]


async def test_the_end_closes_pages_and_the_port() -> None:
    async with served() as server:
        page = await opened(server)
        name, port, _ = split(server)
    with suppress(asyncio.IncompleteReadError, ConnectionError):
        while await page.reader.readuntil(b"\n"):
            pass
    assert page.reader.at_eof()
    await page.close()
    with pytest.raises(ConnectionError):
        await asyncio.open_connection(name, port)


def test_two_servers_have_two_tokens() -> None:
    ends = [bound("127.0.0.1"), bound("127.0.0.1")]
    tokens = {ScreenServer(at).address.split("/")[-2] for at in ends}
    assert len(tokens) == 2
    for at in ends:
        at.sock.close()


@pytest.mark.parametrize("asked", ["127.0.0.1", "127.0.0.1:0", "localhost"])
def test_this_machine_alone(asked: str) -> None:
    at = bound(asked)
    assert not at.on_the_network
    assert at.root == f"http://{asked.removesuffix(':0')}:{at.sock.getsockname()[1]}/"
    at.sock.close()


def test_all_networks_are_shown_by_an_address_that_can_be_opened() -> None:
    at = bound("0.0.0.0")
    assert at.on_the_network
    assert at.host not in ("0.0.0.0", "")
    at.sock.close()


@pytest.mark.parametrize("asked", ["", ":8000", "127.0.0.1:65536", "127.0.0.1:x", "a b", "http://127.0.0.1/", "127.0.0.1:80:80"])
def test_what_is_no_address(asked: str) -> None:
    with pytest.raises(UsageError, match=r"no address.*--screen HOST"):
        bound(asked)


def test_a_host_that_is_not_this_machine() -> None:
    with pytest.raises(UsageError, match=r"cannot listen at 192\.0\.2\.1"):  # RFC 5737: nobody's
        bound("192.0.2.1")
    with pytest.raises(UsageError, match=r"no host .nobody\.invalid"):  # RFC 2606
        bound("nobody.invalid:80")


def test_a_port_that_is_taken() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken, pytest.raises(UsageError, match=r"cannot listen.*a port that is free"):
        bound(f"127.0.0.1:{taken.getsockname()[1]}")


@pytest.mark.parametrize(
    ("typed", "given"),
    [
        ("live job --screen", "live job --screen=127.0.0.1"),
        ("live --screen job", "live --screen=127.0.0.1 job"),
        ("live --screen ./job", "live --screen=127.0.0.1 ./job"),
        ("live --screen --light job", "live --screen=127.0.0.1 --light job"),
        ("live job --screen 0.0.0.0:8000", "live job --screen 0.0.0.0:8000"),
        ("live --screen 192.168.1.20 job", "live --screen 192.168.1.20 job"),
        ("live --screen bench-laptop: job", "live --screen bench-laptop: job"),
        ("live --screen [::]:80 job", "live --screen [::]:80 job"),
        ("live --screen=bench job", "live --screen=bench job"),
        ("new -- --screen", "new -- --screen"),
    ],
)
def test_screen_stands_with_an_address_or_without(typed: str, given: str) -> None:
    assert asked_for(typed.split()) == given.split()


@pytest.mark.parametrize("missing", ["aiohttp", "segno"])
def test_without_its_extra_one_sentence_says_how_to_install_it(missing: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, missing, None)
    for module in ("acquire.screen.server", "acquire.screen.code"):
        monkeypatch.delitem(sys.modules, module)
    with pytest.raises(UsageError) as told:
        second_screen("127.0.0.1")
    assert str(told.value) == f"the second screen needs {missing}. Install it with: pip install 'lobetrace[screen]'"


def test_the_code_is_drawn_for_other_machines_only() -> None:
    here = second_screen("127.0.0.1")
    assert here.code == ()
    there = second_screen("0.0.0.0:")
    assert there.code == tuple(qr_lines(there.address))
    for second in (here, there):
        second.serve.__self__._at.sock.close()  # type: ignore[attr-defined]


def test_another_reader_reads_the_code() -> None:
    """zxing-cpp, as an image of 8 pixels a module: white ink on black, as it is drawn."""
    address = "http://192.168.178.120:65432/0123456789abcdefghi_-Z/"
    lines = qr_lines(address)
    assert len(lines) <= 22, "with the words below it, it stands on a screen of 24 lines"
    upper = [[sign in "█▀" for sign in line] for line in lines]
    lower = [[sign in "█▄" for sign in line] for line in lines]
    light = np.array([row for pair in zip(upper, lower, strict=True) for row in pair])
    image = np.where(np.kron(light, np.ones((8, 8))) > 0, 255, 0).astype(np.uint8)
    assert [found.text for found in zxingcpp.read_barcodes(image)] == [address]


def test_the_page_is_shipped() -> None:
    project = (Path(__file__).parents[2] / "pyproject.toml").read_text(encoding="utf-8")
    assert '"screen/page/*"' in project
