"""How the link does: a dead reader must never look like a quiet engine."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from acquire.link.health import HealthWatch
from acquire.link.outcomes import Batch, Broken, Ended
from acquire.wire import Damage, Hello

# States of the link.
WAITING, LIVE, STALLED, DISCONNECTED, ENDED, FAILED = "waiting", "live", "stalled", "disconnected", "ended", "failed"
STALLED_AFTER: Final = 1.5  # seconds; a board that lives sends a frame a second


@dataclass(frozen=True)
class LinkState:
    """`frames_s`: frames a second lately; `age_s` of the newest frame (None before the first); `file` being recorded, if any."""

    state: str = WAITING
    where: str = ""
    frames_s: float = 0.0
    lost: int = 0
    refused: int = 0
    age_s: float | None = None
    file: str = ""
    rows: int = 0


class LinkWatch:
    """Says in one word how the link does; what has come is counted by `HealthWatch`. `clock` in seconds."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._health = HealthWatch(clock)
        self._state = WAITING
        self._tries = 0
        self.where = ""

    @property
    def alive(self) -> bool:
        """Whether frames come."""
        return self.state().state == LIVE

    @property
    def tries(self) -> int:
        """How often it was lost, or not found again, since a board answered last."""
        return self._tries

    def connected(self, hello: Hello, missed: int = 0) -> None:
        """A board answered; `missed` frames were sent since it was lost."""
        self._state, self._tries = LIVE, 0
        self._health.came((Damage(missed, 0, 0), hello), self._clock())

    def batch(self, batch: Batch) -> None:
        """Frames came."""
        self._state, self._tries = LIVE, 0
        self._health.came(batch.events, batch.arrived)

    def gone(self, outcome: Ended | Broken) -> None:
        """The link ended or broke."""
        self._tries += 1
        self._state = ENDED if isinstance(outcome, Ended) else DISCONNECTED
        self._health.gone()

    def failed(self, worker: str) -> None:
        """Nothing can be taken any more."""
        self._state = FAILED
        self.where = worker

    def state(self) -> LinkState:
        """Now."""
        health = self._health.now()
        late = health.age_s is not None and health.age_s > STALLED_AFTER
        state = STALLED if self._state == LIVE and late else self._state
        rate = health.frames_s if state == LIVE else 0.0
        return LinkState(state, self.where, rate, health.lost, health.refused, health.age_s)
