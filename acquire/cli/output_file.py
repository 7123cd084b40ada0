"""Results written to a file that a person named: all of it or nothing, and never in place of something else than such a result."""

from __future__ import annotations

import os
from pathlib import Path

from analysis.base.errors import UsageError


def write(path: Path, data: bytes) -> None:
    """`data` as the file `path`; a reader never meets half of it. An older result of the same kind is replaced.

    Raises UsageError if it cannot be written, or if something else is there: job.toml and captures are a name's slip away. Two
    are of one kind if they begin alike ("<?xm", "%PDF", "<!do").
    """
    made = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        if path.is_file() and not _alike(path, data):
            raise UsageError("it exists, holds something else, and is not overwritten", where=str(path), do="Choose another file")
        made.write_bytes(data)
        made.replace(path)
    except OSError as error:
        made.unlink(missing_ok=True)
        do = "Choose a file that you may write, in a folder that exists"
        raise UsageError(f"it cannot be written ({error.strerror})", where=str(path), do=do) from None


def _alike(path: Path, data: bytes) -> bool:
    with path.open("rb") as file:
        there = file.read(4)
    return not there or there.lower() == data[:4].lower()
