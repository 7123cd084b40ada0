"""The capture file, read and checked (firmware-notes/capture-format.md). `parse` is pure; `load` opens the file."""

from __future__ import annotations

import hashlib
import os
import re
from bisect import bisect_left
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import partial
from itertools import chain, pairwise
from pathlib import Path
from typing import Final, NamedTuple

import numpy as np

from analysis.capture.decimals import first_bad, integers
from analysis.capture.rows import COUNT, from_rows, integer, limits, word
from analysis.capture.text import FIRST_LINE, FORMAT, Note, columns, read_header, read_note
from analysis.errors import CaptureError
from analysis.samples import Capture, Header, Ints

__all__ = ["from_rows", "load", "parse"]

_BLOCK: Final = 1 << 20  # bytes read at a time: few enough for the cache, enough for threads not to queue for the interpreter
# An allocation that glibc has seen given back makes it keep smaller ones for the next block instead of returning them to the system
# and fetching each page again, which took a third of the time. Elsewhere it does nothing.
_KEPT: Final = 1 << 24
_FIRST_ROW_LINE: Final = 4
_THREADS: Final = min(4, os.cpu_count() or 1)
_FIRST: Final = FIRST_LINE.encode("ascii")
_FIRST_OF_ANY: Final = re.compile(rb"# lobetrace capture ([0-9]{1,9})(?![0-9])")
_END: Final = b'# {"end"'
_AS_RECORDED: Final = "Use the file as it was recorded, or record again"


class _Block(NamedTuple):
    """A stretch of whole lines in the bytes, and where the notes in it begin and end."""

    start: int
    stop: int
    notes: list[tuple[int, int]]


class _Layout(NamedTuple):
    """Where things lie in the bytes: rows and notes from `body`, the closing line from `closing` to `whole`, where whole lines end.

    Without a closing line `closing` is `whole`. A file cut short before its rows has `body` there too.
    """

    header: Header | None
    body: int
    closing: int
    whole: int

    @property
    def closed(self) -> bool:
        return self.closing < self.whole


def load(path: str | os.PathLike[str]) -> Capture:
    """Read a capture file and check it: see `parse`. CaptureError as well if the file cannot be read."""
    try:
        data = Path(path).read_bytes()
    except OSError as error:
        raise CaptureError(
            f"the capture cannot be read ({error.strerror})", where=str(path), do="Check its name and that you may read it"
        ) from error
    return parse(data, str(path))


def parse(data: bytes, path: str = "") -> Capture:
    """The Capture in the bytes of a file. `path` is for its `path` and for messages.

    A capture that was cut short at any byte loads as far as whole lines go; one that was altered loads if its rows and notes are
    sound. Either way `complete` is false and `missing` says in sentences what is not there or differs. `sha256` is the digest of the
    bytes before the closing line, or of all bytes if there is none.

    Raises CaptureError for a foreign file, another format, or a header, row or note that is not what the format says, with its line.
    """
    missing: list[str] = []
    if data.startswith(_FIRST[:-1] + b"\r\n"):
        data = data.replace(b"\r\n", b"\n")
        missing.append("Its line ends were changed to CR LF after it was recorded; they are passed over")
    layout = _layout(data, path)
    with ThreadPoolExecutor(_THREADS) as pool:  # hashing and most of reading let go of the interpreter lock
        digest = pool.submit(_sha256, memoryview(data)[: layout.closing if layout.closed else len(data)])
        rows, notes = _body(data, layout, pool, path)
        sha256 = digest.result()
    capture = from_rows(layout.header, rows, notes, path=path)
    if layout.closed:
        missing += _altered(data, layout, len(rows), sha256, path)
    if any(note.kind == "end" for note in notes) or (layout.closed and layout.whole < len(data)):
        missing.append("It goes on behind its closing line: the capture was altered after it was recorded")
    elif not layout.closed:
        missing.append(_cut_short(data, layout, capture))
    return replace(capture, complete=not missing, missing=tuple(missing), sha256=sha256)


def _layout(data: bytes, path: str) -> _Layout:
    """Header and bounds. CaptureError if this is no capture of our format."""
    whole = data.rfind(b"\n") + 1
    if not data.startswith(_FIRST):
        if _FIRST.startswith(data):
            return _Layout(None, whole, whole, whole)
        raise _not_ours(data, path)
    line_3 = data.find(b"\n", len(_FIRST)) + 1
    if not line_3:
        return _Layout(None, whole, whole, whole)
    header = read_header(data[len(_FIRST) : line_3], _where(path, 2))
    body = data.find(b"\n", line_3) + 1
    if not body:
        return _Layout(header, whole, whole, whole)
    names = ",".join(columns(len(header.channels)))
    if data[line_3 : body - 1] != names.encode("ascii"):
        raise CaptureError(f"the columns are not {names}", where=_where(path, 3), do=_AS_RECORDED)
    last = data.rfind(b"\n", 0, whole - 1) + 1
    return _Layout(header, body, last if last >= body and data.startswith(_END, last) else whole, whole)


def _not_ours(data: bytes, path: str) -> CaptureError:
    found = _FIRST_OF_ANY.match(data)
    if found and int(found[1]) != FORMAT:
        return CaptureError(
            f"this capture is of format {int(found[1])}, and this program reads format {FORMAT}",
            where=_where(path, 1),
            do="Read it with the lobetrace that wrote it, or a newer one",
        )
    return CaptureError(
        "this is not a capture",
        where=_where(path, 1),
        do=f"A capture begins with the line {FIRST_LINE.strip()!r}: choose one that does",
    )


def _body(data: bytes, layout: _Layout, pool: ThreadPoolExecutor, path: str) -> tuple[Ints, list[Note]]:
    """All rows, shape (n, 4 + 2 c), and all notes but the closing one."""
    low, high = limits(len(layout.header.channels) if layout.header else 0)
    spans = _notes(data, layout)
    bounds = [layout.body]
    while bounds[-1] < layout.closing:
        bounds.append(data.find(b"\n", min(bounds[-1] + _BLOCK, layout.closing - 1)) + 1)
    blocks = [_Block(start, stop, _within(spans, start, stop)) for start, stop in pairwise(bounds)]
    counts = list(pool.map(partial(_count_rows, data), blocks))
    first_rows = np.cumsum([0, *counts]).tolist()
    values = np.empty((len(low), first_rows[-1]), np.int64)
    parts = (values[:, start:stop] for start, stop in pairwise(first_rows))
    np.empty(_KEPT, np.uint8)  # given back at once; see _KEPT
    list(pool.map(partial(_read, data, low=low, high=high, path=path), blocks, parts))  # raises what a block raised
    notes: list[Note] = []
    at, row = layout.body, 0
    for start, stop in spans:
        row += _line_ends(data, at, start)
        where = _where(path, _FIRST_ROW_LINE + row + len(notes))
        notes.append(Note(row, *read_note(data[start:stop], where), where))
        at = stop
    return values.T, notes


def _notes(data: bytes, layout: _Layout) -> list[tuple[int, int]]:
    """Where each note's line begins and ends."""
    spans: list[tuple[int, int]] = []
    at = layout.body
    while (start := data.find(b"#", at, layout.closing)) >= 0:
        stop = data.index(b"\n", start) + 1
        if data[start - 1] == ord("\n"):  # elsewhere it is left in, so that its row is refused
            spans.append((start, stop))
        at = stop
    return spans


def _within(spans: list[tuple[int, int]], start: int, stop: int) -> list[tuple[int, int]]:
    return spans[bisect_left(spans, (start, 0)) : bisect_left(spans, (stop, 0))]


def _line_ends(data: bytes, start: int, stop: int) -> int:
    return int(np.count_nonzero(np.frombuffer(data, np.uint8, stop - start, start) == ord("\n")))


def _count_rows(data: bytes, block: _Block) -> int:
    return _line_ends(data, block.start, block.stop) - len(block.notes)


def _read(data: bytes, block: _Block, values: Ints, *, low: Ints, high: Ints, path: str) -> None:
    """Fill `values`, shape (4 + 2 c, k), from the rows of a block."""
    view = memoryview(data)
    edges = [block.start, *chain.from_iterable(block.notes), block.stop]
    text = b"".join(view[a:b] for a, b in zip(edges[::2], edges[1::2], strict=True))
    if not integers(text, low, high, values):
        bad = first_bad(text, low, high)
        at = data.count(b"\n", 0, block.start)
        raise CaptureError(
            f"this row is not {len(low)} integers in the range of the wire",
            where=_where(path, at + 1 + bad + _notes_before(data, block, bad)),
            do=_AS_RECORDED,
        )


def _notes_before(data: bytes, block: _Block, row: int) -> int:
    """How many notes of the block stand before its row `row`."""
    return sum(data.count(b"\n", block.start, start) - i <= row for i, (start, _) in enumerate(block.notes))


def _altered(data: bytes, layout: _Layout, rows: int, sha256: str, path: str) -> list[str]:
    """In what the closing line differs from what is there."""
    end = Note(
        rows, *read_note(data[layout.closing : layout.whole], where := _where(path, data.count(b"\n", 0, layout.whole))), where
    )
    said = integer(end, "rows", COUNT), word(end, "sha256")
    differs = []
    if said[0] != rows:
        differs.append(f"It has {rows} rows and its closing line says {said[0]}: the capture was altered after it was recorded")
    if said[1] != sha256:
        differs.append("Its SHA-256 is not the one in its closing line: the capture was altered after it was recorded")
    return differs


def _cut_short(data: bytes, layout: _Layout, capture: Capture) -> str:
    left_out = len(data) - layout.whole
    rows = len(capture.samples.seq)
    if layout.header is None:
        return f"It is cut short inside its header, after {len(data)} bytes: nothing is known of it, and there are no rows"
    last = f", the last at board time {capture.samples.time_us[-1] / 1e6:.6f} s" if rows else ""
    return f"It is cut short: {rows} rows were read{last}; {left_out} bytes of an unfinished line were left out"


def _sha256(data: memoryview) -> str:
    return hashlib.sha256(data).hexdigest()


def _where(path: str, line: int) -> str:
    return f"{path}, line {line}" if path else f"line {line}"
