"""How a link does, in numbers: frames a second, what was lost and refused, how old the newest frame is. No I/O, clock passed in."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final

from acquire.wire import Damage, Event

OVER: Final = 2.0  # seconds over which the rate is taken
_STEP: Final = 0.1  # seconds between two of the counts that it is taken from


@dataclass(frozen=True)
class Health:
    """`frames_s` lately; since the beginning: `frames`, frames `lost` and `late`, bytes `refused`, `losses` of the link.

    `age_s`: since the newest frame came; None before the first.
    """

    frames_s: float = 0.0
    frames: int = 0
    lost: int = 0
    late: int = 0
    refused: int = 0
    losses: int = 0
    age_s: float | None = None

    def line(self) -> str:
        """In words, at most 110 columns."""
        age = "nothing has come yet" if self.age_s is None else f"newest {self.age_s:.2f} s ago"
        return (
            f"{self.frames_s:.1f} frames/s, {age}; {self.frames} frames, {self.lost} lost, {self.late} out of order, "
            f"{self.refused} bytes refused" + (f", link lost {self.losses}x" if self.losses else "")
        )


class HealthWatch:
    """Takes what a link hands out. `clock` in seconds, the one that timed the arrivals."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._frames = self._lost = self._late = self._refused = self._losses = 0
        self._arrived: float | None = None
        self._past: deque[tuple[float, int]] = deque()

    def came(self, events: Iterable[Event], arrived: float) -> None:
        """Events that came together, and when."""
        before = self._frames
        for event in events:
            if isinstance(event, Damage):
                self._lost += event.lost
                self._late += event.late
                self._refused += event.refused
            else:
                self._frames += 1
        if self._frames == before:
            return
        if not self._past:
            self._past.append((arrived, before))
        elif arrived - self._past[-1][0] >= _STEP:
            self._past.append((arrived, self._frames))
        self._arrived = arrived

    def gone(self) -> None:
        """The link was lost."""
        self._losses += 1
        self._past.clear()

    def now(self) -> Health:
        """The numbers at this moment."""
        at = self._clock()
        while len(self._past) > 1 and at - self._past[1][0] >= OVER:
            self._past.popleft()
        rate = 0.0
        if self._past and self._arrived is not None and at - self._arrived < OVER:
            since, count = self._past[0]
            # Over at least a tenth of a second: a first batch came in no time at all. Silence pulls the rate down.
            rate = (self._frames - count) / max(at - since, _STEP)
        age = None if self._arrived is None else max(0.0, at - self._arrived)
        return Health(rate, self._frames, self._lost, self._late, self._refused, self._losses, age)
