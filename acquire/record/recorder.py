"""Events of the wire -> a capture file that survives a kill and a power loss (firmware-notes/capture-format.md section 3)."""

from __future__ import annotations

import hashlib
import logging
import os
import re
import time
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Protocol, Self

from acquire.record.event_rows import Entries, Entry, Remark, Row
from acquire.wire import Event
from analysis.base.errors import CaptureError, LobetraceError
from analysis.base.samples import Board, Header
from analysis.capture.text import closing_line, header_text, note_line, rows_text

_log = logging.getLogger(__name__)

SYNC_EVERY: Final = 0.25  # seconds: with a frame at least every 200 ms, what came is on the disk within half a second
_NUMBERED: Final = re.compile(r"([0-9]+)-.*\.csv")


class RawFile(Protocol):
    """What the recorder needs of a file opened without a buffer."""

    def write(self, data: memoryview, /) -> int | None:
        """Write some of `data`; how many bytes."""

    def fileno(self) -> int:
        """The descriptor."""

    def close(self) -> None:
        """Give the descriptor back."""


def _append(path: Path) -> RawFile:
    return path.open("ab", buffering=0)


def _now() -> datetime:
    return datetime.now().astimezone()


class Recorder:
    """One capture being recorded. Use it in a `with`.

    The body's end, Ctrl-C, a cancelled task and an error of our own family write the closing line. Any other exception is a crash:
    what came is synced, and the capture stays cut short, because nobody knows what the crash kept from it.

    `clock` counts seconds and only paces the syncs; `now` gives the wall clock for `started`, `start` and `mark`.
    Every method that writes raises CaptureError if the disk does not take it; what was written before stays readable.
    """

    def __init__(
        self,
        path: Path,
        header: Header,
        *,
        clock: Callable[[], float] = time.monotonic,
        now: Callable[[], datetime] = _now,
        opener: Callable[[Path], RawFile] = _append,
        sync: Callable[[int], None] = os.fsync,
    ) -> None:
        self.path = path
        self.header = header if header.started else replace(header, started=_iso(now()))
        self.rows = 0
        self._clock, self._now, self._fsync = clock, now, sync
        self._entries = Entries(header.board)
        self._failure: CaptureError | None = None
        text = header_text(self.header).encode("utf-8")
        self._digest = hashlib.sha256(text)
        try:
            _create(path, text, sync)
            self._file: RawFile | None = opener(path)
        except OSError as error:
            raise _cannot(error, path) from error
        self._synced = clock()
        self._unsynced = self._torn = False
        _log.info("recording into %s", path)

    @classmethod
    def in_folder(cls, folder: Path, header: Header, **options: Any) -> Self:
        """A recorder under the next free name in `folder`, which is made if it is not there."""
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise _cannot(error, folder) from error
        return cls(next_path(folder, header), header, **options)

    def add(self, events: Iterable[Event]) -> None:
        """Write what came next, in order, as whole lines. Call it at least every quarter second, with nothing if nothing came."""
        self._write(self._entries.of(events, _iso(self._now())))

    def start(self, board: Board, *, same_count: bool, missed: int = 0) -> None:
        """The link came back and `board` answered; `missed` frames were sent meanwhile. CaptureError if it is another board."""
        back = self._entries.start(board, _iso(self._now()), same_count=same_count)
        self._write([back, self._entries.gap(missed, 0)] if missed else [back])

    def mark(self, text: str) -> None:
        """Note something that a person or the procedure wants to stand here."""
        self._write([Remark("mark", {"at": _iso(self._now()), "text": text})])

    def sync(self) -> None:
        """Bring everything written to the disk now."""
        file = self._opened()
        try:
            self._fsync(file.fileno())
        except OSError as error:
            raise self._fail(error) from error
        if not self.in_place:
            self._failure = CaptureError(
                "the file was deleted, moved or replaced while it was being recorded, and its path leads elsewhere now",
                where=str(self.path),
                do="Look for it under its new name, leave the folder alone while recording, and record again",
            )
            raise self._failure
        self._synced, self._unsynced = self._clock(), False

    @property
    def in_place(self) -> bool:
        """Whether the path still leads to the file that is being recorded."""
        if self._file is None:
            return False
        try:
            there, ours = os.stat(self.path), os.fstat(self._file.fileno())
        except OSError:
            return False
        return (there.st_dev, there.st_ino) == (ours.st_dev, ours.st_ino)

    def close(self) -> None:
        """Write the closing line, sync and close. Does nothing the second time.

        After a failure to write, or a Ctrl-C in the middle of writing, there is no closing line: the capture is cut short.
        """
        if self._file is None:
            return
        try:
            if self._failure is None and not self._torn:
                self._put(closing_line(self.rows, self._digest.hexdigest()).encode("ascii"))
                self.sync()
        finally:
            self._release()

    def abandon(self) -> None:
        """Sync what can be synced and close without the closing line: the capture is cut short, and says so when it is read."""
        if self._file is not None:
            try:
                if self._failure is None:
                    self.sync()
            finally:
                self._release()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        if isinstance(error, Exception) and not isinstance(error, LobetraceError):
            with suppress(CaptureError):  # the crash is the news
                self.abandon()
        else:
            self.close()

    def _write(self, entries: Iterable[Entry]) -> None:
        self._opened()
        parts: list[str] = []
        rows: list[Row] = []
        count = 0
        try:
            for entry in entries:
                if isinstance(entry, Remark):
                    parts += rows_text(rows), note_line(*entry)
                    count += len(rows)
                    rows = []
                else:
                    rows.append(entry)
        finally:  # what came before an event that cannot go in is kept
            if text := "".join([*parts, rows_text(rows)]).encode("utf-8"):
                self._put(text, count + len(rows))
        if self._unsynced and self._clock() - self._synced >= SYNC_EVERY:
            self.sync()

    def _put(self, text: bytes, rows: int = 0) -> None:
        file, rest = self._opened(), memoryview(text)
        self._torn = True  # Ctrl-C may come between any two of these lines
        try:
            while rest:
                rest = rest[file.write(rest) or 0 :]
        except OSError as error:
            whole = text[: len(text) - len(rest)].splitlines(keepends=True)
            self.rows += sum(line.endswith(b"\n") and not line.startswith(b"#") for line in whole) if rows else 0
            raise self._fail(error) from error
        self._digest.update(text)
        self.rows += rows
        self._torn, self._unsynced = False, True

    def _opened(self) -> RawFile:
        if self._failure is not None:
            raise self._failure.with_traceback(None)
        if self._file is None:
            raise CaptureError("this capture is closed", where=str(self.path), do="Begin a new capture")
        return self._file

    def _fail(self, error: OSError) -> CaptureError:
        self._failure = CaptureError(
            f"the capture cannot be written any further ({error.strerror}); the {self.rows} rows before are kept",
            where=str(self.path),
            do="Make room on the disk, or choose another folder, and record again",
        )
        return self._failure

    def _release(self) -> None:
        file, self._file = self._file, None
        if file is not None:
            file.close()


def next_path(folder: Path, header: Header) -> Path:
    """The next free name in `folder`, as "03-sweep-intake.csv": a number above all that are there, the step, what was measured; of
    another cylinder than the first, "05-sweep-intake-cylinder-3.csv".
    """
    taken = [int(found[1]) for path in folder.iterdir() if (found := _NUMBERED.fullmatch(path.name))]
    stood_on = [channel for channel in header.channels if channel != "unknown"]
    of = [] if header.cylinder == 1 else [f"cylinder-{header.cylinder}"]
    return folder / f"{max(taken, default=0) + 1:02d}-{'-'.join([header.step, *stood_on, *of])}.csv"


def _create(path: Path, text: bytes, sync: Callable[[int], None]) -> None:
    """A file of that name appears with its whole text, or not at all, and never in place of another."""
    temporary = path.with_name(f".{path.name}.{os.getpid()}.tmp")
    try:
        with temporary.open("xb") as file:
            file.write(text)
            file.flush()
            sync(file.fileno())
        try:
            os.link(temporary, path)  # unlike a rename it refuses a name that is taken
        except FileExistsError:
            raise
        except OSError:  # a file system without links, as on most memory sticks
            if path.exists():
                raise FileExistsError(f"{path} exists") from None
            temporary.rename(path)
    finally:
        temporary.unlink(missing_ok=True)
    if hasattr(os, "O_DIRECTORY"):  # elsewhere a folder cannot be synced, and need not be
        folder = os.open(path.parent, os.O_DIRECTORY)
        try:
            sync(folder)
        finally:
            os.close(folder)


def _cannot(error: OSError, path: Path) -> CaptureError:
    if isinstance(error, FileExistsError):
        return CaptureError("a file of this name exists and is not overwritten", where=str(path), do="Choose another name")
    return CaptureError(
        f"the capture cannot be written ({error.strerror})",
        where=str(path),
        do="Choose a folder that exists, with room, that you may write to",
    )


def _iso(moment: datetime) -> str:
    return moment.isoformat(timespec="milliseconds")
