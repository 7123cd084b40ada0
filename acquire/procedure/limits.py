"""When a recording that stands alone ends by itself."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from acquire.procedure.counts import Counts

_MOVED_DEG: Final = 1.0


@dataclass(frozen=True)
class Limits:
    """A recording ends at the first of these that is reached; without any, by hand only.

    `contacts` with the piston stop, both sides together; `passes` as of `Counts`; `seconds` by the board's clock; `until_still_s`:
    seconds at rest, once the crank has moved.
    """

    contacts: int | None = None
    passes: int | None = None
    seconds: float | None = None
    until_still_s: float | None = None

    def reached(self, counts: Counts) -> bool:
        """Whether one of them is."""
        return (
            (self.contacts is not None and sum(counts.contacts) >= self.contacts)
            or (self.passes is not None and counts.passes >= self.passes)
            or (self.seconds is not None and counts.seconds >= self.seconds)
            or (self.until_still_s is not None and counts.furthest_deg >= _MOVED_DEG and counts.still_s >= self.until_still_s)
        )

    @property
    def counted(self) -> str:
        """What is waited for that a board which starts again makes unreachable, in words; empty if nothing is."""
        if self.contacts is not None:
            return f"{self.contacts} contacts"
        return "" if self.passes is None else f"{self.passes} passes"
