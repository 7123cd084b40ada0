"""When the bell sounds: at the end of a step, at each contact with the piston stop and at each pass."""

from __future__ import annotations

from typing import NamedTuple

from acquire.procedure.station import Station
from acquire.procedure.steps import STOP, SWEEP, TRAVEL, ZERO


class Heard(NamedTuple):
    """What has been counted so far: ends of steps, and contacts or passes of the step in hand."""

    ended: int = 0
    counted: int = 0

    def rings(self, now: Heard) -> bool:
        """Whether anything has come since. Counts that begin anew in another recording are no news."""
        return now.ended != self.ended or now.counted > self.counted


def heard(station: Station) -> Heard:
    """What there is now."""
    step, recording = station.session.at.step, station.recording
    if recording is None or step not in (STOP, TRAVEL, ZERO, SWEEP):
        return Heard(station.ended)
    counts = recording.counts()
    return Heard(station.ended, sum(counts.contacts) if step == STOP else counts.passes)
