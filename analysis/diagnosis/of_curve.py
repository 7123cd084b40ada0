"""What the lift curve itself gives away: a lobe ground unsymmetrical, an indicator that leans, a coupling that slips, passes that
do not repeat, a gauge too slow for the hand, a zero that wanders.
"""

from __future__ import annotations

import math

import numpy as np

from analysis.base.finding import Caution
from analysis.base.quantity import combine, expanded
from analysis.base.samples import Floats
from analysis.curve.lift_curve import Curve
from analysis.diagnosis import named
from analysis.job import Job, LobeSpec
from analysis.lobe.measured import MeasuredLobe, whole_passes

# Midpoints further apart than this are no matter of taste which one is called the centerline (common practice: a degree).
UNSYMMETRICAL_DEG = 1.0
# A lift that misses the card by this share is no tolerance of grinding; it is a leaning indicator of seven degrees.
LIFT_SHARE = 0.008
# Passes further apart than this do not repeat; four standard errors of a shift must be exceeded as well.
APART_DEG, SURE = 0.2, 4.0
# The curve needs a reading about every knot (two degrees).
NEEDED_DEG = 1.5
DRIFT_MM = 0.03


def about_curve(job: Job, lobe: MeasuredLobe) -> list[Caution]:
    """Everything of the kind. Nothing for a sound rig."""
    spec = job.specification.intake if lobe.swept.valve == "intake" else job.specification.exhaust
    return [
        *_about_symmetry(lobe),
        *named(lobe.swept.valve, _about_lean(spec, lobe)),
        *_about_passes(lobe),
        *_about_speed(lobe),
        *_about_drift(lobe),
    ]


def _about_symmetry(lobe: MeasuredLobe) -> list[Caution]:
    high, low = (lobe.quantities[f"centerline by {way}"] for way in ("equal_lift", "event_midpoint"))
    apart = combine((1.0, low), (-1.0, high))
    if abs(apart.value) <= max(UNSYMMETRICAL_DEG, expanded(apart)):
        return []
    text = (
        f"The {lobe.swept.valve} lobe is unsymmetrical: the middle between its events lies {abs(apart.value):.1f} degrees "
        f"{'after' if apart.value > 0 else 'before'} the middle between equal lifts near the nose. "
        "Centerlines found in different ways "
        "differ so too: compare with the card by the way in which the card's own was found."
    )
    return [Caution("unsymmetrical", text)]


def _about_lean(spec: LobeSpec, lobe: MeasuredLobe) -> list[Caution]:
    for given, found, place in (
        (spec.lobe_lift_mm, lobe.lobe.peak_lobe_lift_mm, "lobe"),
        (spec.valve_lift_mm, lobe.lobe.peak_lift_mm, "valve"),
    ):
        if given is None:
            continue
        off = found.value - given
        if abs(off) <= max(LIFT_SHARE * given, found.u95):
            continue
        share = min(found.value, given) / max(found.value, given)
        text = (
            f"The lift at the {place} peaks at {found.value:.3f} mm, {100 * abs(off) / given:.1f} % "
            f"{'more' if off > 0 else 'less'} than the "
            f"card's {given:g} mm: an indicator that leans by {math.degrees(math.acos(share)):.0f} degrees reads "
            "so. Set its plunger along the "
            f"{'valve' if place == 'valve' else 'lifter'}'s axis; if it stands so, check rocker ratio and lash in "
            "job.toml, and the card."
        )
        return [Caution("off-axis", text)]
    return []


def shifts_of_passes(curve: Curve) -> tuple[Floats, Floats]:
    """By how many degrees each pass runs late against the common curve, over the whole lobe, and its standard error. Shape
    (passes,); NaN for a pass with too little of both flanks.
    """
    s = curve.spline
    steepest = float(np.abs(s.value(np.arange(s.low, s.high, 1.0), 1)).max())
    late, error = [], []
    for x, (pull, off) in zip(curve.pass_deg, curve.along, strict=True):
        inside = (x > s.low) & (x < s.high)
        slope, away = pull[inside], off[inside]
        rise, fall = (int((side * slope > 0.3 * steepest).sum()) for side in (1, -1))
        if min(rise, fall) < 5:
            late.append(math.nan)
            error.append(math.nan)
            continue
        # What a zero of its own would do to the pass is taken off, so that it is no shift.
        design = np.column_stack((-slope, np.ones_like(slope)))
        best, *_ = np.linalg.lstsq(design, away, rcond=None)
        rest = away - design @ best
        late.append(float(best[0]))
        # Scatter hangs together over a degree or two: cells of two degrees count, not readings.
        cells = max(4.0, float(np.ptp(x[inside])) / 2.0)
        error.append(float(np.std(rest)) / math.sqrt(float(np.mean(slope**2)) * min(cells, slope.size)))
    return np.array(late), np.array(error)


def _about_passes(lobe: MeasuredLobe) -> list[Caution]:
    curve = lobe.swept.curve
    late, error = shifts_of_passes(curve)
    seen = ~np.isnan(late)
    late, error = late[seen], error[seen]
    if late.size < 2:
        return []
    lag = curve.latency.u * float(np.ptp(curve.pooled_speed))
    apart = float(np.ptp(late))
    if apart <= max(APART_DEG, SURE * math.hypot(float(error.max()) * math.sqrt(2), lag)):
        return []
    way = np.diff(late)
    small = SURE * float(error.max())
    if np.all(way > -small) or np.all(way < small):
        text = (
            f"Pass after pass the {lobe.swept.valve} lobe comes {'later' if late[-1] > late[0] else 'earlier'}, "
            f"by {apart:.2f} degrees "
            "altogether, and no index pulse shows it: the encoder slips on its coupling, or the indicator's "
            "stand or the camshaft's wheel "
            "moves. Fasten them, find TDC again, and sweep again: none of these angles can be trusted."
        )
        return [Caution("encoder-loose", text)]
    text = (
        f"The passes over the {lobe.swept.valve} lobe lie {apart:.2f} degrees apart, more than their "
        "readings' scatter explains: a valve or "
        "lifter that sticks, a loose stand, or a chain that jumps on its slack. Find which, and sweep again "
        "with an even hand."
    )
    return [Caution("passes-apart", text)]


def _about_speed(lobe: MeasuredLobe) -> list[Caution]:
    swept, curve = lobe.swept, lobe.swept.curve
    lifted = curve.pooled_deg[curve.pooled_lift > 0.05 * float(curve.pooled_lift.max())]
    if lifted.size < 2:
        return []
    span = float(np.ptp(lifted))
    passes = max(len(whole_passes(swept.passes, curve)), 1)
    # Spaces between readings of all passes together, the widest tenth: hands do not turn evenly.
    space = float(np.quantile(np.diff(np.sort(lifted)), 0.9))
    if space <= 2 * NEEDED_DEG and lifted.size * NEEDED_DEG >= span:
        return []
    speed = float(np.average(curve.pooled_speed, weights=curve.pooled_weight))
    slower = speed * lifted.size * NEEDED_DEG / span / 2
    text = (
        f"Turned too fast for the indicator: {lifted.size} readings over the {span:.0f} degrees of the {swept.valve} lobe in "
        f"{passes} pass{'es' if passes > 1 else ''}, up to {space:.1f} degrees apart; what lies between them "
        "is guessed. Turn slower, below "
        f"{max(slower, 1.0):.0f} degrees a second, or sweep more often."
    )
    return [Caution("too-fast", text)]


def _about_drift(lobe: MeasuredLobe) -> list[Caution]:
    drift, step = lobe.swept.curve.base.drift_mm, lobe.causes.step_mm
    if abs(drift) <= max(DRIFT_MM, 3 * step):
        return []
    text = (
        f"The zero on the base circle wandered by {drift:+.3f} mm from the first pass over the "
        f"{lobe.swept.valve} lobe to the last. Each "
        "pass was measured from its own zero; but look for a stand that gives, an indicator that warms up, "
        "or a lifter that fills."
    )
    return [Caution("zero-drift", text)]
