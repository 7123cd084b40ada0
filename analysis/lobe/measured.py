"""One lobe's results: events, durations, centerlines and peak at the job's checking lifts, each with its uncertainty."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from analysis.base.quantity import Quantity
from analysis.base.selection import only
from analysis.curve.lift_curve import Curve
from analysis.curve.points import each_pass
from analysis.curve.sweep import Sweep, Swept
from analysis.job import Job, Rig
from analysis.lobe.at_rest import at_rest
from analysis.lobe.causes import Causes, causes_of
from analysis.lobe.centroid import centroid
from analysis.lobe.events import CLOSING, OPENING, crossing
from analysis.lobe.peak import peak_quantities
from analysis.lobe.result import Centerlines, Event, Lobe, headline, is_hidden, place_of
from analysis.lobe.rocker import at_indicator, checking_lift, ratio_of, valve_and_lobe
from analysis.lobe.slack import (
    Backward,
    Position,
    Reversal,
    SlackByAngle,
    backward_readings,
    find_slack,
    reversal_values,
    slack_by_angle,
)
from analysis.lobe.timing import centerline, duration

# How far below the peak, at the lobe, the equal lifts of the headline centerline are taken (0.050 in; common practice).
BELOW_PEAK_MM = 1.27
# Where lash makes a corner, the curve begins at this share of the lowest checking lift.
FOOT_SHARE = 0.3


def foot_of(job: Job) -> float | None:
    """The lift at the indicator above which a curve is wanted, where lash makes a corner at the foot of the lift; else None."""
    rig = job.rig
    if rig.indicator_at == "lobe" or rig.lash_mm == 0.0:
        return None
    seen = [at_indicator(rig, lift, job.measure.checking_at) for lift in job.measure.checking_lifts_mm]
    return FOOT_SHARE * min((lift for lift in seen if lift > 0), default=1.0)


def measure_lobe(job: Job, swept: Swept, backward: Sequence[Sweep]) -> Lobe:
    """All numbers of one lobe. `backward`: captures that may hold backward motion over it, for the slack.

    Raises DataError if the sweep does not cover the lobe down to a checking lift.
    """
    rig, curve, valve = job.rig, swept.curve, swept.valve
    causes = causes_of(rig, swept)
    peak_deg, peak_mm = peak_quantities(curve, causes)
    events, hidden = _events(job, swept, causes, peak_deg.value)
    at_the_valve, at_the_lobe = valve_and_lobe(rig, peak_mm)
    slack = _slack(rig, swept, backward, causes, events)
    lag = Quantity(curve.lag.seconds * 1e3, {curve.lag.source("latency"): curve.lag.u * 1e3}, "ms")
    return Lobe(
        cylinder=job.measure.cylinder,
        valve=valve,
        passes=whole_passes(curve),
        events=events,
        centerlines=_centerlines(rig, swept, causes, peak_deg, peak_mm, events),
        peak_lift=at_the_valve.labelled("mm"),
        peak_lobe_lift=at_the_lobe.labelled("mm"),
        slack=slack.whole,
        lag=lag,
        at_rest=at_rest(swept, causes),
        hidden_mm=hidden,
        job=job,
        swept=swept,
        causes=causes,
        slack_at=slack.at,
        reversal=slack.reversal,
    )


def _events(job: Job, swept: Swept, causes: Causes, peak_deg: float) -> tuple[tuple[Event, ...], tuple[float, ...]]:
    """The events at the job's checking lifts, and the lifts that the lash hides."""
    at, events, hidden = job.measure.checking_at, [], []
    for lift in job.measure.checking_lifts_mm:
        seen = checking_lift(job.rig, lift, at)
        if is_hidden(seen, causes):
            hidden.append(lift)
            continue
        opens, closes = (
            crossing(swept.curve, seen, flank, peak_deg, causes).deg.labelled("deg", place_of(swept.valve, flank))
            for flank in (OPENING, CLOSING)
        )
        events.append(Event(lift, at, opens, closes, duration(opens, closes)))
    return tuple(events), tuple(hidden)


def whole_passes(curve: Curve) -> int:
    """How many passes cover the lobe from foot to foot without a hole of more than five degrees, or three readings of a gauge so slow
    that they are usually further apart.
    """
    lifted = curve.pooled.deg[curve.pooled.lift_mm > 0.1]
    if lifted.size == 0:
        return 0
    low, high = float(lifted.min()), float(lifted.max())
    on_lobe = only(curve.points, (curve.points.deg > low) & (curve.points.deg < high))
    inside = [np.sort(on_lobe.deg[rows]) for rows in each_pass(on_lobe.pass_)]
    apart = np.concatenate([np.diff(mine) for mine in inside])
    most = max(5.0, 3 * float(np.median(apart))) if apart.size else 5.0
    return sum(bool(np.diff(mine, prepend=low, append=high).max() <= most) for mine in inside)


def _centerlines(
    rig: Rig, swept: Swept, causes: Causes, peak_deg: Quantity, peak_mm: Quantity, events: Sequence[Event]
) -> Centerlines:
    """The four centerlines. Without any visible event the equal-lift one stands in for the event midpoint."""
    curve = swept.curve
    below = ratio_of(rig) * BELOW_PEAK_MM if rig.indicator_at == "valve" else Quantity(BELOW_PEAK_MM)
    # The level is as uncertain as ratio and peak are; what the peak's lift shares with the flanks drops out of the crossings.
    high = peak_mm - min(below, peak_mm * 0.2, key=lambda depth: depth.value)
    equal = centerline(*(crossing(curve, high, flank, peak_deg.value, causes).deg for flank in (OPENING, CLOSING)))
    main = headline(events)
    middle = equal if main is None else centerline(main.opens, main.closes)
    area = centroid(curve, peak_deg.value, causes)
    return Centerlines(*(each.labelled("deg", f"{swept.valve} centerline") for each in (equal, middle, area, peak_deg)))


@dataclass(frozen=True)
class _Slack:
    """Slack as one number, by angle and at the events; nothing without backward motion."""

    whole: Quantity | None = None
    at: SlackByAngle | None = None
    reversal: tuple[Reversal, ...] = ()


def _slack(rig: Rig, swept: Swept, backward: Sequence[Sweep], causes: Causes, events: Sequence[Event]) -> _Slack:
    """Slack from whatever backward motion over this lobe there is."""
    found = [backward_readings(rig, sweep, swept) for sweep in backward]
    if not found:
        return _Slack()
    together = Backward(*(np.concatenate([getattr(part, field.name) for part in found]) for field in fields(Backward)))
    slack, curve = find_slack(swept.curve, together, causes), swept.curve
    if slack is None:
        return _Slack()
    positions = [
        Position(flank, event.lift_mm, event.at, deg.value)
        for event in events
        for flank, deg in (("opening", event.opens), ("closing", event.closes))
    ]
    return _Slack(
        slack.labelled("deg"),
        slack_by_angle(curve, together, slack.value, causes),
        reversal_values(curve, together, slack.value, positions, causes),
    )
