"""Raw rows and the notes between them -> the arrays of a Capture: counters unwrapped, every note in its place."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import Final

import numpy as np

from analysis.base.errors import CaptureError
from analysis.base.samples import Capture, Fault, Gap, Header, IndexPulses, Ints, Samples
from analysis.capture.counters import near, unwrap
from analysis.capture.text import Note

U32: Final = (0, 0xFFFF_FFFF)
I32: Final = (-0x8000_0000, 0x7FFF_FFFF)
COUNT: Final = (0, 1 << 53)
SIGNED: Final = tuple((False, False, True, False, *[True] * (2 * channels)) for channels in range(3))  # each column, by channels


def from_rows(header: Header, rows: Ints, notes: Iterable[Note] = (), *, path: str = "") -> Capture:
    """The Capture of raw `rows`, shape (n, 4 + 2 c), in the order of the file's columns, and the notes between them, in order.

    Else as `from_columns`.
    """
    return from_columns(header, tuple(rows.T), notes, path=path)


def from_columns(header: Header, columns: Sequence[Ints], notes: Iterable[Note] = (), *, path: str = "") -> Capture:
    """The Capture of raw columns, 4 + 2 c of shape (n,), in the order of the file's, and the notes between the rows, in order.

    This is what a file with these rows and notes loads as, except that `complete` is true and `sha256` empty: there is no file.
    The arrays may be those of `columns`. Raises CaptureError for a note of a known kind whose fields are not what the format says.
    """
    notes = tuple(notes)
    # Bounds of the segments of one origin. Where several starts stand together, segments are empty, but they are numbered.
    bounds = [0, *(note.row for note in notes if _new_origin(note)), columns[0].size]
    samples = _samples(columns, bounds)
    index: list[tuple[int, int, int]] = []
    faults: list[Fault] = []
    gaps: list[Gap] = []
    origin = 0
    for note in notes:
        place = _nearest_row(note.row, bounds[origin], bounds[origin + 1])
        match note.kind:
            case "start":
                origin += _new_origin(note)
            case "index":
                time_us = _near(integer(note, "time_us", U32), samples.time_us, place)
                index.append((time_us, _near(integer(note, "crank", I32), samples.crank, place), origin))
            case "fault":
                time_us = _near(integer(note, "time_us", U32), samples.time_us, place)
                faults.append(Fault(time_us, word(note, "word"), integer(note, "number", I32)))
            case "gap":
                gaps.append(Gap(note.row, integer(note, "lost", COUNT), integer(note, "bytes", COUNT)))
    return Capture(
        header=header,
        samples=samples,
        index=IndexPulses(*np.array(index, np.int64).reshape(-1, 3).T),
        faults=tuple(faults),
        gaps=tuple(gaps),
        marks=tuple(word(note, "text") for note in notes if note.kind == "mark"),
        complete=True,
        missing=(),
        sha256="",
        path=path,
    )


def _samples(columns: Sequence[Ints], bounds: Sequence[int]) -> Samples:
    seq, time_us, crank, flags, *gauges = columns
    return Samples(
        seq=_unwrapped(seq, bounds),
        time_us=_unwrapped(time_us, bounds),
        crank=_unwrapped(crank, bounds),
        flags=flags,
        origin=np.zeros(seq.size, np.int64) if len(bounds) == 2 else np.repeat(np.arange(len(bounds) - 1), np.diff(bounds)),
        age_us=_stacked(gauges[0::2], seq.size),
        lift=_stacked([_unwrapped(lift, bounds) for lift in gauges[1::2]], seq.size),
    )


def _stacked(channels: Sequence[Ints], rows: int) -> Ints:
    """Shape (c, n). Not copied where there is one, as mostly."""
    return channels[0][np.newaxis] if len(channels) == 1 else np.array(channels, np.int64).reshape(len(channels), rows)


def _unwrapped(values: Ints, bounds: Sequence[int]) -> Ints:
    """Each segment between two bounds on its own: a board that has started again counts anew."""
    segments = [unwrap(values[start:stop])[0] for start, stop in pairwise(bounds)]
    return segments[0] if len(segments) == 1 else np.concatenate(segments)


def _nearest_row(row: int, start: int, stop: int) -> int | None:
    """The row before a note, or else the one behind it, in the segment of rows from start to stop."""
    if row > start:
        return row - 1
    return row if row < stop else None


def _near(value: int, counter: Ints, place: int | None) -> int:
    return value if place is None else int(near(value, counter[place]))


def _new_origin(note: Note) -> bool:
    if note.kind != "start":
        return False
    same = note.fields.get("same_count")
    if not isinstance(same, bool):
        raise _bad(note, "same_count")
    return not same


def integer(note: Note, key: str, within: tuple[int, int]) -> int:
    """A field of a note that must be an integer from `within[0]` to `within[1]`; CaptureError if it is not."""
    value = note.fields.get(key)
    if type(value) is not int or not within[0] <= value <= within[1]:  # bool is an int to isinstance
        raise _bad(note, key)
    return value


def word(note: Note, key: str) -> str:
    """A field of a note that must be text; CaptureError if it is not."""
    value = note.fields.get(key)
    if not isinstance(value, str):
        raise _bad(note, key)
    return value


def _bad(note: Note, key: str) -> CaptureError:
    return CaptureError(
        f"the note {note.kind!r} has no sound {key!r}",
        where=note.where or f"before row {note.row + 1}",
        do="Use the file as it was recorded, or record again",
    )
