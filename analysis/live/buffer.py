"""The newest rows of a recording in fixed memory, counters unwrapped across blocks."""

from __future__ import annotations

from typing import Final

import numpy as np

from analysis.base.samples import Capture, Header, IndexPulses, Ints, Samples
from analysis.capture.counters import START, Carry, near, unwrap

# A dozen sweeps of a camshaft by a 1200-line encoder. Older rows have long said what they have to say.
KEPT_ROWS: Final = 1 << 16
_PULSES: Final = 4096


class Rows:
    """Takes raw rows as they come; hands them on unwrapped, and keeps the newest `most` of them as a `Capture`.

    All rows must share one start of the board. Adding costs what the block costs, whatever came before.
    """

    def __init__(self, header: Header, most: int = KEPT_ROWS) -> None:
        self.header = header
        self._channels = len(header.channels)
        self._most = most
        self._kept = np.empty((4 + 2 * self._channels, 2 * most), np.int64)  # twice, so that moving to the front is rare
        self._end = 0
        self._carry: list[Carry] = [START] * (4 + 2 * self._channels)
        self._pulses = np.empty((0, 2), np.int64)
        self.total = 0

    def add(self, rows: Ints, pulses: Ints | None = None) -> Samples:
        """Take raw `rows`, shape (n, 4 + 2 c), in the order of a capture's columns, and index pulses (time, count), shape (k, 2),
        which came no later than the last of the rows. Returns the rows unwrapped.
        """
        columns = self._unwrapped(rows)
        for start in range(0, columns.shape[1], self._most):
            self._keep(columns[:, start : start + self._most])
        self.total += columns.shape[1]
        if pulses is not None and len(pulses) and self._end:
            last = self._kept[:, self._end - 1]
            self._pulses = np.concatenate((self._pulses, near(pulses, last[1:3])))[-_PULSES:]
        return self._samples(columns)

    @property
    def pulses(self) -> IndexPulses:
        """The newest index pulses."""
        return IndexPulses(self._pulses[:, 0], self._pulses[:, 1], np.zeros(len(self._pulses), np.int64))

    def capture(self) -> Capture:
        """The newest rows, and the index pulses that came with them: a copy that stays as it is."""
        kept = self._kept[:, max(0, self._end - self._most) : self._end].copy()
        since = kept[1, 0] if kept.shape[1] and self.total > self._most else np.iinfo(np.int64).min
        pulses = self._pulses[self._pulses[:, 0] >= since]
        index = IndexPulses(pulses[:, 0].copy(), pulses[:, 1].copy(), np.zeros(len(pulses), np.int64))
        return Capture(self.header, self._samples(kept), index, (), (), (), True, (), "")

    def _unwrapped(self, rows: Ints) -> Ints:
        columns = np.array(rows, np.int64).reshape(-1, 4 + 2 * self._channels).T.copy()
        for k in (0, 1, 2, *range(5, len(columns), 2)):
            columns[k], self._carry[k] = unwrap(columns[k], carry=self._carry[k])
        return columns

    def _keep(self, columns: Ints) -> None:
        size = columns.shape[1]
        if self._end + size > self._kept.shape[1]:
            left = min(self._end, self._most)
            self._kept[:, :left] = self._kept[:, self._end - left : self._end].copy()
            self._end = left
        self._kept[:, self._end : self._end + size] = columns
        self._end += size

    def _samples(self, columns: Ints) -> Samples:
        seq, time_us, crank, flags, *readings = columns
        shape = self._channels, columns.shape[1]
        return Samples(
            seq=seq,
            time_us=time_us,
            crank=crank,
            flags=flags,
            origin=np.zeros(columns.shape[1], np.int64),
            age_us=np.array(readings[0::2], np.int64).reshape(shape),
            lift=np.array(readings[1::2], np.int64).reshape(shape),
        )
