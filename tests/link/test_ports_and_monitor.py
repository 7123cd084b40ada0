"""Looking at ports: who answers, what comes, and the bytes themselves."""

from __future__ import annotations

import asyncio
import json
import threading
from collections.abc import Callable
from contextlib import nullcontext
from pathlib import Path
from typing import Any

import pytest

from acquire import wire
from acquire.cli import ports, until_told
from acquire.cli import run as command
from acquire.cli.monitor import FrameMonitor, RawMonitor
from acquire.link import discovery, transport
from acquire.link.connection import probe
from acquire.link.discovery import only_port
from acquire.link.raw import Opened, Raw, raw_lines
from acquire.link.reconnect import PortInfo, connect
from acquire.link.threaded import in_thread
from analysis.base.errors import DeviceError, LinkError, UsageError, VersionError

from .conftest import PATIENCE, RigOf, ScriptedBoard, encoded, quick_rigs


async def asked(*addresses: str, within: float = 0.2) -> int:
    """`lobetrace ports` in a thread, as it has a loop of its own."""
    return await asyncio.to_thread(ports.run, addresses, True, within, 115200, True)


async def test_the_only_port_that_answers_needs_no_name(rig_of: RigOf, tmp_path: Path) -> None:
    async with rig_of("pty") as first, rig_of("socket") as second:
        here, there, missing = (PortInfo(url, "") for url in (first.url, second.url, str(tmp_path / "none")))
        assert await only_port(115200, "job", [missing, here]) == first.url
        with pytest.raises(UsageError, match="several boards answer"):
            await only_port(115200, "job", [here, there])
        with pytest.raises(UsageError, match="no board answers"):
            await only_port(115200, "job", [missing])


async def test_ports_tells_who_answers_and_who_does_not(
    rig_of: RigOf, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    async with rig_of("pty") as there, rig_of("socket", ScriptedBoard(deaf=True)) as deaf:
        missing = str(tmp_path / "none")
        assert await asked(there.url, deaf.url, missing) == 2
        first, second, third = json.loads(capsys.readouterr().out)["ports"]
        assert first["board"] == {
            "name": "bench-a",
            "counts_per_turn": 2400,
            "index": True,
            "latch": "edge",
            "steps_mm": [0.01],
            "units": ["mm"],
            "boot": 57,
            "wire": "1.0",
        }
        assert (second["board"], second["why"][:16]) == (None, "nothing answered")
        assert (third["board"], third["why"]) == (None, "there is no such port")
        assert await asked(there.url) == 0
        assert isinstance(await probe(there.url), wire.Hello)  # and it is free again


async def test_ports_leaves_a_port_alone_that_somebody_holds(rig_of: RigOf, capsys: pytest.CaptureFixture[str]) -> None:
    async with rig_of("pty") as rig:
        link = await connect(rig.url)
        assert await asked(rig.url) == 2
        assert "another program holds this port" in capsys.readouterr().out
        assert rig.board.heard == [wire.HELLO]  # nothing was said to it
        await link.close()


def test_ports_without_addresses_lists_what_the_machine_has(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(ports, "list_ports", lambda: [PortInfo("/dev/none-such", "a board")])
    assert command(["ports"]) == 0
    assert capsys.readouterr().out == "/dev/none-such  (a board)  no board: there is no such port\n"
    assert command(["ports", "--no-ask"]) == 0
    assert capsys.readouterr().out == "/dev/none-such  (a board)\n"
    monkeypatch.setattr(ports, "list_ports", list)
    assert command(["ports"]) == 0
    assert "no serial port" in capsys.readouterr().err


def test_a_driver_that_never_opens_holds_up_nobody(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    let_go = threading.Event()

    def stuck(*_: Any, **__: Any) -> None:
        let_go.wait(PATIENCE)
        raise OSError("at last")

    monkeypatch.setattr(transport.serial, "Serial", stuck)
    monkeypatch.setattr(discovery, "_PATIENCE_S", 0.05)
    assert ports.run(["COM7"], True, 0.05, 115200, False) == 2
    assert not let_go.is_set()
    let_go.set()
    assert "could not be opened within 0.1 s" in capsys.readouterr().out


async def test_what_a_thread_brings_too_late_is_undone_there() -> None:
    go, undone = threading.Event(), threading.Event()
    waiting = asyncio.create_task(in_thread(lambda: go.wait(PATIENCE), lambda _: undone.set()))
    await asyncio.sleep(0)
    waiting.cancel()
    with pytest.raises(asyncio.CancelledError):
        await waiting
    go.set()
    assert undone.wait(PATIENCE)


async def watched(monitor: Any, enough: Callable[[], bool]) -> None:
    """Let it read until there is enough to see, then cancel it as Ctrl-C does."""
    reading = asyncio.create_task(monitor.read())
    async with asyncio.timeout(PATIENCE):
        while not enough() and not reading.done():
            await asyncio.sleep(0)
    reading.cancel()
    await asyncio.wait([reading])
    if not reading.cancelled():
        reading.result()


@quick_rigs
@pytest.mark.parametrize("every", [True, False])
async def test_monitor_shows_frames_and_finds_a_lost_board_again(kind: str, every: bool, rig_of: RigOf) -> None:
    out: list[str] = []
    health: list[str] = []
    async with rig_of(kind) as rig:
        monitor = FrameMonitor(rig.url, 115200, every=every, out=out.append, health=health.append, opener=rig.opener)

        async def script() -> None:
            while not health:
                await asyncio.sleep(0)
            await rig.say(encoded(rig.board.frames(5)) + b"junk\n" + wire.encode_index(5, 6, 7))
            while not any(line.startswith("index") for line in out):
                await asyncio.sleep(0)
            await rig.unplug()
            while not any("trying again" in line for line in health):
                await asyncio.sleep(0)
            await rig.replug(ScriptedBoard(boot=58))

        acting = asyncio.create_task(script())
        await watched(monitor, lambda: any("from the start" in line for line in health))
        await acting
        monitor.end()
    assert health[0].startswith("link: a board answers bench-a: 2400 counts a turn")
    assert sum(line.startswith("sample") for line in out) == (5 if every else 1)
    assert "damage    0 frames lost, 5 bytes refused, 0 frames out of order" in out
    assert "index     5 at 0.000006 s: at count 7" in out
    assert "6 frames, 0 lost, 0 out of order, 5 bytes refused, link lost 1x" in health[-1]


async def test_monitor_of_a_port_without_a_board(rig_of: RigOf) -> None:
    with pytest.raises(LinkError, match="no such port"):
        await FrameMonitor("/dev/none-such", 115200).read()
    with pytest.raises(LinkError, match="no such port"):
        await RawMonitor("/dev/none-such", 115200).read()
    with pytest.raises(UsageError):
        await RawMonitor("tcp://host:1", 115200).read()
    health: list[str] = []
    async with rig_of("memory", ScriptedBoard(greeting=NEWER)) as rig:
        monitor = FrameMonitor("memory", 115200, out=health.append, health=health.append, opener=rig.opener)
        with pytest.raises(VersionError, match=r"the board speaks wire format 2\.0, and this program speaks 1\.x"):
            await monitor.read()
        with pytest.raises(DeviceError, match="no board answered"):
            monitor.end()
        assert not health


async def test_monitor_ends_when_a_board_comes_back_with_another_major_version(rig_of: RigOf) -> None:
    said: list[str] = []
    async with rig_of("memory") as rig:
        monitor = FrameMonitor("memory", 115200, out=said.append, health=said.append, opener=rig.opener)
        reading = asyncio.create_task(monitor.read())
        while not said:
            await asyncio.sleep(0)
        await rig.say(NEWER)
        with pytest.raises(VersionError, match=r"wire format 2\.0"):
            await reading


NEWER = b"H,2.0,0,0*%04X\n" % wire.crc16(b"H,2.0,0,0")


@quick_rigs
async def test_raw_shows_each_byte_and_why_it_is_no_frame(kind: str, rig_of: RigOf) -> None:
    out: list[str] = []
    health: list[str] = []
    async with rig_of(kind) as rig:
        monitor = RawMonitor(rig.url, 115200, out=out.append, health=health.append, opener=rig.opener)
        with pytest.raises(DeviceError, match="nothing came"):
            monitor.end()

        async def script() -> None:
            while not out:
                await asyncio.sleep(0)
            await rig.say(b"ready\r\n" + wire.encode_index(5, 6, 7) + b"\x80" * 200 + b"\n")

        acting = asyncio.create_task(script())
        await watched(monitor, lambda: out[-1:] != [] and "characters" not in out[-1] and len("".join(out)) > 800)
        await acting
        monitor.end()
    assert out[0].startswith("H,1.0,0,5012,cpr=2400,index=yes")
    assert out[0].endswith(r"\n")
    assert out[1] == r"ready\r\n  <- an asterisk and four digits must end it"
    assert out[2] == wire.encode_index(5, 6, 7).decode().replace("\n", r"\n")
    assert "".join(line.split("  <- ")[0] for line in out[3:]) == r"\x80" * 200 + r"\n"
    assert health[0] == f"link: {rig.url} is open at 115200 baud"
    assert "2 lines sound" in health[-1]


async def test_raw_asks_until_something_sound_comes_and_tells_a_line_that_never_ends(rig_of: RigOf) -> None:
    async with rig_of("memory", ScriptedBoard(greeting=b"loading")) as rig:
        lines = raw_lines("memory", opener=rig.opener, ask_every=0.01)
        got: list[Any] = []
        async for line in lines:
            got.append(line)
            if len(rig.board.heard) >= 3:
                break
        await lines.aclose()
        assert isinstance(got[0], Opened)
        assert {line.data for line in got[1:] if isinstance(line, Raw)} >= {b"loading"}


async def test_the_command_ends_after_its_seconds(
    rig_of: RigOf, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(until_told, "_signals", lambda _: nullcontext())  # they belong to the main thread, which serves the board

    async with rig_of("pty") as rig:
        for options, first in ([], ""), (["--raw"], "H,1.0,0,5012"):
            assert await asyncio.to_thread(command, ["monitor", rig.url, "--seconds", "0.3", *options]) == 0
            out, err = capsys.readouterr()
            assert out.startswith(first)
            assert "Traceback" not in err
    assert await asyncio.to_thread(command, ["monitor", "/dev/none-such"]) == 2
    assert "there is no such port" in capsys.readouterr().err
