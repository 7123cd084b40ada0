"""What comes in one step: into the capture file first, then into what is counted and shown. No screen, no clock of its own.

This is the one place that counts contacts, passes, coverage and rows: the live screen and `lobetrace capture` both read them here.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from acquire.procedure.counts import Counts
from acquire.record.event_rows import row_of
from acquire.record.recorder import Recorder
from acquire.wire import Event, Index, LatchedFrame, wrap_u32
from analysis.base.errors import DataError
from analysis.base.quantity import Quantity
from analysis.base.samples import Capture, Header, Ints
from analysis.crank.segments import reachable
from analysis.job import Job
from analysis.live.buffer import KEPT_ROWS
from analysis.live.contacts import Contacts, ContactWatch
from analysis.live.coverage import LiveSweep, Progress
from analysis.live.partial import tdc_of
from analysis.live.rig_check import Checked, RigCheck
from analysis.live.trace import Trace
from analysis.tdc.stop import TdcFound

_LITTLE: Final = 1 << 12  # rows kept where nothing is worked out from them
RESTED_US: Final = 2_500_000  # longer than a hand rests between two pulls
_PASSED_DEG: Final = 5.0  # beyond TDC, so far, the crank has surely passed the place of a stop
_OVER_THE_TOP_DEG: Final = 50.0  # a forward run over the top is at least so long


class RecordedStep:
    """One recording, or a mere look without a recorder. `add` costs little and loses nothing; `flush` brings the counts up to date.

    `forward` is the sign of counting in the direction of rotation, None where only the data can tell. `waits`: the recording begins
    with the first turn of the crank after a rest, because hands may still be at the indicator until then; `rested`: that rest has
    been.
    """

    def __init__(
        self,
        job: Job,
        header: Header,
        forward: int | None,
        recorder: Recorder | None,
        *,
        waits: bool = True,
        rested: bool = False,
    ) -> None:
        self.header, self.recorder = header, recorder
        self._job, self._told_forward = job, forward
        self._pending: list[Event] = []
        self.armed = recorder is not None and waits  # waits for the first turn
        self._rested = rested
        self._rest_us: int | None = None
        self._rested_us = 0
        self._resting_mm: tuple[float, ...] = ()
        self._per_count = 360.0 / header.board.cpr
        self._before: Counts | None = None  # of what came before the board started again
        self._tdc: tuple[Quantity, TdcFound] | None = None
        self._asked_tdc = (-1, -1)
        self.tdc_why = ""
        self._begin()

    def _begin(self) -> None:
        header, job = self.header, self._job
        records = self.recorder is not None or header.note == "replay"
        self._sweep = LiveSweep(job.rig, header, self._told_forward, KEPT_ROWS if records else _LITTLE)
        self._check = RigCheck(job.rig, header)
        self._watch = ContactWatch(header.board.cpr)
        self._contacts = Contacts()
        self._progress: Progress | None = None
        self._pulses = 0
        self._range: tuple[int, int] | None = None
        self._bounds = (0, 0)
        self._times_us = (0, 0)
        self.first: int | None = None
        self.crank = 0
        self.still = True

    @property
    def forward(self) -> int:
        """The sign of counting in the direction of rotation, as told or as the data have it so far."""
        return self._sweep.forward

    @property
    def started_again(self) -> bool:
        """Whether the board started again meanwhile: what came since has another zero, and no result is made of it."""
        return self._before is not None

    def contacts(self) -> Contacts:
        """Contacts with the piston stop."""
        return self._contacts

    def counts(self) -> Counts:
        """What this has come to, as of the last flush; once the board has started again, what counts is what came before that."""
        now = self._counts()
        if self._before is None:
            return now
        began = self._before
        return replace(
            began,
            rows=began.rows + now.rows,
            furthest_deg=max(began.furthest_deg, now.furthest_deg),
            seconds=began.seconds + now.seconds,
            still_s=now.still_s,
        )

    def _counts(self) -> Counts:
        progress = self.progress()
        if self.first is None or self.armed:
            return Counts()
        low, high = self._bounds
        traces = self.traces()
        return Counts(
            rows=progress.rows,
            contacts=(len(self._contacts.low), len(self._contacts.high)),
            passes=self._crossings() if self.header.step == "travel" else min(trace.passes for trace in traces),
            flat_deg=min(trace.flat_deg for trace in traces),
            covered_deg=min(trace.covered_deg for trace in traces),
            turned_deg=(self.crank - self.first) * self._per_count,
            furthest_deg=max(high - self.first, self.first - low) * self._per_count,
            seconds=(self._times_us[1] - self._times_us[0]) / 1e6,
            still_s=progress.crank.still_s,
        )

    def _crossings(self) -> int:
        return sum(run * self._per_count >= _OVER_THE_TOP_DEG for run in self._sweep.turning.runs)

    def traces(self) -> tuple[Trace, ...]:
        """The traces of the indicators that stand on something; of the first, if none is known to."""
        stood_on = [k for k, channel in enumerate(self.header.channels) if channel != "unknown"] or [0]
        return tuple(self.progress().trace[k] for k in stood_on)

    def add(self, events: Sequence[Event]) -> None:
        """Record what came, then keep it until the next flush. CaptureError if it cannot be recorded."""
        if self.armed:
            events = self._from_first_turn(events)
        if self.recorder is not None:
            self.recorder.add(events)
        self._pending += events

    def starts_again(self) -> None:
        """The board started again while this goes on: rows are recorded as before, but what counts is what came until now."""
        self.flush()
        self._before = self.counts()
        self._begin()

    def _from_first_turn(self, events: Sequence[Event]) -> Sequence[Event]:
        for k, event in enumerate(events):
            if not isinstance(event, LatchedFrame):
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
            self._resting_mm = tuple(lift * self._job.rig.indicator_sign * step for lift, step in steps)
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
        crank = samples.crank[reachable(samples, self.header.board.cpr)]  # a spike is no turn
        self._watch.add(crank)
        self._contacts, self._progress = self._watch.contacts(), None
        low, high = int(crank.min()), int(crank.max())
        began, ended = int(samples.time_us[0]), int(samples.time_us[-1])
        if self.first is None:
            self.first = int(crank[0])
            self._bounds, self._times_us = (low, high), (began, ended)
        self._bounds = min(low, self._bounds[0]), max(high, self._bounds[1])
        self._times_us = self._times_us[0], ended
        self._range = (low, high) if self._range is None else (min(low, self._range[0]), max(high, self._range[1]))
        self.crank = int(crank[-1])
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

    def passed(self, tdc: float | None) -> bool:
        """Whether the crank has gone well past TDC, from one side to the other, since `look_again`. Where TDC is not known, a whole
        turn is sure to have passed it.
        """
        if self._range is None:
            return False
        beyond = _PASSED_DEG / self._per_count
        low, high = self._range[0] + beyond, self._range[1] - beyond
        cpr = self.header.board.cpr
        if tdc is None:
            return high - low >= cpr
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
    events = tuple(events)
    rows = [row_of(event) for event in events if isinstance(event, LatchedFrame)]
    pulses = [(event.time_us, event.crank) for event in events if isinstance(event, Index)]
    return np.array(rows, np.int64).reshape(-1, width), np.array(pulses, np.int64).reshape(-1, 2)
