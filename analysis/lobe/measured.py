"""One lobe's results: events, durations, centerlines and peak at the job's checking lifts, each with its uncertainty."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from analysis.base.quantity import Number, Quantity, expanded
from analysis.curve.bins import Pass
from analysis.curve.lift_curve import Curve
from analysis.curve.sweep import Sweep, Swept
from analysis.job import Job, Rig
from analysis.lobe.at_rest import at_rest
from analysis.lobe.causes import Causes, causes_of
from analysis.lobe.centroid import centroid
from analysis.lobe.events import CLOSING, OPENING, crossing
from analysis.lobe.peak import peak_quantities
from analysis.lobe.result import Event, Lobe
from analysis.lobe.rocker import HIDDEN_STEPS, at_indicator, checking_lift, ratio_of, valve_and_lobe
from analysis.lobe.slack import Backward, SlackByAngle, backward_readings, find_slack, slack_by_angle
from analysis.lobe.timing import centerline, duration

# How far below the peak, at the lobe, the equal lifts of the headline centerline are taken (0.050 in; common practice).
BELOW_PEAK_MM = 1.27
# The checking lift whose events make the event midpoint, or the nearest to it (0.050 in; common practice).
HEADLINE_MM = 1.27
# Where lash makes a corner, the curve begins at this share of the lowest checking lift.
FOOT_SHARE = 0.3


@dataclass(frozen=True)
class MeasuredLobe:
    """A lobe's results, the quantities behind them by name (deg, mm), the checking lifts that lash hides, what to read more from, and
    the slack by angle where there was backward motion.
    """

    lobe: Lobe
    quantities: dict[str, Quantity]
    hidden_mm: tuple[float, ...]
    swept: Swept
    causes: Causes
    slack_at: SlackByAngle | None = None


def number(quantity: Quantity) -> Number:
    """Value and 95 % expanded uncertainty."""
    return Number(quantity.value, expanded(quantity))


def foot_of(job: Job) -> float | None:
    """The lift at the indicator above which a curve is wanted, where lash makes a corner at the foot of the lift; else None."""
    rig = job.rig
    if rig.indicator_at == "lobe" or rig.lash_mm == 0.0:
        return None
    seen = [at_indicator(rig, lift, job.measure.checking_at) for lift in job.measure.checking_lifts_mm]
    return FOOT_SHARE * min((lift for lift in seen if lift > 0), default=1.0)


def measure_lobe(job: Job, swept: Swept, backward: Sequence[Sweep]) -> MeasuredLobe:
    """All numbers of one lobe. `backward`: captures that may hold backward motion over it, for the slack.

    Raises DataError if the sweep does not cover the lobe down to a checking lift.
    """
    rig, curve, at = job.rig, swept.curve, job.measure.checking_at
    causes = causes_of(rig, swept)
    peak_deg, peak_mm = peak_quantities(curve, causes)
    quantities: dict[str, Quantity] = {}
    events: list[Event] = []
    hidden: list[float] = []
    for lift in job.measure.checking_lifts_mm:
        seen = checking_lift(rig, lift, at, causes.name)
        if seen.value <= HIDDEN_STEPS * causes.step_mm:
            hidden.append(lift)
            continue
        opens = crossing(curve, seen, OPENING, peak_deg.value, causes).deg
        closes = crossing(curve, seen, CLOSING, peak_deg.value, causes).deg
        between = duration(opens, closes)
        events.append(Event(lift, at, number(opens), number(closes), number(between)))
        quantities |= {f"opens {lift:g}": opens, f"closes {lift:g}": closes, f"duration {lift:g}": between}
    by = _centerlines(rig, curve, causes, peak_deg, peak_mm, quantities, [e.lift_mm for e in events])
    quantities |= {"centerline": by["equal_lift"]} | {f"centerline by {key}": q for key, q in by.items()}
    quantities["peak lift"], lobe_peak = valve_and_lobe(rig, peak_mm, causes.name)
    slack, slack_at = _slack(rig, swept, backward, causes)
    latency = curve.latency
    lag = Quantity(latency.seconds * 1e3, {latency.source("latency"): latency.u * 1e3})
    lobe = Lobe(
        cylinder=job.measure.cylinder,
        valve=swept.valve,
        passes=len(whole_passes(swept.passes, curve)),
        peak_lift_mm=number(quantities["peak lift"]),
        peak_lobe_lift_mm=number(lobe_peak),
        centerline_deg=number(by["equal_lift"]),
        centerline_by={key: number(quantity) for key, quantity in by.items()},
        slack_deg=None if slack is None else number(slack),
        latency_ms=number(lag),
        events=tuple(events),
        at_rest=at_rest(swept, causes),
    )
    return MeasuredLobe(lobe, quantities, tuple(hidden), swept, causes, slack_at)


def whole_passes(passes: tuple[Pass, ...], curve: Curve) -> tuple[Pass, ...]:
    """The passes that cover the lobe from foot to foot without a hole of more than five degrees, or three readings of a gauge so slow
    that they are usually further apart.
    """
    lifted = curve.pooled_deg[curve.pooled_lift > 0.1]
    if lifted.size == 0:
        return ()
    low, high = float(lifted.min()), float(lifted.max())
    inside = [np.sort(p.deg[(p.deg > low) & (p.deg < high)]) for p in passes]
    apart = np.concatenate([np.diff(mine) for mine in inside])
    most = max(5.0, 3 * float(np.median(apart))) if apart.size else 5.0
    holes = (np.diff(mine, prepend=low, append=high).max() for mine in inside)
    return tuple(p for p, hole in zip(passes, holes, strict=True) if hole <= most)


def _centerlines(
    rig: Rig,
    curve: Curve,
    causes: Causes,
    peak_deg: Quantity,
    peak_mm: Quantity,
    quantities: dict[str, Quantity],
    lifts: list[float],
) -> dict[str, Quantity]:
    """The four centerlines. Without any visible event the equal-lift one stands in for the event midpoint."""
    below = ratio_of(rig, causes.name) * BELOW_PEAK_MM if rig.indicator_at == "valve" else Quantity(BELOW_PEAK_MM)
    # The level is as uncertain as ratio and peak are; what the peak's lift shares with the flanks drops out of the crossings.
    high = peak_mm - min(below, peak_mm * 0.2, key=lambda depth: depth.value)
    equal = centerline(*(crossing(curve, high, flank, peak_deg.value, causes).deg for flank in (OPENING, CLOSING)))
    headline = min(lifts, key=lambda lift: abs(lift - HEADLINE_MM), default=None)
    middle = equal
    if headline is not None:
        middle = centerline(quantities[f"opens {headline:g}"], quantities[f"closes {headline:g}"])
    area = centroid(curve, peak_deg.value, causes)
    return {"equal_lift": equal, "event_midpoint": middle, "centroid": area, "peak": peak_deg}


def _slack(
    rig: Rig, swept: Swept, backward: Sequence[Sweep], causes: Causes
) -> tuple[Quantity, SlackByAngle | None] | tuple[None, None]:
    """Slack from whatever backward motion over this lobe there is: one number, and by angle."""
    found = [backward_readings(rig, sweep, swept) for sweep in backward]
    if not found:
        return None, None
    together = Backward(*(np.concatenate([getattr(part, field.name) for part in found]) for field in fields(Backward)))
    slack = find_slack(swept.curve, together, causes)
    return (None, None) if slack is None else (slack, slack_by_angle(swept.curve, together, slack.value, causes))
