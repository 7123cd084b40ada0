"""Files opened for reading that are files: a pipe or a device that somebody left under the name is refused, and never waited for."""

from __future__ import annotations

import errno
import io
import os
import stat
from pathlib import Path


def open_regular(path: Path) -> io.BufferedReader:
    """The file, open for reading bytes. OSError if it cannot be had, or if what is there is no file."""
    _must_be_file(path.stat())  # before it is opened: opening a device may already do something
    handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0))
    try:
        _must_be_file(os.fstat(handle))  # it may have been exchanged meanwhile
        return os.fdopen(handle, "rb")
    except BaseException:
        os.close(handle)
        raise


def _must_be_file(found: os.stat_result) -> None:
    if stat.S_ISREG(found.st_mode):
        return
    kinds = ((stat.S_ISDIR, "a folder"), (stat.S_ISFIFO, "a pipe"), (stat.S_ISSOCK, "a socket"))
    kind = next((word for is_kind, word in kinds if is_kind(found.st_mode)), "a device")
    raise OSError(errno.EINVAL, f"it is {kind}, not a file")
