"""How the link does: a dead reader must never look like a quiet engine."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Final

from acquire.connection import Batch, Broken, Ended
from acquire.dashboard.snapshot import DISCONNECTED, ENDED, FAILED, LIVE, STALLED, WAITING, LinkState
from acquire.wire import Damage, Fault, Hello

STALLED_AFTER: Final = 1.5  # seconds; a board that lives sends a frame a second
_OVER: Final = 2.0  # seconds over which the rate is taken


class LinkWatch:
    """Counts what comes, and says in one word how the link does. `clock` in seconds."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._state = WAITING
        self._arrived: float | None = None
        self._frames = self._lost = self._refused = 0
        self._past: deque[tuple[float, int]] = deque()
        self._tries = 0
        self.where = ""

    @property
    def alive(self) -> bool:
        """Whether frames come."""
        return self.state().state == LIVE

    @property
    def first_try(self) -> bool:
        """Whether the link has just been lost (and not once more)."""
        return self._tries == 1

    def connected(self, _hello: Hello) -> None:
        """A board answered."""
        self._state, self._tries = LIVE, 0
        self._arrived = self._clock()

    def batch(self, batch: Batch) -> None:
        """Frames came."""
        self._state, self._tries = LIVE, 0
        self._arrived = batch.arrived
        for event in batch.events:
            if isinstance(event, Damage):
                self._lost += event.lost
                self._refused += event.refused
            elif not isinstance(event, Hello | Fault):
                self._frames += 1
        if not self._past or self._clock() - self._past[-1][0] > 0.1:
            self._past.append((self._clock(), self._frames))
        while len(self._past) > 2 and self._clock() - self._past[0][0] > _OVER:
            self._past.popleft()

    def idle(self, _seconds: float) -> None:
        """Nothing came for a while; `state` says when that is too long."""

    def gone(self, outcome: Ended | Broken) -> None:
        """The link ended or broke."""
        self._tries += 1
        self._state = ENDED if isinstance(outcome, Ended) else DISCONNECTED

    def failed(self, worker: str) -> None:
        """Nothing can be taken any more."""
        self._state = FAILED
        self.where = worker

    def state(self) -> LinkState:
        """Now."""
        now = self._clock()
        age = None if self._arrived is None else max(0.0, now - self._arrived)
        state = STALLED if self._state == LIVE and age is not None and age > STALLED_AFTER else self._state
        rate = 0.0
        if state == LIVE and len(self._past) > 1:
            (then, before), (last, frames) = self._past[0], self._past[-1]
            rate = (frames - before) / (last - then) if last > then else 0.0
        return LinkState(state, self.where, rate, self._lost, self._refused, age)
