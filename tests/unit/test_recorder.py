"""Events into a capture file: order, notes, syncs by the clock, a disk that fails, names. The file is read back by the reader."""

from __future__ import annotations

import asyncio
import errno
import hashlib
import os
import random
import resource
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import astuple, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from acquire.record.recorder import Recorder, next_path
from acquire.wire import Damage, Decoder, Event, Fault, Heartbeat, Hello, Index, Sample, Unknown, encode_frame, encode_hello
from analysis.base.errors import CaptureError, LinkError
from analysis.base.samples import Board, Capture, Gap, Header
from analysis.base.samples import Fault as CaptureFault
from analysis.capture import load
from tests.tape import Tape

BOARD = Board(2400, True, "edge", (0.01,), ("mm",), "bench-a", 57)
HEADER = Header(BOARD, "sweep", 1, ("intake",))
NOON = datetime(2024, 5, 1, 12, 0, tzinfo=UTC)


class Clock:
    """A clock that a test turns."""

    def __init__(self) -> None:
        self.seconds = 100.0

    def __call__(self) -> float:
        return self.seconds


def sample(seq: int) -> Sample:
    return Sample(seq, 400 * seq, seq - 9, 2, (35,), (1235 + seq,))


def recorder(path: Path, header: Header = HEADER, **options: Any) -> Recorder:
    return Recorder(path, header, **{"now": lambda: NOON, "clock": Clock(), **options})


def record(recording: Recorder, *steps: Callable[[Recorder], object]) -> None:
    with recording:
        for step in steps:
            step(recording)


def rows(numbers: Iterable[int]) -> list[Callable[[Recorder], object]]:
    return [partial(Recorder.add, events=[sample(seq)]) for seq in numbers]


def stop(error: BaseException) -> Callable[[Recorder], object]:
    def step(_: Recorder) -> None:
        raise error

    return step


EVENTS: list[Event] = [
    Hello(BOARD, 0, 0),
    sample(0),
    sample(1),
    Index(2, 900, -8),
    Fault(3, 950, "crank-step", 17),
    Heartbeat(4, 1600, -5, 1 << 20 | 3, (-2,), (1239,)),
    Damage(3, 120, 1),
    sample(8),
    Unknown(9, "Q"),
    Hello(replace(BOARD, boot=58), 0, 10, restarted=True),
    sample(0),
]


def equal(a: Capture, b: Capture) -> bool:
    return all(
        np.array_equal(x, y)
        for x, y in zip(astuple(a.samples) + astuple(a.index), astuple(b.samples) + astuple(b.index), strict=True)
    ) and (a.faults, a.gaps, a.marks) == (b.faults, b.gaps, b.marks)


@pytest.mark.parametrize("seed", range(3))
def test_what_is_recorded_in_any_portions_is_read(seed: int, tmp_path: Path) -> None:
    rng, at, tape = random.Random(seed), 0, Tape(HEADER)
    with recorder(tmp_path / "a.csv") as recording:
        while at < len(EVENTS):
            portion = EVENTS[at : at + rng.randrange(4)]
            recording.add(portion)
            tape.add(portion)
            at += len(portion)
        assert recording.rows == 5
    capture = load(tmp_path / "a.csv")
    assert capture.complete
    assert capture.header == replace(HEADER, started="2024-05-01T12:00:00.000+00:00")
    assert capture.samples.seq.tolist() == [0, 1, 4, 8, 0]
    assert capture.samples.flags.tolist() == [2, 2, 256 + 3, 2, 2]
    assert capture.samples.origin.tolist() == [0, 0, 0, 0, 1]
    assert capture.samples.age_us.tolist() == [[35, 35, -2, 35, 35]]
    assert capture.index.crank.tolist() == [-8]
    assert capture.faults == (CaptureFault(950, "crank-step", 17),)
    assert capture.gaps == (Gap(3, 3, 120),)
    assert equal(capture, tape.capture())


def test_an_empty_tape_and_an_empty_recording_agree(tmp_path: Path) -> None:
    with recorder(tmp_path / "a.csv"):
        pass
    assert equal(load(tmp_path / "a.csv"), Tape(HEADER).capture())
    assert load(tmp_path / "a.csv").complete


def test_from_the_wire_with_damage_on_the_way(tmp_path: Path) -> None:
    lines = [encode_hello(BOARD, 0, 0), *(encode_frame(sample(seq)) for seq in range(50))]
    lines[11] = lines[11].replace(b"*", b"+")
    del lines[31:34]
    decoder = Decoder()
    with recorder(tmp_path / "a.csv") as recording:
        for line in lines:
            recording.add(decoder.feed(line))
    capture = load(tmp_path / "a.csv")
    assert capture.samples.seq.tolist() == [seq for seq in range(50) if seq not in (10, 30, 31, 32)]
    assert capture.gaps == (Gap(10, 1, len(lines[11])), Gap(29, 3, 0))


def test_reconnections_marks_and_news_stand_in_place(tmp_path: Path) -> None:
    with recorder(tmp_path / "a.csv") as recording:
        recording.add([sample(0)])
        recording.start(BOARD, same_count=True, missed=4)
        recording.add([sample(5)])
        recording.mark("stop taken out, \u00e4")
        recording.start(BOARD, same_count=False)
        recording.add([sample(0), Hello(replace(BOARD, latch="time"), 1, 0), Hello(replace(BOARD, latch="time"), 1, 0)])
    capture = load(tmp_path / "a.csv")
    assert capture.samples.origin.tolist() == [0, 0, 1]
    assert capture.gaps == (Gap(1, 4, 0),)
    assert capture.marks == ("stop taken out, \u00e4",)
    text = (tmp_path / "a.csv").read_text(encoding="utf-8")
    assert text.count('# {"start"') == 3  # the last: the board latches otherwise now
    assert '"at": "2024-05-01T12:00:00.000+00:00", "same_count": true}}\n# {"gap": {"lost": 4, "bytes": 0' in text


def test_another_board_is_refused_and_what_came_before_is_kept(tmp_path: Path) -> None:
    other = replace(BOARD, cpr=3600, name="bench-b")
    with pytest.raises(CaptureError, match=r"another board answers now .*bench-b"), recorder(tmp_path / "a.csv") as recording:
        recording.add([sample(0), Hello(other, 0, 0, restarted=True), sample(1)])
    assert load(tmp_path / "a.csv").samples.seq.tolist() == [0]
    assert load(tmp_path / "a.csv").complete


def test_it_never_overwrites(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.csv"
    path.write_text("mine")
    for _ in range(2):
        with pytest.raises(CaptureError, match=r"a\.csv: a file of this name exists and is not overwritten"):
            recorder(path)
        assert path.read_text() == "mine"
        assert list(tmp_path.iterdir()) == [path]
        monkeypatch.setattr(os, "link", no_links)


def no_links(*_: object) -> None:
    raise PermissionError(errno.EPERM, "Operation not permitted")


def test_it_works_on_a_file_system_without_links(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "link", no_links)
    with recorder(tmp_path / "a.csv") as recording:
        recording.add([sample(0)])
    assert load(tmp_path / "a.csv").complete
    assert [path.name for path in tmp_path.iterdir()] == ["a.csv"]


def test_a_folder_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match=r"the capture cannot be written \(No such file"):
        recorder(tmp_path / "none" / "a.csv")


def test_what_came_is_synced_within_half_a_second_of_the_clock(tmp_path: Path) -> None:
    clock, path, synced = Clock(), tmp_path / "a.csv", [0]

    def sync(number: int) -> None:
        os.fsync(number)
        synced.append(path.stat().st_size if path.exists() else 0)

    recording = recorder(path, clock=clock, sync=sync)
    written = [(clock.seconds, path.stat().st_size)]
    rng = random.Random(7)
    for seq in range(200):
        clock.seconds += rng.uniform(0.0, 0.2)  # as a board that lives sends
        recording.add([sample(seq)])
        written.append((clock.seconds, path.stat().st_size))  # nothing is held back in this process
        late = [size for when, size in written if when <= clock.seconds - 0.5]
        assert synced[-1] >= max(late, default=0)
    assert len(synced) < 150  # and not at every row
    clock.seconds += 1
    recording.add([])
    assert synced[-1] == path.stat().st_size
    recording.close()
    assert synced[-1] == path.stat().st_size


def test_closing_twice_is_closing_once_and_then_it_is_closed(tmp_path: Path) -> None:
    recording = recorder(tmp_path / "a.csv")
    recording.close()
    data = (tmp_path / "a.csv").read_bytes()
    recording.close()
    recording.abandon()
    with pytest.raises(CaptureError, match="this capture is closed"):
        recording.add([sample(0)])
    assert (tmp_path / "a.csv").read_bytes() == data
    assert data.endswith(f'"{hashlib.sha256(data.rpartition(b"# ")[0]).hexdigest()}"}}}}\n'.encode())


@pytest.mark.parametrize("kind", [KeyboardInterrupt, SystemExit, asyncio.CancelledError, LinkError])
def test_a_stop_on_purpose_writes_the_closing_line(kind: type[BaseException], tmp_path: Path) -> None:
    with pytest.raises(kind):
        record(recorder(tmp_path / "a.csv"), *rows([0]), stop(kind("stop")))
    assert load(tmp_path / "a.csv").complete


def test_a_crash_leaves_it_cut_short_with_every_row(tmp_path: Path) -> None:
    with pytest.raises(ZeroDivisionError):
        record(recorder(tmp_path / "a.csv"), *rows([0]), stop(ZeroDivisionError()))
    capture = load(tmp_path / "a.csv")
    assert capture.samples.seq.tolist() == [0]
    assert "cut short" in capture.missing[0]


class Disk:
    """A file that takes so many bytes, a few at a time, and then fails."""

    def __init__(self, path: Path, room: int, failure: BaseException, portion: int) -> None:
        self.file, self.room, self.failure, self.portion = path.open("ab", buffering=0), room, failure, portion

    def write(self, data: memoryview) -> int:
        if not self.room:
            raise self.failure
        taken = self.file.write(data[: min(self.portion, self.room)])
        self.room -= taken
        return taken

    def fileno(self) -> int:
        return self.file.fileno()

    def close(self) -> None:
        self.file.close()


@pytest.mark.parametrize("failure", [errno.ENOSPC, errno.EIO], ids=["no room", "broken"])
@pytest.mark.parametrize("room", [0, 1, 17, 100, 119, 120, 121, 500])
def test_a_disk_that_takes_no_more_is_said_and_nothing_is_lost(room: int, failure: int, tmp_path: Path) -> None:
    error = OSError(failure, os.strerror(failure))
    path, reported = tmp_path / "a.csv", [0]
    recording = recorder(path, opener=lambda path: Disk(path, room, error, 10))
    with pytest.raises(CaptureError, match="cannot be written any further") as caught:
        record(
            recording, *[step for row in rows(range(100)) for step in (row, lambda recording: reported.append(recording.rows))]
        )
    assert os.strerror(failure) in str(caught.value)
    assert f"the {reported[-1]} rows before are kept" in str(caught.value)
    with pytest.raises(CaptureError, match="cannot be written any further"):
        recording.add([sample(0)])
    capture = load(path)
    assert not capture.complete
    assert capture.samples.seq.tolist()[: reported[-1]] == list(range(reported[-1]))


def test_a_disk_that_fails_to_sync_is_said(tmp_path: Path) -> None:
    clock, broken = Clock(), [False]

    def sync(_: int) -> None:
        if broken[0]:
            raise OSError(errno.EIO, os.strerror(errno.EIO))

    def later(_: Recorder) -> None:
        broken[0] = True
        clock.seconds += 1

    with pytest.raises(CaptureError, match="Input/output error"):
        record(recorder(tmp_path / "a.csv", clock=clock, sync=sync), *rows([0]), later, *rows([1]))
    assert load(tmp_path / "a.csv").samples.seq.tolist() == [0, 1]


@contextmanager
def room_for(size: int) -> Iterator[None]:
    """The kernel itself refuses files longer than this."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


def test_a_real_limit_of_the_system(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    recording = recorder(path)
    with room_for(2000), pytest.raises(CaptureError, match="File too large"):
        record(recording, *rows(range(1000)))
    assert path.stat().st_size == 2000
    assert 10 < recording.rows == len(load(path).samples.seq)


def test_ctrl_c_in_the_middle_of_writing_never_makes_a_false_closing_line(tmp_path: Path) -> None:
    with pytest.raises(KeyboardInterrupt):
        record(recorder(tmp_path / "a.csv", opener=lambda path: Disk(path, 50, KeyboardInterrupt(), 10)), *rows(range(100)))
    capture = load(tmp_path / "a.csv")
    assert capture.samples.seq.tolist() == list(range(len(capture.samples.seq)))
    assert ["cut short" in sentence for sentence in capture.missing] == [True]


def test_names_are_counted_on(tmp_path: Path) -> None:
    both = replace(HEADER, channels=("intake", "exhaust"))
    assert next_path(tmp_path, HEADER).name == "01-sweep-intake.csv"
    for name in ("02-stop-piston.csv", "17-sweep-intake.csv", "notes.csv", "99-draft.txt", "x18-a.csv"):
        (tmp_path / name).touch()
    assert next_path(tmp_path, both).name == "18-sweep-intake-exhaust.csv"
    nobody_cares = replace(HEADER, step="stop", channels=("unknown", "unknown"))
    assert next_path(tmp_path, nobody_cares).name == "18-stop.csv"
    with Recorder.in_folder(tmp_path / "job" / "captures", HEADER) as recording:
        assert recording.path == tmp_path / "job" / "captures" / "01-sweep-intake.csv"
    assert load(recording.path).header == recording.header
    assert datetime.fromisoformat(recording.header.started).tzinfo is not None
