"""The workers behind the screen: one reads, one works out results. Whatever ends one of them ends in one message."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncGenerator, Callable, Sequence
from contextlib import aclosing
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Final, TypeAlias

from acquire.link.outcomes import Outcome
from acquire.link.reconnect import Connected
from acquire.procedure.messages import WARNING
from acquire.procedure.recorded_step import RecordedStep
from acquire.procedure.session import Moved, Place, Session
from acquire.procedure.station import Station
from acquire.procedure.steps import DONE, RESULT, STOP, SWEEP, TRAVEL, ZERO
from analysis.base.errors import CaptureError, DataError
from analysis.base.samples import Capture
from analysis.capture import load
from analysis.decision.cylinders import measure_cylinder, swept_cylinders
from analysis.decision.decide import Decision, decide
from analysis.decision.recheck import Again, recheck
from analysis.job import Job
from analysis.job.folder import captures_before, captures_of
from analysis.live.partial import LiveResult, result_so_far, tdc_so_far

Source: TypeAlias = Callable[[], AsyncGenerator[Connected | Outcome, None]]


@dataclass(frozen=True)
class Whole:
    """What everything recorded comes to, and beside what was predicted if the timing set was moved."""

    decision: Decision
    again: tuple[Again, ...] = ()
    why: str = ""


Work: TypeAlias = Callable[[], LiveResult | Whole]

IDLE_S: Final = 0.25  # the recorder wants to be called so often
# A result that took a second is followed by so many seconds without, at most a fifteenth of one core, unless another pass or
# another step has come meanwhile.
_SHARE: Final = 14.0
_LEAST_S: Final = 0.8
_NEW_ROWS: Final = 60


class Workers:
    """Ties a source to a station. `clock` in seconds."""

    def __init__(self, station: Station, source: Source, *, clock: Callable[[], float] = time.monotonic) -> None:
        self.station = station
        self._source, self._clock = source, clock
        self._worked_rows = -1
        self._worked_for: Session | None = None  # that for which everything recorded was worked out last
        self.settled_at: Place | None = None  # the place for which everything recorded was worked out last

    async def read(self) -> None:
        """Take what the source gives until it ends or breaks. Ends in a message, never in silence."""
        station = self.station
        try:
            async with aclosing(self._source()) as outcomes:
                async for outcome in outcomes:
                    try:
                        station.take(outcome)
                    except CaptureError as error:
                        station.failed("recorder", error)
        except Exception as error:  # whatever it is, the person must hear of it
            station.failed("reader", error)

    async def work(self) -> None:
        """Work out results in a thread as data come, sparing the machine. Ends in a message if it breaks."""
        try:
            while True:
                began, recording, stood = self._clock(), self.station.recording, self._stands()
                if (work := self._wanted()) is not None:
                    self._found(await asyncio.to_thread(work), recording)
                again = self._clock() + _SHARE * (self._clock() - began)
                await asyncio.sleep(_LEAST_S)
                while self._stands() == stood and self._clock() < again:
                    await asyncio.sleep(_LEAST_S)
        except Exception as error:
            self.station.failed("results", error)

    def _stands(self) -> tuple[Place, int]:
        """The place in hand, and how many passes have come in it."""
        recording = self.station.recording
        return self.station.session.at, 0 if recording is None else recording.counts().passes

    def settle(self) -> None:
        """Work out now what is wanted, for whoever has no loop."""
        recording = self.station.recording
        if (work := self._wanted()) is not None:
            self._found(work(), recording)

    def _found(self, found: LiveResult | Whole, recording: RecordedStep | None) -> None:
        station = self.station
        if isinstance(found, Whole):
            station.decision, station.result, station.again = found.decision, found.decision.measured, found.again
            if found.why:
                station.say(WARNING, f"There is no re-check: {found.why}")
            self.settled_at = station.session.at
        elif station.recording is recording:
            station.live = found
        station.fits += 1

    def _wanted(self) -> Work | None:
        """What is to be worked out now, if anything has changed."""
        station, step = self.station, self.station.session.at.step
        if step in (RESULT, DONE):
            if station.session is self._worked_for or station.setup.folder is None:
                return None
            self._worked_for = station.session
            return partial(_of_job, station, station.setup.folder, station.session)
        self._worked_for = None
        recording = station.recording
        if recording is None or step not in (STOP, TRAVEL, ZERO, SWEEP):
            return None
        rows = recording.progress().rows
        if abs(rows - self._worked_rows) < _NEW_ROWS:
            return None
        self._worked_rows = rows
        if step in (STOP, TRAVEL):
            return partial(tdc_so_far, station.job, recording.capture(), recording.forward)
        if not recording.progress().forward_deg:
            return None
        return partial(result_so_far, station.job, station.located.found_by, recording.capture())


def _of_job(station: Station, folder: Path, session: Session) -> LiveResult | Whole:
    """What everything recorded comes to, of several cylinders that in hand, and at the end all of them; if old captures stand in the
    way, of what the procedure took last.
    """
    job = _as_it_stands(station.job, session.moved)
    captures = [load(path) for path in captures_of(folder)]
    if session.at.cylinder:
        captures = [c for c in captures if c.header.step != "sweep" or c.header.cylinder == session.at.cylinder]
    try:
        return _whole(job, captures, folder, session.moved)
    except DataError as error:
        why = str(error)
    sweeps = [c for c in captures if c.header.step == "sweep"][-1:]
    try:
        return _whole(job, [*station.located.found_by, *sweeps], folder, session.moved)
    except DataError:
        return LiveResult({}, None, why)


def _as_it_stands(job: Job, moved: Moved | None) -> Job:
    """The job with the timing set at the mark to which it was moved."""
    if moved is None or moved.position_deg is None:
        return job
    return job.model_copy(update={"timing_set": job.timing_set.model_copy(update={"position_deg": moved.position_deg})})


def _whole(job: Job, captures: Sequence[Capture], folder: Path, moved: Moved | None) -> Whole:
    """The decision, and the re-check of its first cylinder: the sweeps from before it, by the same TDC."""
    decision = decide(job, captures)
    before = [load(path) for path in captures_before(folder)] if moved else []
    cylinder = decision.job.measure.cylinder
    if moved is None or cylinder not in swept_cylinders(job, before):
        return Whole(decision)
    finders = [c for c in captures if c.header.step != "sweep"]
    try:
        measured = measure_cylinder(job, [*finders, *before], cylinder)
        return Whole(decision, recheck(measured, decision.measured, moved.advanced_deg))
    except DataError as error:
        return Whole(decision, why=str(error))
