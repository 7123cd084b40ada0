"""A recording in memory, read as it would be from a file: for tests that need no disk."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np

from acquire.record.event_rows import Entries, Remark, Row
from acquire.wire import Event
from analysis.base.samples import Capture, Header
from analysis.capture import from_rows
from analysis.capture.text import Note, columns


class Tape:
    """Takes a link's events; `capture` gives what a file of them would be read as."""

    def __init__(self, header: Header) -> None:
        self.header = header
        self._entries = Entries(header.board)
        self._blocks: list[np.ndarray[Any, np.dtype[np.int64]]] = []
        self._notes: list[Note] = []
        self._rows = 0

    def add(self, events: Iterable[Event]) -> None:
        """Take what came next."""
        rows: list[Row] = []
        for entry in self._entries.of(events, at=""):
            if isinstance(entry, Remark):
                self._notes.append(Note(self._rows + len(rows), *entry))
            else:
                rows.append(entry)
        if rows:
            self._blocks.append(np.array(rows, np.int64))
            self._rows += len(rows)

    def capture(self) -> Capture:
        """Everything so far."""
        if len(self._blocks) > 1:
            self._blocks = [np.concatenate(self._blocks)]
        rows = self._blocks[0] if self._blocks else np.zeros((0, len(columns(len(self.header.channels)))), np.int64)
        return from_rows(self.header, rows, self._notes)
