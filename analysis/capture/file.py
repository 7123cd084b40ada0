"""The capture file, read and checked (firmware-notes/capture-format.md). `parse` takes its bytes; `load` opens it."""

from __future__ import annotations

import io
import logging
import os
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Final

from analysis.base.errors import CaptureError
from analysis.base.regular import open_regular
from analysis.base.samples import Capture, Header
from analysis.capture.body import BadRowError, NoteLine, read_body
from analysis.capture.columns import COUNT, SIGNED, from_columns, from_rows, integer, word
from analysis.capture.text import FIRST_LINE, FORMAT, Note, columns, read_header, read_note

__all__ = ["from_rows", "header_of", "load", "parse"]

_log = logging.getLogger(__name__)

_FIRST_ROW_LINE: Final = 4
_FIRST: Final = FIRST_LINE.encode("ascii")
_FIRST_AT_MOST: Final = 80  # bytes of the first line that are looked at
_FIRST_OF_ANY: Final = re.compile(rb"# lobetrace capture ([0-9]{1,9})(?![0-9])")
_PUT_BEFORE: Final = b"\xef\xbb\xbf\xff\xfe\"'"  # byte order marks and quotation marks, as spreadsheets and editors add them
_AS_RECORDED: Final = "Use the file as it was recorded, or record again"


def load(path: str | os.PathLike[str]) -> Capture:
    """Read a capture file and check it: see `parse`. CaptureError as well if the file cannot be read.

    >>> capture = load("sample-captures/clean/captures/1-stop.csv")
    >>> capture.header.step, capture.complete
    ('stop', True)
    """
    with _opened(path) as source:
        capture = _read(source, str(path))
    rows, step, on = capture.samples.crank.size, capture.header.step, " and ".join(capture.header.channels)
    _log.info("read %s: %d rows, %s, indicator on %s%s", path, rows, step, on, "" if capture.complete else ", not complete")
    return capture


def header_of(path: str | os.PathLike[str]) -> Header:
    """Only the header of a capture file, without its rows: what it is of, and of which board. CaptureError as of `load`."""
    with _opened(path) as source:
        first = source.readline(_FIRST_AT_MOST)
        if first.rstrip(b"\r\n") != _FIRST.rstrip(b"\n"):
            raise _not_ours(first, str(path))
        return read_header(source.readline().rstrip(b"\r\n") + b"\n", _where(str(path), 2))


@contextmanager
def _opened(path: str | os.PathLike[str]) -> Iterator[io.BufferedIOBase]:
    try:
        with open_regular(Path(path)) as source:
            yield source
    except OSError as error:
        raise CaptureError(
            f"the capture cannot be read ({error.strerror})", where=str(path), do="Check its name and that you may read it"
        ) from error


def parse(data: bytes, path: str = "") -> Capture:
    """The Capture in the bytes of a file. `path` is for its `path` and for messages.

    A capture that was cut short at any byte behind its header loads as far as whole lines go; one that was altered loads if its rows
    and notes are sound. Either way `complete` is false and `missing` says in sentences what is not there or differs. `sha256` is the
    digest of the bytes before the closing line, or of all bytes if there is none.

    Raises CaptureError, with the line, for a foreign file, another format, a file cut short inside its header, or a header, row or
    note that is not what the format says.
    """
    return _read(io.BytesIO(data), path)


def _read(source: io.BufferedIOBase, path: str) -> Capture:
    first = source.readline(_FIRST_AT_MOST)
    if first == _FIRST[:-1] + b"\r\n":
        return _line_ends_taken_back(first + source.read(), path)
    if not _FIRST.startswith(first):
        raise _not_ours(first, path)
    top, header = _header(first, source, path)
    signed = SIGNED[len(header.channels)]
    try:
        body = read_body(source, top, signed)
    except BadRowError as bad:
        raise CaptureError(
            f"this row is not {len(signed)} integers in the range of the wire",
            where=_where(path, _FIRST_ROW_LINE + bad.line),
            do=_AS_RECORDED,
        ) from None
    notes = _notes(body.notes, path)
    closing = notes.pop() if body.closed else None
    capture = from_columns(header, body.columns, notes, path=path)
    missing = _altered(closing, capture.samples.seq.size, body.sha256) if closing else []
    altered = bool(missing)
    if any(note.kind == "end" for note in notes) or (closing and body.unfinished):
        missing.append("It goes on behind its closing line: the capture was altered after it was recorded")
        altered = True
    elif not closing:
        missing.append(_cut_short(capture, len(top.rpartition(b"\n")[2]) + body.unfinished))
    return replace(capture, complete=not missing, missing=tuple(missing), sha256=body.sha256, altered=altered)


def _line_ends_taken_back(data: bytes, path: str) -> Capture:
    capture = parse(data.replace(b"\r\n", b"\n"), path)
    said = "Its line ends were changed to CR LF after it was recorded; they are passed over"
    return replace(capture, complete=False, missing=(said, *capture.missing))


def _header(first: bytes, source: io.BufferedIOBase, path: str) -> tuple[bytes, Header]:
    """The three lines at the top, the third as far as it is there, and what they say.

    CaptureError if they are not of our format, or if the file ends before the second does: then nothing is known of it.
    """
    second, third = source.readline(), source.readline()
    if not second.endswith(b"\n"):
        raise CaptureError(
            f"it is cut short inside its header, after {len(first + second)} bytes: nothing is known of it, and there are no rows",
            where=_where(path, 2),
            do="Move it out of captures/ and record again",
        )
    header = read_header(second, _where(path, 2))
    names = ",".join(columns(len(header.channels)))
    if third.endswith(b"\n") and third != names.encode("ascii") + b"\n":
        raise CaptureError(f"the columns are not {names}", where=_where(path, 3), do=_AS_RECORDED)
    return first + second + third, header


def _notes(lines: Sequence[NoteLine], path: str) -> list[Note]:
    places = [_where(path, _FIRST_ROW_LINE + note.row + i) for i, note in enumerate(lines)]
    return [Note(note.row, *read_note(note.line, where), where) for note, where in zip(lines, places, strict=True)]


def _altered(closing: Note, rows: int, sha256: str) -> list[str]:
    """In what the closing line differs from what is there."""
    said = integer(closing, "rows", COUNT), word(closing, "sha256")
    differs = []
    if said[0] != rows:
        differs.append(f"It has {rows} rows and its closing line says {said[0]}: the capture was altered after it was recorded")
    if said[1] != sha256:
        differs.append("Its SHA-256 is not the one in its closing line: the capture was altered after it was recorded")
    return differs


def _cut_short(capture: Capture, left_out: int) -> str:
    rows = capture.samples.seq.size
    last = f", the last at board time {capture.samples.time_us[-1] / 1e6:.6f} s" if rows else ""
    return f"It is cut short: {rows} rows were read{last}; {left_out} bytes of an unfinished line were left out"


def _not_ours(data: bytes, path: str) -> CaptureError:
    found = _FIRST_OF_ANY.match(data)
    if found and int(found[1]) != FORMAT:
        return CaptureError(
            f"this capture is of format {int(found[1])}, and this program reads format {FORMAT}",
            where=_where(path, 1),
            do="Read it with the lobetrace that wrote it, or a newer one",
        )
    if data.replace(b"\0", b"").lstrip(_PUT_BEFORE).startswith(_FIRST[:-1]):
        return CaptureError(
            "this capture was saved by another program, which changed its text",
            where=_where(path, 1),
            do="Use the file as it was recorded",
        )
    return CaptureError(
        "this is not a capture",
        where=_where(path, 1),
        do=f"A capture begins with the line {FIRST_LINE.strip()!r}: choose one that does",
    )


def _where(path: str, line: int) -> str:
    return f"{path}, line {line}" if path else f"line {line}"
