"""How a recording goes, in one line. What is counted comes from the station, as on the live screen."""

from __future__ import annotations

import math
from typing import Final

from acquire.procedure.link_state import DISCONNECTED, STALLED, WAITING
from acquire.procedure.station import Station
from analysis.base.words import reading

_CYCLE_DEG: Final = 720
WIDTH: Final = 79


def line(station: Station) -> str:
    """The live line, at most 79 columns."""
    link = station.watch.state()
    if link.state == WAITING:
        return "waiting for the board"
    if link.state == DISCONNECTED:
        return f"the link is lost, trying to find it again ({station.watch.tries})"
    if link.state == STALLED:
        return f"nothing from the board for {link.age_s or 0.0:.0f} s"
    recording = station.recording
    counts = None if recording is None else recording.counts()
    if recording is None or counts is None or not counts.rows:
        return "the board has answered, nothing has come yet"
    if recording.started_again:
        return f"THE BOARD STARTED AGAIN: only what came before counts, {_did(station)}"[:WIDTH]
    units = station.job.measure.units
    lift = " ".join(reading(mm, units) for mm in recording.progress().lift_mm)
    links = f"  links {station.reconnects + 1}" if station.reconnects else ""
    return (
        f"count {recording.crank}, {counts.turned_deg:+.1f} deg  lift {lift} {units}  {_did(station)}  lost {link.lost}{links}"
    )[:WIDTH]


def _did(station: Station) -> str:
    """What counts for the result: contacts of each side of the stop, or how much of the cycle, and how often."""
    assert station.recording is not None
    counts = station.recording.counts()
    if station.recording.header.step == "stop":
        return f"contacts {counts.contacts[0]} + {counts.contacts[1]}"
    covered = f"covered {math.floor(100 * counts.covered_deg / _CYCLE_DEG)} %  " if counts.covered_deg else ""
    return f"{covered}passes {counts.passes}"
