"""A reboot, a pulled plug, a server that dies, a clock that is set back, a folder that may not be written: `capture` and `live`,
over a pseudo-terminal and through a real serial server.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncGenerator, AsyncIterator, Callable, Iterator
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from acquire import wire
from acquire.cli import capture as capturing
from acquire.cli.capture import Capturing, setup_of
from acquire.cli.status_line import LiveLine
from acquire.link.outcomes import Outcome
from acquire.link.reconnect import Connected, stream
from acquire.procedure.limits import Limits
from acquire.procedure.session import Place, Plan, Session
from acquire.procedure.setup import Setup
from acquire.procedure.station import Station
from acquire.procedure.steps import SWEEP, ZERO
from acquire.procedure.workers import Workers
from acquire.record.recorder import Recorder
from analysis.base.errors import CaptureError
from analysis.capture import load
from analysis.job import parse_job
from analysis.job.folder import UNFINISHED, captures_of
from analysis.job.template import template

from .conftest import PATIENCE, PtyRig, RigOf, ScriptedBoard, encoded
from .test_serial_server import SER2NET, served

COMMANDS = ("capture", "live")
VIA = ["pty"] + (["socket", "rfc2217"] if SER2NET else [])
pytestmark = pytest.mark.filterwarnings("ignore:set(Daemon|Name)\\(\\) is deprecated:DeprecationWarning")  # pyserial's rfc2217
both = pytest.mark.parametrize("command", COMMANDS)
every_way = pytest.mark.parametrize("via", VIA)
JOB = parse_job(template())


def soon(*args: Any, **options: Any) -> AsyncGenerator[Connected | Outcome, None]:
    """The link, without a wait between two tries."""
    return stream(*args, hello_timeout=1.0, sleep=lambda _: asyncio.sleep(0.01), **options)


class Command:
    """One of the two commands at work on an address, with its station."""

    def __init__(self, name: str, folder: Path, url: str, monkeypatch: pytest.MonkeyPatch) -> None:
        self.name, self.folder = name, folder
        if name == "capture":
            monkeypatch.setattr(capturing, "stream", soon)
            made = Capturing(setup_of(JOB, folder, Place(SWEEP, "intake")), url, Limits(), LiveLine(None, lambda: 0.0))
            self.station, self.read = made.station, made.read
            return
        plan = Plan(valves=("intake",))
        self.station = Station(Setup(JOB, plan, folder=folder), asyncio.get_running_loop().time)
        self.station.session = Session(plan, at=Place(ZERO, "intake"))
        self.read = Workers(self.station, partial(soon, url, idle_after=0.25)).read

    @property
    def rows(self) -> int:
        """Rows recorded so far."""
        recording = self.station.recording
        recorder = None if recording is None else recording.recorder
        return 0 if recorder is None else recorder.rows

    def of(self, sent: int) -> int:
        """Rows that are recorded of so many frames sent: the guided procedure begins with the first turn, of the second frame."""
        return sent - (self.name == "live")

    async def come(self, true: Callable[[], bool]) -> None:
        """Until something holds; meanwhile a person says what is asked for, and has rested."""
        async with asyncio.timeout(PATIENCE):
            while not true():
                if self.name == "live" and self.station.recording is not None and not self.station.said:
                    self.station.say_so()
                    self.station.recording._rested = True
                await asyncio.sleep(0.001)

    async def records(self) -> None:
        """Until a recording was begun."""
        await self.come(lambda: self.station.recording is not None and (self.name == "capture" or self.station.said))

    async def fifty(self, rig: PtyRig) -> None:
        """Until fifty frames were sent and recorded."""
        await self.records()
        await rig.say(encoded(rig.board.frames(50)))
        await self.come(lambda: self.rows == self.of(50))


@asynccontextmanager
async def at_work(command: Command) -> AsyncIterator[asyncio.Task[None]]:
    """While it reads; it ends as by Ctrl-C."""
    reading = asyncio.create_task(command.read())
    try:
        yield reading
    finally:
        reading.cancel()
        await asyncio.wait([reading])
        command.station.close()


@asynccontextmanager
async def between(rig: PtyRig, via: str, folder: Path) -> AsyncIterator[str]:
    """The address of the rig: its own, or that of a serial server before it."""
    if via == "pty":
        yield rig.url
        return
    with served(rig.url, via, folder) as url:
        yield url


@asynccontextmanager
async def recording(
    command: str, via: str, rig_of: RigOf, folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> AsyncIterator[tuple[PtyRig, Command]]:
    """A rig and a command that has recorded fifty frames of it."""
    async with rig_of("pty") as rig, between(rig, via, tmp_path) as url:
        at = Command(command, folder, url, monkeypatch)
        async with at_work(at):
            await at.fifty(rig)
            yield rig, at


def first_of(folder: Path) -> Path:
    """The capture that was begun first: put aside if another was begun in its place."""
    return min((folder / "captures").rglob("01-*.csv"), key=lambda path: len(path.name))


def last(folder: Path) -> Path:
    """The newest capture of the job, put aside or not: a step that was not ended is."""
    aside = folder / "captures" / UNFINISHED
    return sorted([*captures_of(folder), *(aside.iterdir() if aside.exists() else ())], key=lambda path: path.name)[-1]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "job").mkdir()
    return tmp_path / "job"


@both
@every_way
async def test_a_reboot_in_mid_sweep(
    command: str, via: str, rig_of: RigOf, folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without its plug being touched: the board says hello again, with the next boot number, and counts from 0."""

    async with recording(command, via, rig_of, folder, tmp_path, monkeypatch) as (rig, at):
        again = replace(rig.board.hello, boot=58)
        await rig.say(wire.encode_hello(again, 0, 5012) + encoded(ScriptedBoard(58).frames(20)))
        await at.come(lambda: at.station.reconnects == 1)
        await at.come(lambda: command == "live" or at.rows == 70)
    first = load(first_of(folder))
    assert first.complete
    assert sorted({*first.samples.origin.tolist()}) == ([0, 1] if command == "capture" else [0])
    assert (first.samples.origin == 0).sum() == (50 if command == "capture" else 49)
    assert "The board started again" in " ".join(message.text for message in at.station.messages)


@both
@every_way
@pytest.mark.parametrize("same", [True, False], ids=["kept its power", "lost its power"])
async def test_unplugged_and_plugged_in_again(
    command: str, via: str, same: bool, rig_of: RigOf, folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with recording(command, via, rig_of, folder, tmp_path, monkeypatch) as (rig, at):
        await rig.unplug()
        await at.come(lambda: at.station.watch.state().state == "disconnected")
        await rig.replug(ScriptedBoard(57 if same else 58, 80 if same else 0))
        await at.come(lambda: at.station.reconnects == 1)
        await rig.say(encoded(rig.board.frames(20)))
        await at.come(lambda: at.rows == (at.of(70) if same else 70 if command == "capture" else 0))
    capture = load(first_of(folder))
    assert capture.complete
    assert sum(gap.lost for gap in capture.gaps) == (30 if same else 0)
    assert capture.samples.origin.max() == (1 if command == "capture" and not same else 0)


@both
@pytest.mark.skipif(SER2NET is None, reason="ser2net is not installed (Debian package ser2net)")
@pytest.mark.parametrize("via", ["socket", "rfc2217"])
async def test_a_serial_server_that_is_killed_and_started_again(
    command: str, via: str, rig_of: RigOf, folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with AsyncExitStack() as stack:
        rig: PtyRig = await stack.enter_async_context(rig_of("pty"))
        with served(rig.url, via, tmp_path) as url:
            at = Command(command, folder, url, monkeypatch)
            await stack.enter_async_context(at_work(at))
            await at.fifty(rig)
        await at.come(lambda: at.station.watch.tries >= 1)
        rig.board.frames(30)  # which nobody hears
        with served(rig.url, via, tmp_path, int(url.rpartition(":")[2])):
            await at.come(lambda: at.station.reconnects == 1)
            await rig.say(encoded(rig.board.frames(20)))
            await at.come(lambda: at.rows == at.of(70))
    capture = load(last(folder))
    assert capture.complete
    assert sum(gap.lost for gap in capture.gaps) == 30
    assert capture.samples.origin.max() == 0


@both
async def test_a_clock_that_is_set_back(command: str, rig_of: RigOf, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The wall clock is for people: it dates the recording and nothing goes by it."""
    hours = iter(range(1000))

    def now() -> datetime:
        return datetime(2030, 1, 2, tzinfo=UTC) - timedelta(hours=next(hours))

    in_folder = Recorder.in_folder.__func__  # type: ignore[attr-defined]
    monkeypatch.setattr(Recorder, "in_folder", classmethod(partial(in_folder, now=now)))

    async with AsyncExitStack() as stack:
        rig: PtyRig = await stack.enter_async_context(rig_of("pty"))
        at = Command(command, folder, rig.url, monkeypatch)
        await stack.enter_async_context(at_work(at))
        await at.records()
        for _ in range(5):
            before = at.rows
            await rig.say(encoded(rig.board.frames(20)))
            await at.come(lambda before=before: at.rows >= before + 19)  # type: ignore[misc]
    capture = load(last(folder))
    assert capture.complete
    assert capture.samples.seq.tolist() == list(range(0 if command == "capture" else 1, 100))


@pytest.fixture
def read_only(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A job's folder in which nothing can be made. Root may write anywhere, so the system call itself says no."""
    mkdir = Path.mkdir

    def refused(path: Path, *args: Any, **options: Any) -> None:
        if path.is_relative_to(folder):
            raise PermissionError(13, "Permission denied", str(path))
        mkdir(path, *args, **options)

    monkeypatch.setattr(Path, "mkdir", refused)
    folder.chmod(0o555)
    yield folder
    folder.chmod(0o755)


@both
@every_way
async def test_a_job_folder_that_may_not_be_written(
    command: str, via: str, rig_of: RigOf, read_only: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if command == "live":  # the screen says it when the person does
        async with rig_of("pty") as rig:
            at = Command(command, read_only, rig.url, monkeypatch)
            async with at_work(at):
                with pytest.raises(CaptureError, match="Permission denied"):
                    await at.come(lambda: False)
        return
    async with AsyncExitStack() as stack:
        rig = await stack.enter_async_context(rig_of("pty"))
        url = await stack.enter_async_context(between(rig, via, tmp_path))
        at = Command(command, read_only, url, monkeypatch)
        reading = await stack.enter_async_context(at_work(at))
        with pytest.raises(CaptureError, match="Permission denied"):
            await reading
    assert list(read_only.iterdir()) == []
