"""What moved a session, one JSON line each, in the job's folder: so that a job is taken up where it was left, overrides and all."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Final

from acquire.procedure.session import Happened, Place
from analysis.base.errors import CaptureError
from analysis.base.regular import open_regular

FILE_NAME: Final = "procedure.jsonl"


def read_session(folder: Path) -> tuple[Happened, ...]:
    """What was written down, in order. A line that a power loss has cut is passed over. CaptureError if the file cannot be read."""
    file = folder / FILE_NAME
    try:
        text = _read(file).decode("utf-8", errors="replace")
    except FileNotFoundError:
        return ()
    except OSError as error:
        raise CaptureError(
            f"the procedure so far cannot be read ({error.strerror})", where=str(file), do="Check that you may read it"
        ) from error
    found = []
    for line in text.splitlines():
        try:
            row = json.loads(line)
            found.append(
                Happened(
                    str(row["what"]),
                    Place(str(row["step"]), str(row["valve"]), int(row.get("cylinder", 0)), bool(row.get("again", False))),
                    str(row["reason"]),
                )
            )
        except (ValueError, TypeError, KeyError):
            continue
    return tuple(found)


def write_session(folder: Path, happened: Happened, at: str) -> None:
    """Add what happened `at` (date and time, ISO 8601), and bring it to the disk. CaptureError if that cannot be done."""
    file = folder / FILE_NAME
    place = happened.place
    row: dict[str, object] = {
        "at": at,
        "what": happened.what,
        "step": place.step,
        "valve": place.valve,
        "reason": happened.reason,
    }
    if place.cylinder:
        row["cylinder"] = place.cylinder
    if place.again:
        row["again"] = True
    try:
        before = _read(file) if file.exists() else b""
        cut = before != b"" and not before.endswith(b"\n")  # a power loss left half a line: the next begins on its own
        with file.open("a", encoding="utf-8", newline="\n") as out:
            out.write(("\n" if cut else "") + json.dumps(row, ensure_ascii=False) + "\n")
            out.flush()
            os.fsync(out.fileno())
    except OSError as error:
        raise CaptureError(
            f"the procedure cannot be written down ({error.strerror})", where=str(file), do="Make room, or choose another folder"
        ) from error


def _read(file: Path) -> bytes:
    with open_regular(file) as source:
        return source.read()
