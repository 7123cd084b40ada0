"""`lobetrace capture`: one recording from a board into a job, closed cleanly however it ends."""

from __future__ import annotations

import asyncio
import sys
import time
from contextlib import aclosing
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Final

from acquire.cli import say
from acquire.cli.progress import line
from acquire.cli.status_line import LiveLine
from acquire.cli.until_told import until_told
from acquire.link.discovery import only_port
from acquire.link.outcomes import Broken
from acquire.link.reconnect import Connected, stream
from acquire.link.transport import open_pipe
from acquire.procedure.counts import Counts
from acquire.procedure.limits import Limits
from acquire.procedure.located_tdc import left_behind
from acquire.procedure.saved_session import read_session
from acquire.procedure.session import Place, Plan
from acquire.procedure.setup import Setup, tdc_headers
from acquire.procedure.station import Station
from acquire.procedure.steps import STOP, SWEEP, TRAVEL
from acquire.procedure.workers import IDLE_S
from analysis.base.errors import DeviceError, LobetraceError, UsageError
from analysis.base.safety import STOP as STOP_CAUTIONS
from analysis.base.safety import cautions
from analysis.base.samples import Board, Header
from analysis.base.version import version
from analysis.job import Job, load_job
from analysis.job.folder import folder_of, put_aside
from analysis.lobe.result_json import identity_json

_ONE_CONNECTION: Final = (
    "Many boards start anew whenever their port is opened; do everything in one connection: lobetrace live JOB. "
    "What else helps is in firmware-notes/bring-up.md, section 6."
)
_TRIES: Final = 20  # to find a lost board again: with the link's growing waits about half a minute


def place_of(step: str, valve: str | None, cylinder: int | None = None) -> Place:
    """The place of the procedure that is recorded. `valve` is "intake", "exhaust" or "both" for a sweep, else None: UsageError.

    `cylinder`: None for the job's own.
    """
    if step == "sweep" and valve is None:
        raise UsageError("a sweep needs to know its valve", do="Add --valve intake, exhaust or both")
    if step != "sweep" and valve is not None:
        raise UsageError(f"--valve has no meaning with --step {step}", do="Leave it out, or use --step sweep")
    return Place({"stop": STOP, "travel": TRAVEL, "sweep": SWEEP}[step], valve or "", cylinder or 0)


def run(job_path: Path, place: Place, port: str, limits: Limits, note: str, as_json: bool) -> None:
    """Show the cautions, record, and say what it came to."""
    job = load_job(job_path)
    _fitting(limits, place.step)
    if place.cylinder and place.cylinder not in job.engine.firing_order:
        there_are = ", ".join(map(str, sorted(job.engine.firing_order)))
        raise UsageError(f"the engine has no cylinder {place.cylinder}", where=str(job_path), do=f"Choose of: {there_are}")
    for caution in cautions(place.step):
        say.person(f"! {caution}")
    if limits == Limits():
        say.person("Ctrl-C ends the recording.")
    done = capture(folder_of(job_path), job, place, port, limits, note)
    if place.step == STOP:
        say.person(f"! {STOP_CAUTIONS[-1]}")
    if as_json:
        say.result_json(done.numbers(), "capture")
    else:
        say.result(str(done))


def _fitting(limits: Limits, step: str) -> None:
    """UsageError for a limit that a recording of this step never reaches: it would go on for ever."""
    for option, value, fits, other in (
        ("--contacts", limits.contacts, step == STOP, "stop"),
        ("--passes", limits.passes, step != STOP, "sweep"),
    ):
        if value is not None and not fits:
            raise UsageError(f"{option} has no meaning with --step {step}", do=f"Leave it out, or use --step {other}")


@dataclass(frozen=True)
class Captured:
    """What a recording came to: the file and its header, what it counts, what the link lost, and whether TDC was before it began."""

    path: Path
    header: Header
    counts: Counts
    lost: int
    refused: int
    reconnects: int
    tdc_lost: bool = False

    def numbers(self) -> dict[str, Any]:
        """For machines."""
        return {
            "capture": str(self.path),
            "rows": self.counts.rows,
            "lost": self.lost,
            "refused_bytes": self.refused,
            "reconnects": self.reconnects,
            "covered": round(self.counts.covered_deg / 720, 4),
            "passes": self.counts.passes,
            "turned_deg": round(self.counts.turned_deg, 3),
            "contacts": sum(self.counts.contacts),
            "contacts_by_side": list(self.counts.contacts),
            "tdc_lost": self.tdc_lost,
            "step": self.header.step,
            "cylinder": self.header.cylinder,
            **identity_json(self.header),
        }

    def __str__(self) -> str:
        low, high = self.counts.contacts
        did = f"{low} + {high} contacts" if self.header.step == STOP else f"{self.counts.passes} passes"
        return f"{self.path}: {self.counts.rows} rows, {self.lost} frames lost, {did}"


def capture(folder: Path, job: Job, place: Place, port: str, limits: Limits, note: str = "") -> Captured:
    """Record one capture into the job at `folder` until one of the `limits`, Ctrl-C or SIGTERM.

    Shows one live line meanwhile. `port` is the job's if empty, else the only one at which a board answers. Raises UsageError if
    there is none, LinkError or DeviceError if no board is there or it is lost for good; the capture is closed then as far as it went.
    """
    url = port or job.rig.port or asyncio.run(only_port(job.rig.baud, str(folder)))
    live = LiveLine(sys.stderr, time.monotonic)
    recording = Capturing(setup_of(job, folder, place, note), url, limits, live)
    try:
        asyncio.run(until_told(recording.read()))
    except LobetraceError:
        live.end()
        if recording.path and recording.kept is not None:
            say.person(f"{say.quoted(recording.path)} holds the {recording.kept} rows that came until then.")
        raise
    finally:
        live.end()
    return _with_rows(recording.captured())


def _with_rows(done: Captured) -> Captured:
    """What was captured. DeviceError without a row, and then the file is put aside, so that no result is made of it."""
    if done.counts.rows:
        return done
    aside = put_aside(done.path)
    came = f"{done.refused} bytes were refused" if done.refused else "not a byte came"
    do = "See what comes there with: lobetrace monitor PORT --raw"
    raise DeviceError(f"nothing was recorded: {came}, and no row among them", where=str(aside), do=do)


def setup_of(job: Job, folder: Path, place: Place, note: str = "") -> Setup:
    """A station for this one step of the job in `folder`; a rig check that was done there before knows the direction of rotation."""
    plan = Plan(valves=(place.valve or "intake",))
    software = f"lobetrace {version()}"
    return Setup(job, plan, folder=folder, software=software, written=read_session(folder), alone=place, note=note)


class Capturing:
    """The station of the live screen, with one line of text instead of a screen. `path` is None until a board has answered."""

    def __init__(self, setup: Setup, url: str, limits: Limits, live: LiveLine) -> None:
        self.path: Path | None = None
        self.header: Header | None = None
        self.counts = Counts()
        self.tdc_lost = False
        self.kept: int | None = None  # rows in the file, once it is closed; None if its path leads there no more
        self.station = Station(setup, time.monotonic)
        self._step, self._rig = setup.alone.step if setup.alone else "", setup.job.rig
        self._url, self._limits, self._live = url, limits, live

    async def read(self) -> None:
        """Record until a limit is reached, or until cancelled; either way the file gets its closing line.

        Raises the link's error if no board is there, or if it is lost and does not come back; DeviceError if the board has started
        again, so that a limit can no longer be reached.
        """
        opener = partial(open_pipe, dtr=self._rig.dtr, rts=self._rig.rts)
        try:
            async with aclosing(stream(self._url, self._rig.baud, idle_after=IDLE_S, opener=opener)) as outcomes:
                async for outcome in outcomes:
                    if isinstance(outcome, Connected) and outcome.same_count is None:
                        self._carried(outcome.hello.board)
                    self.station.take(outcome)
                    self.station.look()
                    self._look()
                    if isinstance(outcome, Broken) and (self.path is None or self.station.watch.tries > _TRIES):
                        raise outcome.error
                    self._live.show(lambda: line(self.station))
                    if self._limits.reached(self.counts):
                        break
                    self._reachable()
            self._live.show(lambda: line(self.station), now=True)
        except Exception as error:
            if not isinstance(error, LobetraceError):
                self.station.abandon()
            raise
        finally:
            self._look()
            recorder = None if self.station.recording is None else self.station.recording.recorder
            if recorder is not None:
                self.kept = recorder.rows if recorder.in_place else None
            self.station.close()

    def _carried(self, board: Board) -> None:
        """Warn at once, before anybody turns the crank for nothing, if TDC cannot be carried to this connection."""
        setup = self.station.setup
        if self._step != SWEEP or setup.folder is None:
            return
        if lost := left_behind(tdc_headers(setup.folder), board):
            self.tdc_lost = True
            say.person(f"! {lost} {_ONE_CONNECTION}")

    def captured(self) -> Captured:
        """What it came to. UsageError if no board had answered."""
        if self.path is None or self.header is None:
            do = "Wait for the live line"
            raise UsageError("ended before a board had answered: nothing was recorded", where=self._url, do=do)
        link = self.station.watch.state()
        lost = (link.lost, link.refused, self.station.reconnects, self.tdc_lost)
        return Captured(self.path, self.header, self.counts, *lost)

    def _look(self) -> None:
        recording = self.station.recording
        if recording is not None and recording.recorder is not None:
            self.path, self.header = recording.recorder.path, recording.recorder.header
            self.counts = recording.counts()

    def _reachable(self) -> None:
        recording = self.station.recording
        if self._limits.counted and recording is not None and recording.started_again:
            raise DeviceError(
                f"the board started again before the {self._limits.counted} were complete, and its count began anew",
                where=self._url,
                do="Check its power and its plug, then record again: only what came before counts",
            )
