"""From the station to one frozen picture."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from acquire.dashboard.snapshot import Asked, Curve, Snapshot
from acquire.procedure.recorded_step import RecordedStep
from acquire.procedure.session import MET, Facts, Happened, Place, after, is_met, needs, places
from acquire.procedure.station import Station
from acquire.procedure.steps import (
    CAUTIONS,
    COVERED_DEG,
    CROSSINGS,
    RESULT,
    RIG,
    SAID,
    STEPS,
    STOP,
    SWEEP,
    TRAVEL,
    ZERO,
    Need,
)
from analysis.base.words import MM_PER
from analysis.job import DurationSpec, Job
from analysis.live.trace import BASE_CIRCLE_DEG, Trace
from analysis.lobe.rocker import at_indicator
from analysis.report.sentences import listed

# About where lobes peak (common practice): to tell overlap TDC from firing TDC before there is a result.
_PEAKS: Final = {"intake": 107.0, "exhaust": -110.0, "unknown": 107.0}
_BELOW_MM: Final = 1.0  # no base circle has readings so far below it


def snapshot_of(station: Station) -> Snapshot:
    """A picture's worth of everything."""
    job, session, recording = station.job, station.session, station.recording
    facts = station.facts()
    order = places(session.plan)
    asked = tuple(_asked(need, facts, job) for need in needs(session))
    if station.setup.replayed is not None:
        asked = tuple(a for a in asked if a.unit)
    link = station.watch.state()
    picture = Snapshot(
        job=job,
        place=_shown_at(station),
        number=order.index(session.at) + 1 if session.at in order else 1,
        of=len(order),
        needs=asked,
        said=station.said,
        result=station.result if session.at.step == RESULT or station.live is None else station.live.result or station.result,
        decision=station.decision,
        again=station.again,
        cylinder=session.at.cylinder or job.measure.cylinder,
        to_measure=_to_measure(station),
        tdc=None if station.live is None else station.live.tdc,
        waiting_for="" if station.live is None else station.live.why,
        goes_on=after(session, Happened(MET, session.at)).at.title if session.at.step == CAUTIONS and session.done else "",
        link=link,
        messages=station.messages.current(),
        overrides=tuple(f"{each.place.title}: {each.reason}" for each in session.overrides),
        played=station.setup.replayed is not None,
        fits=station.fits,
    )
    return picture if recording is None else _with_data(picture, station, recording)


def _shown_at(station: Station) -> Place:
    """The place in hand; where several cylinders are measured, the steps that find TDC say on which."""
    session = station.session
    if session.plan.cylinders and session.at.step in (STOP, TRAVEL):
        return session.at._replace(cylinder=station.job.measure.cylinder)
    return session.at


def _to_measure(station: Station) -> str:
    """ "cylinder 1, intake and exhaust"."""
    plan = station.session.plan
    cylinders = plan.cylinders or (station.job.measure.cylinder,)
    valves = ("intake", "exhaust") if plan.valves == ("both",) else plan.valves
    return f"cylinder{'s' * (len(cylinders) > 1)} {listed(cylinders)}, {' and '.join(valves)}"


def _with_data(picture: Snapshot, station: Station, recording: RecordedStep) -> Snapshot:
    tdc = station.tdc_count()
    progress, crank = recording.progress(), recording.progress().crank
    valve = picture.place.valve
    channel = _channel(recording, valve)
    trace = _from_base(progress.trace[channel])
    curve, shift = None, None
    if picture.place.step in (ZERO, SWEEP):
        stood_on = recording.header.channels[channel]
        shift = _shift(trace, tdc, recording, stood_on)
        curve = Curve(stood_on, trace, shift or 0.0, _marks(station.job, stood_on))
    zeroed = picture.place.step in (ZERO, SWEEP) and trace.flat_deg >= BASE_CIRCLE_DEG
    lift = progress.lift_mm[channel] - (trace.zero_mm if zeroed else 0.0)
    per_count = 360.0 / recording.header.board.cpr
    live = station.live
    recorder = recording.recorder
    return replace(
        picture,
        deg=recording.deg(tdc),
        tdc_known=tdc is not None,
        lift_mm=lift if recording.first is not None else None,
        zeroed=zeroed,
        way=crank.way,
        armed=recording.armed,
        back_up=(picture.place.step in (ZERO, SWEEP) and crank.way < 0) or _hung(picture, crank.engaged, crank.way),
        to_go_deg=crank.to_go * per_count,
        cursor=None if shift is None or recording.first is None else _wrapped(crank.position * per_count + shift),
        curve=curve,
        events=() if live is None or curve is None else live.events.get(curve.valve, ()),
        counts=recording.counts(),
        forward=0 if picture.place.step == RIG and station.job.rig.direction == "auto" else recording.forward,
        contacts=recording.contacts(),
        waiting_for=_waits_for(station, recording, tdc, picture.waiting_for),
        link=replace(
            picture.link, file="" if recorder is None else recorder.path.name, rows=0 if recorder is None else recorder.rows
        ),
    )


def _waits_for(station: Station, recording: RecordedStep, tdc: float | None, why: str) -> str:
    """What the step in hand waits for: first what has not come yet, and only then what is wrong with what has come (`why`)."""
    step, counts = station.session.at.step, recording.counts()
    if STEPS[step].asks and not station.said and station.setup.replayed is None:
        return ""
    if tdc is None and station.located.holds(recording.header) and not recording.checked().pulses:
        return "Top dead center is carried over by the index pulse: keep turning until it has passed."
    if step in (ZERO, SWEEP) and counts.covered_deg < COVERED_DEG:
        return f"Waiting for the whole cycle: {counts.covered_deg:.0f} of 720 crank degrees seen so far."
    if step == TRAVEL and counts.passes < CROSSINGS:
        return f"Waiting for the piston to go forward over the top: {counts.passes} of {CROSSINGS} times so far."
    return why or recording.tdc_why


def _asked(need: Need, facts: Facts, job: Job) -> Asked:
    """A need with what there is of it; a length in the units of the job."""
    have, least, unit = facts.get(need.key, 0.0), need.least, need.unit
    if unit == "mm":
        per, unit = MM_PER[job.measure.units], job.measure.units
        have, least = have / per, round(least / per, 2)
    return Asked(need.words(job.rig.direction), have, least, unit, is_met(need, facts), need.key == SAID)


def _from_base(trace: Trace) -> Trace:
    """The trace, its level only if it is the base circle's: a level well below which there are readings is the nose of the lobe."""
    return replace(trace, flat_deg=0.0, zero_mm=np.nan) if trace.swing_mm < -_BELOW_MM else trace


def _hung(picture: Snapshot, engaged: bool, way: int) -> bool:
    return picture.place.step in (ZERO, SWEEP) and way > 0 and not engaged


def _channel(recording: RecordedStep, valve: str) -> int:
    """The channel that is drawn: that of the valve; of two, the one whose lobe is being lifted."""
    if valve != "both" or len(recording.header.channels) < 2:
        return 0
    progress = recording.progress()
    open_mm = [
        lift - (0.0 if np.isnan(t.zero_mm) else t.zero_mm) for lift, t in zip(progress.lift_mm, progress.trace, strict=True)
    ]
    return int(np.argmax(open_mm))


def _shift(trace: Trace, tdc: float | None, recording: RecordedStep, valve: str) -> float | None:
    """Degrees to add to a position's angle to get crank degrees from overlap TDC; None while TDC is not known."""
    if tdc is None:
        return None
    at_tdc = -recording.forward * tdc * 360.0 / recording.header.board.cpr
    high = np.where(np.isnan(trace.high), -np.inf, trace.high)
    if np.isfinite(high).any() and abs(trace.swing_mm) > 1.0:
        peak = float(np.argmax(high)) / 2
        # Of the two TDCs of the cycle, the one from which this lobe peaks where such lobes do.
        off = _wrapped(peak + at_tdc - _PEAKS[valve])
        if abs(off) > 180.0:
            at_tdc += 360.0
    return at_tdc


def _wrapped(deg: float) -> float:
    return (deg + 360.0) % 720.0 - 360.0


def _marks(job: Job, valve: str) -> tuple[tuple[float, float], ...]:
    """Where the specification's events lie: crank degrees, and lift at the indicator."""
    rows: tuple[DurationSpec, ...] = job.specification.of(valve).duration
    return tuple(
        (deg, at_indicator(job.rig, row.lift_mm, row.at)) for row in rows for deg in (row.opens, row.closes) if deg is not None
    )
