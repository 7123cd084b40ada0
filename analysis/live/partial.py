"""The result of a sweep that is still going on, by the same code as `analyze`; before the lobe is whole, the events passed so far.

A result needs every reading placed anew once the indicator's lag is known, so it is worked out from the newest rows
(`analysis.live.buffer`), whose number is bounded, and only as often as the caller can afford.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from analysis.base.errors import DataError
from analysis.base.quantity import Quantity
from analysis.base.samples import Capture, Ints
from analysis.crank.motion import direction_of_rotation
from analysis.crank.segments import on_one_count
from analysis.curve.sweep import Sweep, Swept, read_sweep
from analysis.diagnosis.examine import examine
from analysis.job import Job
from analysis.lobe.causes import causes_of
from analysis.lobe.events import CLOSING, OPENING, crossing
from analysis.lobe.measured import foot_of
from analysis.lobe.peak import highest_so_far
from analysis.lobe.result import Measurement, place_of
from analysis.lobe.rocker import HIDDEN_STEPS, checking_lift
from analysis.measure import VALVES, find_tdc
from analysis.tdc.carrying import carry_tdc, fires_after, found_on
from analysis.tdc.stop import TdcFound

# An event counts as passed once the curve goes on so far behind it, degrees: the smoothing looks both ways.
PASSED_DEG: Final = 8.0
# About where events lie (common practice): only to tell overlap TDC from firing TDC while the lobe is not whole.
_USUAL: Final = {"intake": (-15.0, 230.0), "exhaust": (-235.0, 10.0)}


@dataclass(frozen=True)
class Passed:
    """An event that the sweep has passed: checking lift and where it holds, signed crank degrees; None for what is to come."""

    lift_mm: float
    at: str
    opens: Quantity | None
    closes: Quantity | None
    duration: Quantity | None


@dataclass(frozen=True)
class LiveResult:
    """`events` of each valve so far. `result` once every lobe is whole. `why`: what it waits for, else empty. `tdc` of a capture
    that finds it.
    """

    events: dict[str, tuple[Passed, ...]]
    result: Measurement | None
    why: str = ""
    tdc: TdcFound | None = None


def forward_of(job: Job, crank: Ints) -> int:
    """The sign of counting in direction of rotation: as the job says, or the way the count went further."""
    return {"up": 1, "down": -1}.get(job.rig.direction) or direction_of_rotation(crank)


def tdc_of(job: Job, found_by: Sequence[Capture], capture: Capture, forward: int) -> tuple[Quantity, TdcFound]:
    """TDC of the cylinder swept as a count of `capture`, to any whole number of turns, and how it was found, from the captures that
    found it.

    Raises DataError if there is none, or if it cannot be carried over and must be found again.
    """
    located = find_tdc(job, [*found_by, capture], forward)
    tdc = located.tdc.later(_after(job, found_by, capture), forward)
    return (tdc.count if located.source is None else carry_tdc(tdc, located.source, capture)[0]), tdc


def tdc_so_far(job: Job, capture: Capture, forward: int) -> LiveResult:
    """What a capture of the stop or of the piston's travel comes to so far."""
    try:
        return LiveResult({}, None, tdc=find_tdc(job, [capture], forward).tdc)
    except DataError as error:
        return LiveResult({}, None, str(error))


def result_so_far(job: Job, found_by: Sequence[Capture], capture: Capture) -> LiveResult:
    """What the sweep in `capture` comes to so far, TDC from the captures `found_by`. Data that say nothing yet make a `why`."""
    try:
        result = examine(job, [*found_by, capture], after_deg=_after(job, found_by, capture))
    except DataError as error:
        return _partly(job, found_by, capture, str(error))
    if result.refused:
        return _partly(job, found_by, capture, str(result.refused[0].error))
    events = {
        lobe.valve: tuple(Passed(e.lift_mm, e.at, e.opens, e.closes, e.duration) for e in lobe.events) for lobe in result.lobes
    }
    return LiveResult(events, result)


def _partly(job: Job, found_by: Sequence[Capture], capture: Capture, why: str) -> LiveResult:
    events = {}
    capture = on_one_count(capture)
    stood_on = capture.header.channels
    forward = forward_of(job, capture.samples.crank)
    for channel, valve in enumerate(stood_on):
        if valve not in VALVES:
            continue
        try:
            count, tdc = tdc_of(job, found_by, capture, forward)
            swept = read_sweep(job.rig, Sweep(capture, channel, valve, count, tdc, forward), foot_of(job))
            events[valve] = _passed(job, swept, valve)
        except DataError as error:
            why = str(error)
    return LiveResult(events, None, why)


def _after(job: Job, found_by: Sequence[Capture], capture: Capture) -> float:
    """Crank degrees by which TDC of the cylinder swept comes after that of the one on which it was found."""
    swept = capture.header.cylinder
    cylinder = swept if swept in job.engine.firing_order else job.measure.cylinder
    return fires_after(job, cylinder, found_on(job, found_by))


def _passed(job: Job, swept: Swept, valve: str) -> tuple[Passed, ...]:
    """The events that lie well inside what has been swept."""
    at, causes = job.measure.checking_at, causes_of(job.rig, swept)
    top = highest_so_far(swept.curve.spline)
    found = []
    for lift in job.measure.checking_lifts_mm:
        seen = checking_lift(job.rig, lift, at)
        if seen.value <= HIDDEN_STEPS * causes.step_mm:
            continue
        angles: list[Quantity | None] = []
        for flank, usual in zip((OPENING, CLOSING), _USUAL.get(valve, (0.0, 0.0)), strict=True):
            try:
                deg = crossing(swept.curve, seen, flank, top, causes).deg
            except DataError:
                angles.append(None)
                continue
            inside = swept.curve.spline.low + PASSED_DEG < deg.value < swept.curve.spline.high - PASSED_DEG
            turns = round((usual - deg.value) / 360.0)
            place = place_of("exhaust" if valve == "exhaust" else "intake", flank)
            angles.append((deg + 360.0 * turns).labelled("deg", place) if inside else None)
        if angles != [None, None]:
            found.append(Passed(lift, at, angles[0], angles[1], None))
    return tuple(found)
