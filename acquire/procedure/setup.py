"""What a station is set up for, and what it can know before the first frame."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from acquire.procedure.saved_session import read_session, write_session
from acquire.procedure.session import CHOSEN, MET, Happened, Place, Plan, Session, taken_up
from acquire.procedure.steps import RIG, STOP, SWEEP, TRAVEL
from analysis.base.errors import LobetraceError
from analysis.base.samples import Capture, Header
from analysis.capture import header_of, load
from analysis.job import Job
from analysis.job.folder import captures_of


@dataclass(frozen=True)
class Setup:
    """What a station is set up for. `folder`: the job's, None to record nothing. `written`: the procedure so far.

    `found_by`: captures that found TDC before. `write` keeps what moves the session; `now` is the time it happened at.
    `asks` is told of each place that is begun, and again when a person has said what it asks for: a simulated hand goes by it.
    There is no procedure in two cases: `alone`, one step recorded by itself, for which everything has been set up by hand, with a
    `note` for its header; and `replayed`, the header of a capture that is played again, which says what it is of.
    """

    job: Job
    plan: Plan
    folder: Path | None = None
    software: str = ""
    written: Sequence[Happened] = ()
    found_by: Sequence[Capture] = ()
    write: Callable[[Happened], None] = lambda _happened: None
    read: Callable[[Path], Capture] | None = None
    alone: Place | None = None
    note: str = ""
    replayed: Header | None = None
    asks: Callable[[Place, bool], None] = lambda _place, _said: None

    @property
    def guided(self) -> bool:
        """Whether the procedure goes on from step to step."""
        return self.alone is None and self.replayed is None


def setup_for(job: Job, folder: Path, plan: Plan, software: str) -> Setup:
    """A job's folder as it was left: the procedure so far, and what found TDC."""

    def write(happened: Happened) -> None:
        write_session(folder, happened, datetime.now().astimezone().isoformat(timespec="seconds"))

    written, found_by = read_session(folder), tdc_captures(folder)
    return Setup(job, plan, folder=folder, software=software, written=written, found_by=found_by, write=write, read=load)


def tdc_captures(folder: Path) -> list[Capture]:
    """The newest capture of the piston stop and of the piston's travel in a job's folder."""
    found: dict[str, Capture] = {}
    for path in captures_of(folder):
        with suppress(LobetraceError):  # a capture that cannot be read finds nothing; analyze says why
            capture = load(path)
            if capture.header.step in ("stop", "travel"):
                found[capture.header.step] = capture
    return list(found.values())


def tdc_headers(folder: Path) -> list[Header]:
    """The headers of the newest capture of the piston stop and of the piston's travel, in the order they were taken."""
    found: dict[str, Header] = {}
    for path in captures_of(folder):
        with suppress(LobetraceError):
            header = header_of(path)
            if header.step in ("stop", "travel"):
                found.pop(header.step, None)
                found[header.step] = header
    return list(found.values())


def begun(setup: Setup) -> Session:
    """Where the procedure begins: as it was left, or at the one place that is recorded alone or played again."""
    if setup.alone is not None:
        return Session(setup.plan, at=setup.alone)
    if setup.replayed is not None:
        return Session(setup.plan, at=_played_at(setup.replayed))
    session = taken_up(setup.plan, setup.written)
    if set(session.plan.cylinders) <= set(setup.job.engine.firing_order):
        return session
    return taken_up(setup.plan, [each for each in setup.written if each.what != CHOSEN])  # job.toml was changed since


def direction_of_rotation(setup: Setup) -> int | None:
    """The sign of counting in the direction of rotation: as the job says, else as the last rig check found it.

    None if neither is there: then each recording goes by the way in which its count went further altogether.
    """
    if setup.job.rig.direction != "auto":
        return 1 if setup.job.rig.direction == "up" else -1
    seen = [h.reason for h in setup.written if h.what == MET and h.place.step == RIG and h.reason in ("up", "down")]
    return (1 if seen[-1] == "up" else -1) if seen else None


def _played_at(header: Header) -> Place:
    """The place of the procedure that a capture belongs to."""
    if header.step in ("stop", "travel"):
        return Place(STOP if header.step == "stop" else TRAVEL)
    valves = [c for c in header.channels if c in ("intake", "exhaust")]
    return Place(SWEEP, "both" if len(valves) == 2 else valves[0] if valves else "intake")
