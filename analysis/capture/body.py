"""The lines behind a capture's header, a block at a time: rows go to numpy's reader, what stands between them is kept aside."""

from __future__ import annotations

import hashlib
import io
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from analysis.base.samples import Ints

BLOCK: Final = 1 << 25  # bytes read at once: arrays so large go back to the system when they are done with
_END: Final = b'# {"end"'
_OF_ROWS: Final = b"0123456789-,\n"


class NoteLine(NamedTuple):
    """A note as it stands in the file, and how many rows stand before it."""

    row: int
    line: bytes


class BadRowError(ValueError):
    """A line that is no row. `line`: its number behind the header, from 0 on."""

    def __init__(self, line: int) -> None:
        super().__init__(line)
        self.line = line


@dataclass(frozen=True)
class Body:
    """`columns`: int64, shape (n,) each. `closed`: whether the last whole line is a closing line, which is then the last of the
    `notes`. `sha256`: of every byte before that line, or of all bytes if there is none. `unfinished`: bytes behind the last line end.
    """

    columns: tuple[Ints, ...]
    notes: tuple[NoteLine, ...]
    closed: bool
    sha256: str
    unfinished: int


def read_body(source: io.BufferedIOBase, header: bytes, signed: Sequence[bool]) -> Body:
    """All that `source` holds behind the lines `header`, which the digest covers as well. `signed`: whether each column of rows is.

    Raises BadRowError for a line that is neither a note nor one integer of 32 bits for each column, in digits and nothing else.
    """
    digest, before_end, tail = hashlib.sha256(header), None, b""
    blocks, notes, rows = [np.empty((len(signed), 0), np.int64)], list[NoteLine](), 0
    for block in _lines(source):
        if not block.endswith(b"\n"):
            tail = block
            break
        last = block.rfind(b"\n", 0, -1) + 1
        digest.update(memoryview(block)[:last])
        before_end = digest.hexdigest() if block.startswith(_END, last) else None
        digest.update(memoryview(block)[last:])
        text, found = _apart(block)
        try:
            blocks.append(_integers(text, signed))
        except ValueError:
            raise BadRowError(rows + len(notes) + _first_bad(block, signed)) from None
        notes += (NoteLine(rows + note.row, note.line) for note in found)
        rows += blocks[-1].shape[1]
    if before_end is None:
        digest.update(tail)
    sha256 = before_end or digest.hexdigest()
    columns = tuple(np.concatenate([block[i] for block in blocks]) for i in range(len(signed)))
    return Body(columns, tuple(notes), before_end is not None, sha256, len(tail))


def _lines(source: io.BufferedIOBase) -> Iterator[bytes]:
    """Blocks of whole lines, and what follows the last line end, if anything does."""
    begun: list[bytes] = []
    while fresh := source.read(BLOCK):
        if stop := fresh.rfind(b"\n") + 1:
            yield b"".join([*begun, fresh[:stop]])
            begun = []
        begun.append(fresh[stop:])
    if rest := b"".join(begun):
        yield rest


def _apart(block: bytes) -> tuple[bytes, list[NoteLine]]:
    """The rows of whole lines, and the notes among them. A # elsewhere than at the beginning of a line belongs to its row."""
    rows, notes, at, count, start = [], list[NoteLine](), 0, 0, block.find(b"#")
    while start >= 0:
        if start and block[start - 1] != ord("\n"):
            start = block.find(b"#", start + 1)
            continue
        rows.append(block[at:start])
        count += rows[-1].count(b"\n")
        at = block.index(b"\n", start) + 1
        notes.append(NoteLine(count, block[start:at]))
        start = block.find(b"#", at)
    return b"".join([*rows, block[at:]]), notes


def _integers(rows: bytes, signed: Sequence[bool]) -> Ints:
    """Shape (c, n), from n lines of c integers. ValueError if any line is anything else.

    What numpy's reader is lenient about (white space, empty lines, signs) has no place among the bytes of rows.
    """
    if not rows:
        return np.empty((len(signed), 0), np.int64)
    if rows.translate(None, _OF_ROWS) or rows.startswith(b"\n") or b"\n\n" in rows:
        raise ValueError("bytes of no row")
    values = np.loadtxt(io.BytesIO(rows), np.int64, delimiter=",", comments=None, ndmin=2)
    if values.shape[1] != len(signed):
        raise ValueError("another number of columns")
    low, high = np.array([(-(of << 31), (1 << (32 - of)) - 1) for of in signed], np.int64).T
    if (values.min(axis=0) < low).any() or (values.max(axis=0) > high).any():
        raise ValueError("beyond 32 bits")
    return np.ascontiguousarray(values.T)


def _first_bad(block: bytes, signed: Sequence[bool]) -> int:
    """Number of the first line that is neither a note nor a row. Slow: for the error message."""
    lines = block.split(b"\n")[:-1]
    return next(i for i, line in enumerate(lines) if not line.startswith(b"#") and not _is_row(line, signed))


def _is_row(line: bytes, signed: Sequence[bool]) -> bool:
    fields = line.split(b",")
    return len(fields) == len(signed) and all(_is_integer(field, of) for field, of in zip(fields, signed, strict=True))


def _is_integer(field: bytes, signed: bool) -> bool:
    digits = re.fullmatch(rb"(-?)0*([0-9]{1,10})", field)
    if digits is None:
        return False
    value = int(digits[2])
    return value <= signed << 31 if digits[1] else value < 1 << (32 - signed)
