"""The pieces of a capture file as text, each both ways where both are needed (firmware-notes/capture-format.md). Pure, no I/O."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import math
from collections.abc import Iterable, Mapping, Sequence
from itertools import chain
from typing import Any, Final, NamedTuple

from analysis.base.errors import CaptureError
from analysis.base.samples import Board, Header, Identity, Ints

FORMAT: Final = 1
MINOR: Final = 1  # keys that were added since: a reader of an earlier one passes over them
FIRST_LINE: Final = f"# lobetrace capture {FORMAT}\n"
STEPS: Final = ("stop", "travel", "sweep")
CHANNELS: Final = ("intake", "exhaust", "piston", "unknown")


class Note(NamedTuple):
    """A comment line in place: it stands before row `row` (0-based; the number of rows if at the end). `where` is for errors."""

    row: int
    kind: str
    fields: Mapping[str, Any]
    where: str = ""


def columns(channels: int) -> tuple[str, ...]:
    """Names of the columns of a capture of so many indicator channels."""
    return "seq", "time_us", "crank", "flags", *chain.from_iterable((f"age{c}_us", f"lift{c}") for c in range(1, channels + 1))


def header_text(header: Header) -> str:
    """The three lines that a capture begins with."""
    fields = {
        "format": FORMAT,
        "minor": MINOR,
        "software": header.software,
        "started": header.started,
        "step": header.step,
        "cylinder": header.cylinder,
        "channels": list(header.channels),
        "hello": hello_fields(header.board),
        "link": header.link,
        "engine": header.engine,
        "note": header.note,
        "identity": dataclasses.asdict(header.identity),
    }
    return FIRST_LINE + note_line("capture", fields) + ",".join(columns(len(header.channels))) + "\n"


def hello_fields(board: Board) -> dict[str, Any]:
    """What the board's hello said, as the header and a `start` note hold it."""
    return {
        "version": board.version,
        "cpr": board.cpr,
        "index": board.index,
        "latch": board.latch,
        "steps_mm": list(board.steps_mm),
        "units": list(board.units),
        "rate": board.rate,
        "boot": board.boot,
        "board": board.name,
    }


def rows_text(rows: Sequence[Sequence[int]]) -> str:
    """The lines of many rows, all of one length, each in the order of `columns`."""
    if not rows:
        return ""
    line = ",".join(["%d"] * len(rows[0])) + "\n"
    return line * len(rows) % tuple(chain.from_iterable(rows))


def note_line(kind: str, fields: Mapping[str, Any]) -> str:
    """One note, with its line end. Text that UTF-8 cannot hold (half a surrogate pair) becomes question marks."""
    text = json.dumps({kind: dict(fields)}, ensure_ascii=False, allow_nan=False)
    return f"# {text.encode('utf-8', 'replace').decode('utf-8')}\n"


def closing_line(rows: int, sha256: str) -> str:
    """The last line; `sha256` is the digest of every byte before it, in hexadecimal."""
    return note_line("end", {"rows": rows, "sha256": sha256})


def whole_text(header: Header, rows: Ints, notes: Iterable[Note] = ()) -> bytes:
    """A complete capture file. `rows`: raw numbers, shape (n, 4 + 2 c); `notes` in order, without the closing one."""
    parts, at = [header_text(header)], 0
    for note in notes:
        parts += rows_text(rows[at : note.row].tolist()), note_line(note.kind, note.fields)
        at = note.row
    text = "".join([*parts, rows_text(rows[at:].tolist())]).encode("utf-8")
    return text + closing_line(len(rows), hashlib.sha256(text).hexdigest()).encode("ascii")


def read_note(line: bytes, where: str) -> tuple[str, dict[str, Any]]:
    """Kind and fields of a note's line, with or without its line end. CaptureError if it is none."""
    try:
        note = json.loads(line.removeprefix(b"# ").decode("utf-8"))
    except (ValueError, RecursionError):
        note = None
    if line.startswith(b"# {") and isinstance(note, dict) and len(note) == 1:
        ((kind, fields),) = note.items()
        if isinstance(fields, dict):
            return kind, fields
    raise CaptureError(
        "this line is neither a row nor a note", where=where, do="Use the file as it was recorded, or record again"
    )


def read_header(line: bytes, where: str) -> Header:
    """The header from the second line of a capture. CaptureError if it does not say what it must."""
    kind, fields = read_note(line, where)
    try:
        if kind != "capture" or fields["format"] != FORMAT:
            raise ValueError(kind)
        hello = fields["hello"]
        header = Header(
            board=Board(
                cpr=_whole(hello["cpr"], 4, 1_000_000),
                index=_is(bool, hello["index"]),
                latch=_one_of(("edge", "time"), hello["latch"]),
                steps_mm=tuple(_length(step) for step in _is(list, hello["steps_mm"])),
                units=tuple(_one_of(("mm", "in"), unit) for unit in _is(list, hello["units"])),
                name=_is(str, hello["board"]),
                boot=_whole(hello["boot"]),
                rate=_whole(hello["rate"]),
                version=_is(str, hello["version"]),
            ),
            step=_one_of(STEPS, fields["step"]),
            cylinder=_whole(fields["cylinder"], 1),
            channels=tuple(_one_of(CHANNELS, channel) for channel in _is(list, fields["channels"])),
            **{key: _is(str, fields[key]) for key in ("started", "link", "software", "engine", "note")},
            identity=_identity(fields.get("identity", {})),
        )
        if not 1 <= len(header.channels) <= 2 or not len(header.channels) == len(header.board.steps_mm) == len(
            header.board.units
        ):
            raise ValueError("channels")
    except (KeyError, TypeError, ValueError) as error:
        what = error.args[0] if error.args else error
        raise CaptureError(
            f"the header of this capture does not say what it must ({what!r})",
            where=where,
            do="Use the file as it was recorded; firmware-notes/capture-format.md section 2 lists what belongs there",
        ) from None
    return header


def _identity(said: Any) -> Identity:
    """What the job said of it; captures before 1.1 say nothing."""
    known = {field.name for field in dataclasses.fields(Identity)}
    return Identity(**{key: _is(str, value) for key, value in _is(dict, said).items() if key in known})


def _is(kind: type, value: Any) -> Any:
    if not isinstance(value, kind):
        raise ValueError(value)
    return value.encode("utf-8", "replace").decode("utf-8") if isinstance(value, str) else value  # half of a pair is no character


def _one_of(words: tuple[str, ...], value: Any) -> str:
    if value not in words:
        raise ValueError(value)
    return str(value)


def _whole(value: Any, low: int = 0, high: int = 0xFFFF_FFFF) -> int:
    """An integer of JSON within limits (JSON's true and false are none)."""
    if type(value) is not int or not low <= value <= high:
        raise ValueError(value)
    return value


def _length(value: Any) -> float:
    if type(value) not in (int, float) or not 0 < value < math.inf:
        raise ValueError(value)
    return float(value)
