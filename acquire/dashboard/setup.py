"""What a station is set up for, and what it can know before the first frame."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from acquire.procedure.session import MET, Happened, Place, Plan, Session, taken_up
from acquire.procedure.steps import RIG, STOP, SWEEP, TRAVEL
from analysis.base.samples import Capture, Header
from analysis.job import Job


@dataclass(frozen=True)
class Setup:
    """What a station is set up for. `folder`: the job's, None to record nothing. `written`: the procedure so far.

    `found_by`: captures that found TDC before. `write` keeps what moves the session; `now` is the time it happened at.
    `asks` is told of each place that is begun, and again when a person has said what it asks for: a simulated hand goes by it.
    `replayed`: the header of a capture that is played again, which says what it is of; then there is no procedure.
    """

    job: Job
    plan: Plan
    folder: Path | None = None
    software: str = ""
    written: Sequence[Happened] = ()
    found_by: Sequence[Capture] = ()
    write: Callable[[Happened], None] = lambda _happened: None
    read: Callable[[Path], Capture] | None = None
    replayed: Header | None = None
    asks: Callable[[Place, bool], None] = lambda _place, _said: None


def begun(setup: Setup) -> Session:
    """Where the procedure begins: as it was left, or at the place that a capture played again belongs to."""
    if setup.replayed is None:
        return taken_up(setup.plan, setup.written)
    return Session(setup.plan, at=_played_at(setup.replayed))


def _played_at(header: Header) -> Place:
    """The place of the procedure that a capture belongs to."""
    if header.step in ("stop", "travel"):
        return Place(STOP if header.step == "stop" else TRAVEL)
    valves = [c for c in header.channels if c in ("intake", "exhaust")]
    return Place(SWEEP, "both" if len(valves) == 2 else valves[0] if valves else "intake")


def learned(job: Job, written: Sequence[Happened]) -> int | None:
    """The sign of counting in running direction, from the job or from a rig check before; None if it is not known yet."""
    if job.rig.direction != "auto":
        return 1 if job.rig.direction == "up" else -1
    seen = [h.reason for h in written if h.what == MET and h.place.step == RIG and h.reason in ("up", "down")]
    return (1 if seen[-1] == "up" else -1) if seen else None
