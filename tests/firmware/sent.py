"""What a board has sent, by kinds of frames."""

from __future__ import annotations

from dataclasses import dataclass

from acquire import wire


@dataclass(frozen=True)
class Sent:
    """Events as our reader has them, and what it counted."""

    events: list[wire.Event]
    counters: wire.Counters

    @property
    def samples(self) -> list[wire.Sample | wire.Heartbeat]:
        return [e for e in self.events if isinstance(e, wire.Sample | wire.Heartbeat)]

    @property
    def indexes(self) -> list[wire.Index]:
        return [e for e in self.events if isinstance(e, wire.Index)]

    @property
    def hellos(self) -> list[wire.Hello]:
        return [e for e in self.events if isinstance(e, wire.Hello)]

    def faults(self, word: str) -> list[int]:
        """The numbers of the faults of a kind."""
        return [e.number for e in self.events if isinstance(e, wire.Fault) and e.word == word]
