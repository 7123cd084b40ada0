"""What is being taken in one step: into the capture file first, then into what the screen shows. No screen, no clock of its own."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from acquire.record.recorder import Recorder
from acquire.wire import Event, Heartbeat, Index, Sample, wrap_u32
from analysis.base.errors import DataError
from analysis.base.quantity import Quantity
from analysis.base.samples import STILL, Capture, Header, Ints
from analysis.job import Job
from analysis.live.buffer import KEPT_ROWS
from analysis.live.check import Checked, RigCheck
from analysis.live.contacts import Contacts, Touches
from analysis.live.coverage import LiveSweep, Progress
from analysis.live.partial import tdc_of
from analysis.tdc.stop import TdcFound

_LITTLE: Final = 1 << 12  # rows kept where nothing is worked out from them
RESTED_US: Final = 2_500_000  # longer than a hand rests between two pulls
_PASSED_DEG: Final = 5.0  # beyond TDC, so far, the crank has surely passed the place of a stop


class Taking:
    """One recording, or a mere look without a recorder. `add` costs little and loses nothing; `flush` is for the screen."""

    def __init__(self, job: Job, header: Header, forward: int, recorder: Recorder | None, *, rested: bool = False) -> None:
        self.header, self.recorder = header, recorder
        self.forward = forward
        self._pending: list[Event] = []
        records = recorder is not None or header.note == "replay"
        self.armed = recorder is not None  # waits for the first turn
        self._rested = rested
        self._rest_us: int | None = None
        self._rested_us = 0
        self._sweep = LiveSweep(job.rig, header, forward, KEPT_ROWS if records else _LITTLE)
        self._check = RigCheck(job.rig, header)
        self._contacts = Contacts(header.board.cpr)
        self._per_count = 360.0 / header.board.cpr
        self._pulses = 0
        self._progress: Progress | None = None
        self._touches = Touches()
        self._resting_mm: tuple[float, ...] = ()
        self._sign = job.rig.indicator_sign
        self._range: tuple[int, int] | None = None
        self.first: int | None = None
        self.crank = 0
        self.still = True
        self._tdc: tuple[Quantity, TdcFound] | None = None
        self._asked_tdc = (-1, -1)
        self.tdc_why = ""

    def touches(self) -> Touches:
        """Contacts with the piston stop."""
        return self._touches

    @property
    def turning_runs(self) -> list[int]:
        """Counts of each forward run."""
        return self._sweep.turning.runs

    @property
    def rows(self) -> int:
        """Rows so far."""
        return self.progress().rows

    def add(self, events: Sequence[Event]) -> None:
        """Record what came, then keep it until the next flush. CaptureError if it cannot be recorded.

        A recording begins with the first turn of the crank after a rest: until then hands may still be at the indicator.
        """
        if self.armed:
            events = self._from_first_turn(events)
        if self.recorder is not None:
            self.recorder.add(events)
        self._pending += events

    def _from_first_turn(self, events: Sequence[Event]) -> Sequence[Event]:
        for k, event in enumerate(events):
            if not isinstance(event, Sample | Heartbeat):
                continue
            if self._rest_us is not None and event.crank != self.crank:
                if self._rested or wrap_u32(event.time_us - self._rest_us) >= RESTED_US:
                    self.armed, self.first = False, None
                    return events[k:]
                self._rest_us = None
            if self._rest_us is None:
                self._rest_us = event.time_us
            self._rested_us = wrap_u32(event.time_us - self._rest_us)
            self.first = self.crank = event.crank
            steps = zip(event.lift, self.header.board.steps_mm, strict=True)
            self._resting_mm = tuple(lift * self._sign * step for lift, step in steps)
        return ()

    def flush(self) -> bool:
        """Take in what was kept. Whether there was anything."""
        if not self._pending:
            return False
        rows, pulses = _rows(self._pending, 4 + 2 * len(self.header.channels))
        self._pending = []
        self._pulses += len(pulses)
        if not len(rows):
            return False
        samples = self._sweep.add(rows, pulses)
        self._check.add(samples)
        self._contacts.add(samples.crank)
        self._touches, self._progress = self._contacts.touches(), None
        low, high = int(samples.crank.min()), int(samples.crank.max())
        self._range = (low, high) if self._range is None else (min(low, self._range[0]), max(high, self._range[1]))
        self.first = int(samples.crank[0]) if self.first is None else self.first
        self.crank = int(samples.crank[-1])
        self.still = bool(samples.still[-1])
        return True

    def progress(self) -> Progress:
        """Crank, lift, trace, as of the last flush."""
        if self._progress is None or self.armed:
            self._progress = self._sweep.progress()
            if self.armed and self._resting_mm:
                resting = replace(self._progress.crank, still_s=self._rested_us * 1e-6)
                self._progress = replace(self._progress, lift_mm=self._resting_mm, crank=resting)
        return self._progress

    def checked(self) -> Checked:
        """The rig as looked over so far."""
        return self._check.checked(self._sweep.pulses)

    def capture(self) -> Capture:
        """The newest rows."""
        return self._sweep.capture()

    def look_again(self) -> None:
        """Forget where the crank has been: what counts begins here."""
        self._range = None

    def passed(self, tdc: float) -> bool:
        """Whether the crank has gone well past TDC, from one side to the other, since `look_again`."""
        if self._range is None:
            return False
        beyond = _PASSED_DEG / self._per_count
        low, high = self._range[0] + beyond, self._range[1] - beyond
        cpr = self.header.board.cpr
        return high >= low and np.floor((high - tdc) / cpr) >= np.ceil((low - tdc) / cpr)

    def tdc(self, job: Job, found_by: Sequence[Capture]) -> tuple[Quantity, TdcFound] | None:
        """TDC as a count of this recording; None while it is not known, and then `tdc_why` says why."""
        asked = (len(found_by), self._pulses)
        if self._tdc is None and self.progress().rows and asked != self._asked_tdc:
            self._asked_tdc = asked
            try:
                self._tdc, self.tdc_why = tdc_of(job, found_by, self.capture(), self.forward), ""
            except DataError as error:
                self.tdc_why = str(error)
        return self._tdc

    @property
    def pulses(self) -> int:
        """Index pulses seen."""
        return self._pulses

    def deg(self, tdc: float | None) -> float | None:
        """The crank from TDC, (-180, 180]; without TDC, degrees turned since the first row. None before it."""
        if self.first is None:
            return None
        # A count at rest stands between two edges; one just taken, at the edge.
        here = self.crank + (0.5 if self.still else 0.0 if self.forward > 0 else 1.0)
        if tdc is None:
            return self.forward * (self.crank - self.first) * self._per_count
        turned = self.forward * (here - tdc) * self._per_count
        return -((-turned + 180.0) % 360.0 - 180.0)

    def close(self) -> None:
        """Close the capture file, if there is one."""
        if self.recorder is not None:
            self.recorder.close()


def _rows(events: Iterable[Event], width: int) -> tuple[Ints, Ints]:
    """Raw rows, shape (n, width), and index pulses (time, count), shape (k, 2)."""
    rows: list[tuple[int, ...]] = []
    pulses: list[tuple[int, int]] = []
    for event in events:
        if isinstance(event, Sample):
            rows.append(_row(event, 0))
        elif isinstance(event, Heartbeat):
            rows.append(_row(event, STILL))
        elif isinstance(event, Index):
            pulses.append((event.time_us, event.crank))
    return np.array(rows, np.int64).reshape(-1, width), np.array(pulses, np.int64).reshape(-1, 2)


def _row(row: Sample | Heartbeat, mark: int) -> tuple[int, ...]:
    if len(row.lift) == 1:
        return (row.seq, row.time_us, row.crank, row.flags & (STILL - 1) | mark, row.age_us[0], row.lift[0])
    (age1, age2), (lift1, lift2) = row.age_us, row.lift
    return (row.seq, row.time_us, row.crank, row.flags & (STILL - 1) | mark, age1, lift1, age2, lift2)
