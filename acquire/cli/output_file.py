"""Results written to a file that a person named: all of it or nothing, and never in place of what lobetrace did not write."""

from __future__ import annotations

import logging
import os
import stat
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO

from acquire.cli import say
from analysis.base.errors import UsageError
from analysis.base.regular import open_regular

_log = logging.getLogger(__name__)
_FIRST_AT_MOST = 4096  # bytes of a first line that are looked at
_BLOCK = 1 << 20


def write(path: Path, data: bytes, *, force: bool = False) -> None:
    """`data` as the file `path`; a reader never meets half of it, and after a power loss it is there whole or not at all.

    An older result of the same kind is replaced. Raises UsageError if it cannot be written, or if something else is there and not
    `force`: job.toml and captures are a name's slip away. What is no file is never replaced.
    """
    with writing(path, data[:_FIRST_AT_MOST], force=force) as out:
        out.write(data)


def deliver(path: Path, data: bytes, *, force: bool = False) -> None:
    """`write`, and the person is told that it is there."""
    write(path, data, force=force)
    say.person(f"{say.quoted(path)} is written")


@contextmanager
def writing(path: Path, head: bytes, *, force: bool = False) -> Iterator[IO[bytes]]:
    """The same for what is written piece by piece; `head` is what it begins with. Left by an error, the file is as it was."""
    may_write(path, head, force=force)
    try:
        with _temporary(path) as out:
            yield out
    except OSError as error:
        raise _unwritable(path, error) from None
    _log.info("wrote %s: %d bytes", path, path.stat().st_size)


def may_write(path: Path, head: bytes, *, force: bool = False) -> None:
    """Whether `writing` would, asked before long work. Raises UsageError as that does."""
    try:
        _may_replace(path, head, force)
    except OSError as error:
        raise _unwritable(path, error) from None


def _unwritable(path: Path, error: OSError) -> UsageError:
    do = "Choose a file that you may write, in a folder that exists"
    return UsageError(f"it cannot be written ({error.strerror})", where=str(path), do=do)


def _may_replace(path: Path, data: bytes, force: bool) -> None:
    try:
        found = path.stat()
    except FileNotFoundError:
        path.parent.stat()
        return
    if not stat.S_ISREG(found.st_mode):
        raise UsageError("it is no file, and is not overwritten", where=str(path), do="Choose another name")
    if not force and not _ours(path, data):
        do = "Choose another file, or add --force to replace it"
        raise UsageError("it exists, holds something else, and is not overwritten", where=str(path), do=do)


def _ours(path: Path, data: bytes) -> bool:
    """Whether it holds an older result of the same kind: it is empty, has the same columns, or begins alike and names lobetrace."""
    with open_regular(path) as file:
        there = file.read(_FIRST_AT_MOST)
        if not there:
            return True
        head = data.partition(b"\n")[0]
        if b"," in head and not head.startswith((b"<", b"%", b"{")):
            return there.partition(b"\n")[0] == head
        if there[:4].lower() != data[:4].lower():
            return False
        while b"lobetrace" not in there:
            more = file.read(_BLOCK)
            if not more:
                return False
            there = there[-len(b"lobetrace") :] + more
        return True


@contextmanager
def _temporary(path: Path) -> Iterator[IO[bytes]]:
    """A file that takes the place of `path`, and is on the disk, when it is left without an error."""
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    made = Path(name)
    try:
        with os.fdopen(handle, "wb") as out:
            yield out
            out.flush()
            os.fsync(out.fileno())
        made.chmod(path.stat().st_mode & 0o777 if path.exists() else 0o666 & ~_umask())
        made.replace(path)
    except BaseException:
        with suppress(OSError):
            made.unlink()
        raise


def _umask() -> int:
    mask = os.umask(0o022)
    os.umask(mask)
    return mask
