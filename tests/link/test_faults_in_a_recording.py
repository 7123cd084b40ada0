"""Faults of line, link, board and disk while a recording runs: the file stands, tells what happened where, and invents nothing."""

from __future__ import annotations

import asyncio
import errno
import io
import json
import os
import random
import subprocess
from collections.abc import Awaitable, Callable, Iterator
from dataclasses import replace
from functools import partial
from itertools import count
from pathlib import Path
from typing import Any

import pytest

from acquire import wire
from acquire.cli import capture as capturing
from acquire.cli.capture import Capturing, setup_of
from acquire.cli.status_line import LiveLine
from acquire.link.connection import probe
from acquire.link.reconnect import stream
from acquire.procedure.limits import Limits
from acquire.procedure.session import Place
from acquire.procedure.steps import SWEEP
from acquire.record.recorder import RawFile, Recorder
from analysis.base.errors import CaptureError, LobetraceError
from analysis.base.samples import Capture
from analysis.capture import load
from analysis.job import parse_job
from analysis.job.template import template
from tests.left_out import thorough

from .conftest import PATIENCE, CancelAt, RigOf, ScriptedBoard, encoded, quick_rigs
from .faults import FAULTS, Story

Record = Callable[..., Capturing]


@pytest.fixture
def record(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Record:
    """A recording of what comes over a rig, into a folder of its own."""

    def made(rig: Any, limits: Limits = Limits(), folder: Path = tmp_path) -> Capturing:  # noqa: B008
        monkeypatch.setattr(capturing, "stream", partial(stream, sleep=lambda _: asyncio.sleep(0)))
        monkeypatch.setattr(capturing, "open_pipe", lambda *address, **_: rig.opener(*address))
        live = LiveLine(io.StringIO(), lambda: 0.0)
        return Capturing(setup_of(parse_job(template()), folder, Place(SWEEP, "intake")), rig.url, limits, live)

    return made


async def while_it_runs(made: Capturing, script: Callable[[], Awaitable[object]]) -> Capture:
    """Let `script` act while the recording runs, then end it as Ctrl-C does; what is in the file."""
    reading = asyncio.create_task(made.read())
    await come(lambda: made.path is not None or reading.done())
    acting = asyncio.ensure_future(script())
    await asyncio.wait([reading, acting], return_when=asyncio.FIRST_COMPLETED)
    for task in (acting, reading):
        task.cancel()
    await asyncio.wait([reading, acting])
    for task in (acting, reading):
        if not task.cancelled():
            task.result()
    assert made.path
    return load(made.path)


async def come(true: Callable[[], bool]) -> None:
    async with asyncio.timeout(PATIENCE):
        while not true():
            await asyncio.sleep(0)


@quick_rigs
@pytest.mark.parametrize("fault", FAULTS)
async def test_a_fault_of_the_line_stands_in_its_place(kind: str, fault: str, rig_of: RigOf, record: Record) -> None:
    async with rig_of(kind) as rig:
        made = record(rig)
        story = Story((), ())
        rows: list[wire.Sample] = []

        async def script() -> None:
            nonlocal story
            story = FAULTS[fault](rig.board, random.Random(f"{fault} 3"))
            rows.extend(event for event in story.events if isinstance(event, wire.Sample))
            for piece in story.said:
                await rig.say(piece)
            await come(lambda: made.counts.rows == len(rows))

        capture = await while_it_runs(made, script)
    assert capture.complete
    samples = capture.samples
    # Counters are unwrapped in a capture, and stand on the wire as they came.
    for read, sent in zip([*samples.seq], [row.seq for row in rows], strict=True):
        assert wire.wrap_u32(int(read)) == sent
    assert [wire.wrap_u32(int(us)) for us in samples.time_us] == [row.time_us for row in rows]
    assert [wire.wrap_i32(int(crank)) for crank in samples.crank] == [row.crank for row in rows]
    assert [wire.wrap_i32(int(lift)) for lift in samples.lift[0]] == [row.lift[0] for row in rows]
    damages = [event for event in story.events if isinstance(event, wire.Damage)]
    text = Path(capture.path).read_text(encoding="utf-8").splitlines()
    gaps = [json.loads(line[2:])["gap"] for line in text if line.startswith('# {"gap"')]
    assert [(gap["lost"], gap["bytes"], gap["late"]) for gap in gaps] == [tuple(damage) for damage in damages]
    starts = [event for event in story.events if isinstance(event, wire.Hello)]
    assert samples.origin[-1] == len(starts)
    for origin in range(len(starts) + 1):  # within one start everything runs on, over the end of its counter too
        assert all(
            step > 0
            for step in map(int, samples.time_us[samples.origin == origin][1:] - samples.time_us[samples.origin == origin][:-1])
        )


@quick_rigs
@pytest.mark.parametrize("boot", [57, 58, 0])
async def test_unplugged_and_back_in_one_recording(kind: str, boot: int, rig_of: RigOf, record: Record) -> None:
    async with rig_of(kind, ScriptedBoard(boot or 0)) as rig:
        made = record(rig)
        if boot == 58:
            rig.board.hello = replace(rig.board.hello, boot=57)

        async def script() -> None:
            await rig.say(encoded(rig.board.frames(10)))
            await come(lambda: made.counts.rows == 10)
            await rig.unplug()
            await rig.replug(ScriptedBoard(boot, 25 if boot != 58 else 0))
            await come(lambda: made.station.reconnects == 1)
            await rig.say(encoded(rig.board.frames(5)))
            await come(lambda: made.counts.rows == 15)

        capture = await while_it_runs(made, script)
    assert capture.complete
    same = boot == 57  # only a board that can tell its starts apart, and says that it is the same, is believed
    assert capture.samples.origin.tolist() == [0] * 10 + [0 if same else 1] * 5
    assert [(gap.row, gap.lost) for gap in capture.gaps] == ([(10, 15)] if same else [])


@quick_rigs
async def test_another_board_never_gets_into_the_capture(kind: str, rig_of: RigOf, record: Record) -> None:
    async with rig_of(kind) as rig:
        made = record(rig)
        other = ScriptedBoard(3)
        other.hello = replace(other.hello, cpr=1440, name="bench-b")

        async def script() -> None:
            await rig.say(encoded(rig.board.frames(10)))
            await come(lambda: made.counts.rows == 10)
            await rig.unplug()
            await rig.replug(other)
            await asyncio.Event().wait()

        with pytest.raises(CaptureError, match="another board answers now"):
            await while_it_runs(made, script)
        assert made.path
        capture = load(made.path)
        assert capture.complete
        assert len(capture.samples.seq) == 10
        assert (await free(rig)).name == "bench-b"


async def free(rig: Any) -> Any:
    """The port is free again: what answers there."""
    async with asyncio.timeout(PATIENCE):
        while isinstance(found := await probe(rig.url, opener=rig.opener), LobetraceError):
            await asyncio.sleep(0)
    return found.board


class Full:
    """A file on a disk that takes so many bytes more, and then no part of any."""

    def __init__(self, path: Path, room: int) -> None:
        self._file = path.open("ab", buffering=0)
        self._room = room

    def write(self, data: memoryview, /) -> int:
        if not self._room:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        written = self._file.write(data[: self._room])
        self._room -= written
        return written

    def fileno(self) -> int:
        return self._file.fileno()

    def close(self) -> None:
        self._file.close()


@quick_rigs
@pytest.mark.parametrize("room", [0, 100, *thorough(1, 1000)])
async def test_a_full_disk_ends_it_with_a_sentence_and_frees_the_port(
    kind: str, room: int, rig_of: RigOf, record: Record, monkeypatch: pytest.MonkeyPatch
) -> None:
    def opener(path: Path) -> RawFile:
        return Full(path, room)

    in_folder = Recorder.in_folder.__func__  # type: ignore[attr-defined]
    monkeypatch.setattr(Recorder, "in_folder", classmethod(partial(in_folder, opener=opener)))

    async with rig_of(kind) as rig:
        made = record(rig)

        async def script() -> None:
            while True:
                await rig.say(encoded(rig.board.frames(1)))
                await come(lambda: made.counts.rows == rig.board.seq)

        with pytest.raises(CaptureError, match="No space left on device") as caught:
            await while_it_runs(made, script)
        assert (await free(rig)).name == "bench-a"
        assert made.path
        capture = load(made.path)
        assert not capture.complete
        assert f"the {len(capture.samples.seq)} rows before are kept" in str(caught.value)
        assert made.kept == len(capture.samples.seq), "one number of rows, wherever it is said"
        assert capture.samples.seq.tolist() == list(range(len(capture.samples.seq)))
        assert len(capture.samples.seq) >= room // 40 - 1


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A real file system of 64 kB."""
    place = tmp_path / "disk"
    place.mkdir()
    if os.name != "posix" or os.geteuid() != 0:
        pytest.skip("only root can mount a small file system")
    mount = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(place)], capture_output=True, text=True, check=False
    )
    if mount.returncode:
        pytest.skip(f"no small file system to be had here: {mount.stderr.strip()}")
    yield place
    subprocess.run(["umount", str(place)], check=True)


async def test_a_real_disk_that_runs_full(small_disk: Path, rig_of: RigOf, record: Record) -> None:
    async with rig_of("memory") as rig:
        made = record(rig, folder=small_disk)

        async def script() -> None:
            while True:
                await rig.say(encoded(rig.board.frames(20)))
                await asyncio.sleep(0)

        with pytest.raises(CaptureError, match="No space left on device"):
            await while_it_runs(made, script)
        assert made.path
        capture = load(made.path)
        assert not capture.complete
        assert len(capture.samples.seq) > 500
        assert capture.samples.seq.tolist() == list(range(len(capture.samples.seq)))


@quick_rigs
async def test_cancelled_at_every_await_of_a_recording(kind: str, rig_of: RigOf, record: Record) -> None:
    """Wherever Ctrl-C comes: the port is free, and the file, if there is one, has its closing line."""

    board = ScriptedBoard()
    board.greeting = wire.encode_hello(board.hello, 0, 5012) + encoded(board.frames(40))
    async with rig_of(kind, board) as rig:
        for n in count():
            made = record(rig, Limits(seconds=0.01))
            reading = asyncio.ensure_future(_awaited(CancelAt(made.read(), n)))
            await asyncio.wait([reading])
            assert await free(rig) == board.hello
            if made.path:
                capture = load(made.path)
                assert capture.complete
                assert capture.samples.seq.tolist() == list(range(len(capture.samples.seq)))
            if not reading.cancelled():
                reading.result()
                break
        assert n >= 2


async def _awaited(what: CancelAt) -> object:
    return await what
