"""The one family of errors. Each says whose fault it is, and each message says what happened, where, and what to do next.

LobetraceError
├── UsageError      ours: a wrong call, option or job file
├── DeviceError     the device broke the protocol
│   └── VersionError    it speaks another major version of it
├── LinkError       the link could not be had, or was lost
├── CaptureError    the capture file is damaged, foreign or cannot be written
└── DataError       the data are sound but cannot answer the question
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from analysis.base.foreign import sentence, shown


class LobetraceError(Exception):
    """Base of the family. `what` happened, `where` (a file, port, line or angle; may be empty), what to `do` next."""

    def __init__(self, what: str, *, where: str = "", do: str = "") -> None:
        self.what = what
        self.where = where
        self.do = do
        super().__init__(what, where, do)

    def __str__(self) -> str:
        """The sentence, with what was echoed in it made harmless for a terminal."""
        what = sentence(self.what)
        head = f"{shown(self.where)}: {what}" if self.where else what
        return f"{head}. {sentence(self.do)}" if self.do else f"{head}."


class UsageError(LobetraceError):
    """Our own misuse: a wrong call, a wrong option, a job file that does not say what it must."""


class DeviceError(LobetraceError):
    """The device answered, but not with what firmware-notes/wire-format.md says."""


class VersionError(DeviceError):
    """The board speaks another major version of the wire format: asking again changes nothing."""


class LinkError(LobetraceError):
    """The link could not be opened, or was lost."""


class CaptureError(LobetraceError):
    """A capture file is damaged, foreign, of another format, or cannot be written."""


class DataError(LobetraceError):
    """The data are sound but cannot answer: too little, the wrong motion, no base circle."""


@contextmanager
def placed(where: str) -> Iterator[None]:
    """A DataError from within that does not say where says `where`."""
    try:
        yield
    except DataError as error:
        if error.where or not where:
            raise
        raise DataError(error.what, where=where, do=error.do) from None
