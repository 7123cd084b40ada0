"""What reading a source of frames comes to: a board's link (`connection`) or a recorded capture (`replay`).

A dead link never looks like a quiet one: besides a `Batch`, reading has three outcomes. `Idle`: nothing came for a while, the
link lives. `Ended`: a polite end. `Broken`: it was lost, or the board broke the protocol. The last two stay so.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

from acquire.wire import Event
from analysis.base.errors import LobetraceError, UsageError


@dataclass(frozen=True)
class Batch:
    """Events in the order they came, the count of raw bytes they came in, and when the last of those came (the clock passed in).

    An end may leave a last batch of no bytes: the damage that was not told yet. A batch may be without events: half a line.
    """

    events: tuple[Event, ...]
    size: int
    arrived: float


@dataclass(frozen=True)
class Idle:
    """Nothing came for so many seconds, and nothing is wrong with the link. A board that lives sends a frame a second."""

    seconds: float


@dataclass(frozen=True)
class Ended:
    """A polite end: the other side closed, or we did."""

    why: str


@dataclass(frozen=True)
class Broken:
    """The link could not be had, was lost, or the board broke the protocol."""

    error: LobetraceError


def broken_by(error: LobetraceError) -> Broken:
    """What a try to connect that failed comes out as. A misuse is raised again: no other try would end better."""
    if isinstance(error, UsageError):
        raise error
    return Broken(error)


Outcome: TypeAlias = Batch | Idle | Ended | Broken
