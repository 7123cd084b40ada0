"""The lines behind a capture's header, as they are read: rows go on to a reader of rows, what stands between them is kept aside."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np

from analysis.base.samples import Ints
from analysis.capture.decimals import integers, odd_bytes

_END: Final = b'# {"end"'


class NoteLine(NamedTuple):
    """A note as it stands in the file, and how many rows stand before it."""

    row: int
    line: bytes


class RowStream(io.RawIOBase):
    """One pass over a capture, a block at a time and in fixed memory: a file of its rows alone, and the digest of everything.

    At its end `notes` has all notes in order, the closing one too; `rows` counts the rows if `plain`, which says that nothing went by
    that a lenient reader of rows would pass over; `unfinished` is what follows the last line end.
    """

    def __init__(self, source: io.BufferedIOBase, header: bytes) -> None:
        """`source` stands behind the whole lines `header`, which the digest covers as well."""
        self._source = source
        self._sha256 = hashlib.sha256(header)
        self._closed: str | None = None  # the digest before a closing line, so long as nothing follows it
        self.notes: list[NoteLine] = []
        self.rows = 0
        self.plain = True
        self.unfinished = b""

    def readable(self) -> bool:
        """Yes."""
        return True

    def read(self, size: int = -1) -> bytes:
        """Whole rows of at most `size` bytes; none at the end."""
        while self.plain and (fresh := self._source.read(size - len(self.unfinished) % size)):
            block = self.unfinished + fresh
            stop = block.rfind(b"\n") + 1
            self.unfinished = block[stop:]
            if rows := self._rows(block, stop):
                self.plain = b"\r" not in rows and len(rows) <= size  # a longer one is none
                return rows if self.plain else b""
        return b""

    @property
    def closed(self) -> bool:
        """Whether the last whole line is a closing line."""
        return self._closed is not None

    def sha256(self) -> str:
        """Of every byte before the closing line, or of all bytes if there is none."""
        if self._closed is not None:
            return self._closed
        everything = self._sha256.copy()
        everything.update(self.unfinished)
        return everything.hexdigest()

    def _rows(self, block: bytes, stop: int) -> bytes:
        """The rows among the lines of `block` up to `stop`; the digest takes all of them."""
        view = memoryview(block)
        rows, at, hashed = [], 0, 0
        while (start := _note(block, at, stop)) >= 0:
            rows.append(self._counted(view[at:start]))
            at = block.index(b"\n", start) + 1
            self.notes.append(NoteLine(self.rows, block[start:at]))
            self._closed = None
            if block.startswith(_END, start):
                self._sha256.update(view[hashed:start])
                hashed = start
                self._closed = self._sha256.hexdigest()
        rows.append(self._counted(view[at:stop]))
        self._sha256.update(view[hashed:stop])
        return b"".join(rows)

    def _counted(self, rows: memoryview) -> memoryview:
        if rows:
            self.rows += odd_bytes(rows)
            self._closed = None
        return rows


def whole_rows(stream: RowStream, signed: Sequence[bool]) -> Ints | None:
    """All rows, int64, shape (n, c), after which the stream is at its end; or None if a line is no row (`decimals.is_row`)."""
    values = integers(stream, signed)
    if values is None and stream.plain and not stream.rows:
        values = np.empty((len(signed), 0), np.int64)
    return values.T if values is not None and stream.plain and stream.rows == values.shape[1] else None


def _note(block: bytes, at: int, stop: int) -> int:
    """Where the next note begins, or -1. A # elsewhere than at the beginning of a line is none, so that its row is refused."""
    while (start := block.find(b"#", at, stop)) > 0 and block[start - 1] != ord("\n"):
        at = start + 1
    return start
