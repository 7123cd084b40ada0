"""A real serial server in between: ser2net on this machine, a pseudo-terminal as its device, raw TCP and RFC 2217 in front."""

from __future__ import annotations

import asyncio
import shutil
import socket
import subprocess
import termios
from collections.abc import Iterator
from contextlib import aclosing, contextmanager
from pathlib import Path
from typing import Any

import pytest

from acquire import wire
from acquire.link.reconnect import Batch, Broken, Connected, Ended, connect, probe, stream
from acquire.simulator.scenarios import scenario_named
from acquire.simulator.serve import serve
from analysis.base.errors import LobetraceError

from .conftest import PATIENCE, PtyRig, RigOf, encoded, read_events

SER2NET = shutil.which("ser2net") or ("/usr/sbin/ser2net" if Path("/usr/sbin/ser2net").exists() else None)
pytestmark = [
    pytest.mark.skipif(SER2NET is None, reason="ser2net is not installed (Debian package ser2net)"),
    pytest.mark.filterwarnings(
        "ignore:set(Daemon|Name)\\(\\) is deprecated:DeprecationWarning"
    ),  # pyserial's rfc2217, on opening
]
ACCEPTERS = {"socket": "tcp", "rfc2217": "telnet(rfc2217),tcp"}
both_kinds = pytest.mark.parametrize("kind", ACCEPTERS)


@contextmanager
def served(device: str, kind: str, folder: Path, port: int = 0) -> Iterator[str]:
    """ser2net over `device`, at a free port unless one is named; the address to open."""
    if not port:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
    config = folder / f"ser2net-{kind}.yaml"
    config.write_text(
        "%YAML 1.1\n---\n"
        "connection: &board\n"
        f"  accepter: {ACCEPTERS[kind]},127.0.0.1,{port}\n"
        f"  connector: serialdev,{device},115200n81,local\n"
    )
    assert SER2NET
    with subprocess.Popen([SER2NET, "-n", "-u", "-c", str(config)], stdout=subprocess.PIPE, stderr=subprocess.STDOUT) as server:
        try:
            for _ in range(200):
                if _listens(port):
                    break
                try:
                    server.wait(PATIENCE / 200)
                except subprocess.TimeoutExpired:
                    continue
                raise AssertionError(f"ser2net ended: {server.communicate()[0]!r}")
            yield f"{kind}://127.0.0.1:{port}"
        finally:
            server.kill()


def _listens(port: int) -> bool:
    """Seen without connecting, which would already open the device."""
    lines = Path("/proc/net/tcp").read_text().splitlines()[1:]
    return any(line.split()[1].endswith(f":{port:04X}") and line.split()[3] == "0A" for line in lines)


@both_kinds
async def test_greets_reads_and_tells(kind: str, rig_of: RigOf, tmp_path: Path) -> None:
    rig: PtyRig
    async with rig_of("pty") as rig:
        with served(rig.url, kind, tmp_path) as url:
            link = await connect(url)
            assert link.hello.board == rig.board.hello
            sent = rig.board.frames(200)
            for first in range(0, 200, 20):
                await rig.say(encoded(sent[first : first + 20]))
            assert await read_events(link, 200) == sent
            await link.send(wire.ZERO)
            assert await read_events(link, 1) == [wire.Hello(rig.board.hello, 200, 5012)]
            assert await link.close() == (0, 0)
            assert await closed(rig, url) == rig.board.hello  # and it can be had again


async def closed(rig: PtyRig, url: str) -> Any:
    """The board, once the server has let go of the device; it may take it a moment."""
    async with asyncio.timeout(PATIENCE):
        while isinstance(found := await probe(url, hello_timeout=1.0), LobetraceError):
            await asyncio.sleep(0)
    assert rig.board.heard
    return found.board


@pytest.mark.parametrize(("kind", "speed"), [("rfc2217", termios.B57600), ("socket", termios.B115200)])
async def test_only_rfc2217_sets_the_far_baud_rate(kind: str, speed: int, rig_of: RigOf, tmp_path: Path) -> None:
    rig: PtyRig
    async with rig_of("pty") as rig:
        with served(rig.url, kind, tmp_path) as url:
            link = await connect(url, 57600)
            assert termios.tcgetattr(rig.slave)[4:6] == [speed, speed]
            await link.close()


@both_kinds
async def test_a_board_unplugged_behind_the_server_is_an_end_and_never_silence(kind: str, rig_of: RigOf, tmp_path: Path) -> None:
    rig: PtyRig
    async with rig_of("pty") as rig:
        with served(rig.url, kind, tmp_path) as url:
            link = await connect(url)
            await rig.say(encoded(sent := rig.board.frames(3)))
            assert await read_events(link, 3) == sent
            await rig.unplug()
            end = await link.read(PATIENCE)
            assert isinstance(end, Ended | Broken), end
            await link.close()


@both_kinds
async def test_a_server_that_dies_and_comes_back_is_found_again(kind: str, rig_of: RigOf, tmp_path: Path) -> None:
    rig: PtyRig
    async with rig_of("pty") as rig:
        seen: list[type] = []
        with served(rig.url, kind, tmp_path) as url:
            items = stream(url, idle_after=PATIENCE, sleep=lambda _: asyncio.sleep(0))
            assert isinstance(await anext(items), Connected)
        async with aclosing(items):
            async with asyncio.timeout(PATIENCE):
                while not isinstance(item := await anext(items), Ended | Broken):
                    seen.append(type(item))
            assert isinstance(item, Broken if kind == "rfc2217" else Ended | Broken)


@both_kinds
async def test_a_second_program_is_not_let_in(kind: str, rig_of: RigOf, tmp_path: Path) -> None:
    rig: PtyRig
    async with rig_of("pty") as rig:
        with served(rig.url, kind, tmp_path) as url:
            link = await connect(url)
            assert isinstance(await probe(url, hello_timeout=1.0), LobetraceError)
            await rig.say(encoded(sent := rig.board.frames(2)))
            assert await read_events(link, 2) == sent
            await link.close()


@pytest.mark.parametrize(("kind", "wanted"), [("socket", 16_500), ("rfc2217", 3_000)])  # pyserial keeps it byte by byte
async def test_a_simulated_sweep_comes_through_whole(kind: str, wanted: int, tmp_path: Path) -> None:
    """As fast as the line takes it: what the server and TCP hold back is held back in the board too, and nothing is lost."""
    rig = scenario_named("two-channel", seed=4).rig

    async with serve(rig, ("both",), via="pty", pace=None, pause_s=0.0) as there:
        with served(there.url, kind, tmp_path) as url:
            link = await connect(url)
            rows = 0
            while rows < wanted:  # of the 16 800 counts of three and a half turns of the camshaft
                outcome = await link.read(PATIENCE)
                assert isinstance(outcome, Batch), outcome
                rows += sum(isinstance(event, wire.Sample) for event in outcome.events)
            assert (link.counters.lost, link.counters.refused, link.counters.late) == (0, 0, 0)
            await link.close()
