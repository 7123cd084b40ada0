"""What a recording has come to so far, for the live line and for knowing when to end. No I/O, no clock but the board's."""

from __future__ import annotations

import math
from dataclasses import dataclass

from acquire.wire import Damage, Event, Heartbeat, Hello, Sample, wrap_i32, wrap_u32
from analysis.base.samples import Board

_CYCLE = 720  # whole degrees of a cam turn
_HOP_DEG = 5  # a wider hop between two samples leaves a hole in what is covered
_BACK_DEG = 20.0  # a contact counts once the crank has come back so far from it
_MOVED_DEG = 1.0


@dataclass(frozen=True)
class End:
    """When a recording ends by itself: at the first limit that is reached; without any, by hand only."""

    touches: int | None = None
    passes: int | None = None
    seconds: float | None = None
    until_still_s: float | None = None


class Progress:
    """Takes the link's events one by one. `board` is None before one has answered; all numbers are since the recording began."""

    def __init__(self) -> None:
        self.board: Board | None = None
        self.rows = self.lost = self.refused = self.reconnects = self.contacts = 0
        self.crank = 0  # the board's own count, as the last row gave it
        self.turned_deg = 0.0  # from where the recording began
        self.lift_mm: tuple[float, ...] = ()
        self.still_s = self.seconds = 0.0
        self.passes = 0.0
        self._fresh = True
        self._seen = bytearray(_CYCLE)
        self._time_us = 0
        self._far = self._near = 0.0  # degrees: the extremes since the last turning point ...
        self._way = 0  # ... and which way the crank has gone since: 1, -1, 0 before it is known
        self._furthest = 0.0

    @property
    def covered(self) -> float:
        """How much of the 720 degree cycle has been recorded, 0 to 1."""
        return sum(self._seen) / _CYCLE

    def connected(self, board: Board, *, same_count: bool, missed: int = 0) -> None:
        """A board has answered, at first or again; `same_count` and `missed` as the link says."""
        self.reconnects += self.board is not None
        self.lost += missed
        # If count and clock may have begun anew, the next row only says where they stand now.
        self._fresh = self._fresh or not same_count
        self.board = board

    def take(self, event: Event) -> None:
        """One event of the link."""
        match event:
            case Sample() | Heartbeat():
                if self.board:
                    self._row(event, self.board)
            case Hello() if event.restarted:
                self.connected(event.board, same_count=False)
            case Damage():
                self.lost += event.lost
                self.refused += event.refused
            case _:
                pass

    def reached(self, end: End) -> bool:
        """Whether a limit of `end` that the board can tell is reached."""
        return (
            (end.touches is not None and self.contacts >= end.touches)
            or (end.passes is not None and self.passes >= end.passes)
            or (end.seconds is not None and self.seconds >= end.seconds)
            or (end.until_still_s is not None and self._furthest >= _MOVED_DEG and self.still_s >= end.until_still_s)
        )

    def line(self) -> str:
        """The live line, at most 79 columns."""
        if self.board is None:
            return "waiting for the board"
        if not self.rows:
            return "the board has answered, nothing has come yet"
        lift = " ".join(f"{mm:.3f}" for mm in self.lift_mm)
        return (
            f"count {self.crank}, {self.turned_deg:+.1f} deg  lift {lift} mm  "
            f"covered {math.floor(100 * self.covered)} %  lost {self.lost}"
            + (f"  links {self.reconnects + 1}" if self.reconnects else "")
        )[:79]

    def _row(self, row: Sample | Heartbeat, board: Board) -> None:
        self.rows += 1
        self.lift_mm = tuple(lift * step for lift, step in zip(row.lift, board.steps_mm, strict=True))
        stepped = 0 if self._fresh else wrap_i32(row.crank - self.crank)
        passed_us = 0 if self._fresh else wrap_u32(row.time_us - self._time_us)
        self.crank, self._time_us, self._fresh = row.crank, row.time_us, False
        self.seconds += passed_us * 1e-6
        self.still_s = 0.0 if stepped else self.still_s + passed_us * 1e-6
        before, self.turned_deg = self.turned_deg, self.turned_deg + stepped * 360.0 / board.cpr
        self._furthest = max(self._furthest, abs(self.turned_deg))
        self.passes = self._furthest / _CYCLE
        self._cover(before, self.turned_deg)
        self._turning_point(self.turned_deg)

    def _cover(self, before: float, now: float) -> None:
        first, last = sorted((math.floor(before), math.floor(now)))
        if last - first > _HOP_DEG:
            first = last = math.floor(now)
        for degree in range(first, last + 1):
            self._seen[degree % _CYCLE] = 1

    def _turning_point(self, deg: float) -> None:
        """Where the crank turns back for good it has touched the stop."""
        self._near, self._far = min(self._near, deg), max(self._far, deg)
        if self._way >= 0 and self._far - deg >= _BACK_DEG:
            self.contacts += self._way > 0
            self._way, self._near = -1, deg
        elif self._way <= 0 and deg - self._near >= _BACK_DEG:
            self.contacts += self._way < 0
            self._way, self._far = 1, deg
