"""Pipes, devices and folders where a file belongs; files of somebody else; files that are taken away while they are recorded."""

from __future__ import annotations

import csv
import io
import os
import shutil
import stat
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from acquire.cli import capture, output_file, run, say
from acquire.cli.status_line import LiveLine
from acquire.procedure.saved_session import FILE_NAME as SESSION
from acquire.procedure.saved_session import read_session
from acquire.procedure.session import Place
from acquire.procedure.steps import SWEEP
from acquire.record.recorder import Recorder
from acquire.wire import Sample
from analysis.base.errors import CaptureError, DeviceError, UsageError
from analysis.base.foreign import no_formula
from analysis.base.regular import open_regular
from analysis.base.samples import Board, Header
from analysis.capture import load
from analysis.job import load_job
from analysis.job.folder import UNFINISHED, captures_of
from analysis.job.template import template

BOARD = Board(2400, True, "edge", (0.01,), ("mm",), "bench-a", 57)
HEADER = Header(BOARD, "sweep", 1, ("intake",))
posix = pytest.mark.skipif(sys.platform == "win32", reason="no pipes in the file system there")


def rows(first: int, count: int) -> list[Sample]:
    return [Sample(n, 1000 * n, n, 0, (0,), (100,)) for n in range(first, first + count)]


# What is no file is never read, and never waited for.

NO_FILES: dict[str, tuple[Callable[[Path], object], str]] = {
    "pipe": (lambda path: os.mkfifo(path), "it is a pipe"),
    "folder": (lambda path: path.mkdir(), "it is a folder"),
    "device": (lambda path: path.symlink_to("/dev/zero"), "it is a device"),
}


@posix
@pytest.mark.parametrize("kind", NO_FILES)
def test_what_is_no_file_is_refused_and_never_waited_for(kind: str, tmp_path: Path) -> None:
    make, words = NO_FILES[kind]
    folder = tmp_path / "job"
    (folder / "captures").mkdir(parents=True)
    for path in (folder / "job.toml", folder / "captures" / "01-stop.csv", folder / SESSION):
        make(path)
    with pytest.raises(UsageError, match=words):
        load_job(folder / "job.toml") if kind != "folder" else load_job(folder)
    with pytest.raises(CaptureError, match=words):
        load(folder / "captures" / "01-stop.csv")
    with pytest.raises(CaptureError, match=words):
        read_session(folder)
    with pytest.raises(UsageError, match="no file"):
        output_file.write(folder / "job.toml", b"<!doctype html>", force=True)


@posix
def test_a_file_that_is_exchanged_for_a_pipe_before_it_is_opened(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    os.mkfifo(tmp_path / "pipe")
    regular = SimpleNamespace(st_mode=stat.S_IFREG)
    monkeypatch.setattr(Path, "stat", lambda *_, **__: regular)
    with pytest.raises(OSError, match="it is a pipe"):
        open_regular(tmp_path / "pipe")


# A writer replaces what lobetrace wrote, and nothing else.


@pytest.mark.parametrize(
    ("there", "replaced"),
    [
        (b"", True),
        (b'<!doctype html><meta name="generator" content="lobetrace 0.1.0">', True),
        (b"<!doctype html><p>a page of somebody's own</p>", False),
        (b"# lobetrace capture 1\n", False),
        (b"# The job: lobetrace\n", False),
    ],
)
def test_what_lobetrace_did_not_write_needs_force(there: bytes, replaced: bool, tmp_path: Path) -> None:
    file, data = tmp_path / "sheet.html", b"<!doctype html><p>new, lobetrace</p>"
    file.write_bytes(there)
    if not replaced:
        with pytest.raises(UsageError, match="add --force"):
            output_file.write(file, data)
        assert file.read_bytes() == there
    output_file.write(file, data, force=not replaced)
    assert file.read_bytes() == data
    assert [each.name for each in tmp_path.iterdir()] == ["sheet.html"]


def test_a_table_replaces_a_table_with_the_same_columns_only(tmp_path: Path) -> None:
    file = tmp_path / "profiles.csv"
    output_file.write(file, b"capture,deg\na,1\n")
    output_file.write(file, b"capture,deg\na,2\n")
    file.write_bytes(b"name,amount\nb,3\n")
    with pytest.raises(UsageError, match="add --force"):
        output_file.write(file, b"capture,deg\na,2\n")


def test_half_written_is_not_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "sheet.html"
    output_file.write(file, b"<!doctype html>lobetrace old")

    def full(_handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(output_file.os, "fsync", full)
    with pytest.raises(UsageError, match="No space left"):
        output_file.write(file, b"<!doctype html>lobetrace new")
    assert file.read_bytes() == b"<!doctype html>lobetrace old"
    assert [each.name for each in tmp_path.iterdir()] == ["sheet.html"]


@posix
def test_a_new_file_is_as_readable_as_any_other_and_an_old_one_stays_so(tmp_path: Path) -> None:
    before = os.umask(0o022)
    try:
        output_file.write(tmp_path / "a", b"<!doctype html>lobetrace")
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "a").stat().st_mode) == 0o644
    (tmp_path / "a").chmod(0o600)
    output_file.write(tmp_path / "a", b"<!doctype html>lobetrace")
    assert stat.S_IMODE((tmp_path / "a").stat().st_mode) == 0o600


@pytest.mark.parametrize("name", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", '=HYPERLINK("http://x","y")'])
def test_a_spreadsheet_runs_nothing(name: str) -> None:
    out = io.StringIO()
    csv.writer(out).writerow([no_formula(name), "1"])
    ((cell, _),) = csv.reader(io.StringIO(out.getvalue()))
    assert cell == f"'{name}"
    assert no_formula("captures/01-sweep.csv") == "captures/01-sweep.csv"


# The path that was recorded is the path that is reported.

TAKEN: dict[str, Callable[[Path], object]] = {
    "deleted": lambda path: path.unlink(),
    "renamed": lambda path: path.rename(path.with_name("other.csv")),
    "replaced": lambda path: (path.rename(path.with_name("other.csv")), path.write_text("something else", encoding="utf-8")),
    "folder deleted": lambda path: shutil.rmtree(path.parent),
    "folder renamed": lambda path: path.parent.rename(path.parent.with_name("elsewhere")),
    "folder replaced": lambda path: (path.parent.rename(path.parent.with_name("elsewhere")), path.parent.mkdir()),
}


@posix
@pytest.mark.parametrize("how", TAKEN)
def test_a_file_that_is_taken_away_is_noticed_at_the_next_sync(how: str, tmp_path: Path) -> None:
    now = [0.0]
    recorder = Recorder.in_folder(tmp_path / "captures", HEADER, clock=lambda: now[0])
    recorder.add(rows(0, 10))
    TAKEN[how](recorder.path)
    now[0] += 1.0
    with pytest.raises(CaptureError, match="deleted, moved or replaced"):
        recorder.add(rows(10, 10))
    with pytest.raises(CaptureError, match="deleted, moved or replaced"):
        recorder.add(rows(20, 10))
    recorder.close()


@posix
@pytest.mark.parametrize("how", TAKEN)
def test_and_at_the_close_at_the_latest(how: str, tmp_path: Path) -> None:
    recorder = Recorder.in_folder(tmp_path / "captures", HEADER, clock=lambda: 0.0)
    recorder.add(rows(0, 10))
    TAKEN[how](recorder.path)
    with pytest.raises(CaptureError, match="deleted, moved or replaced"):
        recorder.close()


# Recording goes on without words, and without rows it is none.


class Refuses:
    """A stream that is closed, or whose disk is full."""

    closed = False

    def __init__(self, error: Exception) -> None:
        self._error = error

    def isatty(self) -> bool:
        return False

    def write(self, _text: str) -> int:
        raise self._error

    def flush(self) -> None:
        raise self._error


@pytest.mark.parametrize(
    "stderr", [Refuses(OSError(28, "No space left on device")), Refuses(BrokenPipeError()), Refuses(ValueError("closed")), None]
)
def test_recording_goes_on_without_its_words(stderr: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stderr", stderr)
    live = LiveLine(stderr, lambda: 0.0)
    for _ in range(3):
        live.show(lambda: "count 1", now=True)
    live.end()
    say.person("words")


@pytest.fixture
def job(tmp_path: Path) -> Iterator[Path]:
    (tmp_path / "captures").mkdir()
    (tmp_path / "job.toml").write_text(template(), encoding="utf-8")
    return tmp_path  # type: ignore[return-value]


@pytest.mark.parametrize(("refused", "words"), [(77, "77 bytes were refused"), (0, "not a byte came")])
def test_a_recording_without_a_row_is_none(
    refused: int, words: str, job: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def nothing(folder: Path, *_: object) -> capture.Captured:
        recorder = Recorder.in_folder(folder / "captures", HEADER)
        recorder.close()
        return capture._with_rows(capture.Captured(recorder.path, recorder.header, capture.Counts(), 0, refused, 0))

    monkeypatch.setattr(capture, "capture", nothing)
    assert run(["capture", str(job), "--step", "sweep", "--valve", "intake", "--port", "nowhere"]) == 2
    out, err = capsys.readouterr()
    assert (out, words in err, UNFINISHED in err) == ("", True, True)
    assert captures_of(job) == [], "no result is made of it"
    with pytest.raises(DeviceError):
        nothing(job)
    assert Place(SWEEP, "intake").step == SWEEP
