"""Rules about the lift curve itself: an asymmetric lobe, a lift that misses the cam card, passes that do not repeat, a gauge too
slow for the hand, a zero that wanders.
"""

from __future__ import annotations

import math

import numpy as np

from analysis.base.finding import DOUBT, NOTE
from analysis.base.samples import Floats
from analysis.curve.lift_curve import Curve
from analysis.diagnosis.rule import Seen, rule
from analysis.job import LobeSpec
from analysis.lobe.measured import whole_passes
from analysis.lobe.result import Lobe

# Midpoints further apart than this are no matter of taste which one is called the centerline (common practice: a degree).
ASYMMETRIC_DEG = 1.0
# A lift that misses the card by this share is no tolerance of grinding; it is a leaning indicator of seven degrees.
LIFT_SHARE = 0.008
# Nobody sets an indicator further off its axis than this without seeing it.
LEAN_DEG = 15.0
# Passes further apart than this do not repeat; four standard errors of a shift must be exceeded as well.
APART_DEG, SURE = 0.2, 4.0
# The curve needs a reading about every knot (two degrees).
NEEDED_DEG = 1.5
DRIFT_MM = 0.03
# What an angle read off the lobe is, and what follows from it.
ANGLES = ("{valve}.events", "{valve}.centerline", "cam")


@rule("unsymmetrical", NOTE, "{valve}.centerline")
def asymmetric(lobe: Lobe, valve: str) -> Seen | None:
    """A lobe whose centerline depends on the way in which it is found."""
    apart = lobe.centerlines.event_midpoint - lobe.centerlines.equal_lift
    if abs(apart.value) <= max(ASYMMETRIC_DEG, apart.u95):
        return None
    return Seen(
        f"The {valve} lobe is asymmetric: the midpoint of its events lies {abs(apart.value):.1f} degrees "
        f"{'after' if apart.value > 0 else 'before'} the midpoint of equal lifts near the nose.",
        "Its centerline depends on the method.",
        "Compare using the same centerline method as the cam card.",
    )


@rule("off-axis", NOTE, "{valve}.peak_lift")
def lift_misses_card(spec: LobeSpec, lobe: Lobe) -> Seen | None:
    """A peak lift that is not the cam card's."""
    for given, peak, place in ((spec.lobe_lift_mm, lobe.peak_lobe_lift, "lobe"), (spec.valve_lift_mm, lobe.peak_lift, "valve")):
        if given is None:
            continue
        found, off = peak.value, peak.value - given
        if abs(off) <= max(LIFT_SHARE * given, peak.u95):
            continue
        lean = math.degrees(math.acos(min(found, given) / max(found, given)))
        axis = f"the {'valve' if place == 'valve' else 'lifter'}'s axis"
        leans = f", or the indicator leans by {lean:.0f} degrees" if lean <= LEAN_DEG + 0.5 else ""
        return Seen(
            f"The lift at the {place} peaks at {found:.3f} mm, {100 * abs(off) / given:.1f} % {'more' if off > 0 else 'less'} than "
            f"the cam card's {given:g} mm.",
            f"The rocker ratio or the lash in job.toml is not what is fitted, the cam card is another camshaft's, "
            f"{'the lobe is worn' if off < 0 else 'the cam card gives the lift at another place'}{leans}.",
            f"Check ratio, lash and cam card, and set the plunger along {axis}.",
        )
    return None


def shifts_of_passes(curve: Curve) -> tuple[Floats, Floats]:
    """By how many degrees each pass runs late against the common curve, over the whole lobe, and its standard error. Shape
    (passes,); NaN for a pass with too little of both flanks.
    """
    s = curve.spline
    steepest = float(np.abs(s.value(np.arange(s.low, s.high, 1.0), 1)).max())
    late, error = [], []
    points = curve.points
    for number in np.unique(points.pass_):
        inside = (points.pass_ == number) & (points.deg > s.low) & (points.deg < s.high)
        slope, away = curve.slope[inside], curve.residual[inside]
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
        cells = max(4.0, float(np.ptp(points.deg[inside])) / 2.0)
        error.append(float(np.std(rest)) / math.sqrt(float(np.mean(slope**2)) * min(cells, slope.size)))
    return np.array(late), np.array(error)


@rule("encoder-loose", DOUBT, "tdc", *ANGLES)
def encoder_loose(lobe: Lobe, valve: str) -> Seen | None:
    """Passes that come later and later."""
    late = _apart(lobe)
    if late is None or not _one_way(lobe):
        return None
    return Seen(
        f"Pass after pass the {valve} lobe comes {'later' if late[-1] > late[0] else 'earlier'}, by {np.ptp(late):.2f} degrees "
        "altogether, and no index pulse shows it.",
        "The encoder slips on its coupling, or the indicator's stand or the cam gear moves.",
        "Tighten them, find TDC again, and sweep again: none of these angles can be trusted.",
    )


@rule("passes-apart", DOUBT, *ANGLES)
def passes_apart(lobe: Lobe, valve: str) -> Seen | None:
    """Passes that lie to and fro."""
    late = _apart(lobe)
    if late is None or _one_way(lobe):
        return None
    return Seen(
        f"The passes over the {valve} lobe lie {np.ptp(late):.2f} degrees apart, more than their scatter explains.",
        "A valve or lifter sticks, the indicator's stand is loose, or the timing chain jumps on its slack.",
        "Find which, and sweep again with an even hand.",
    )


def _apart(lobe: Lobe) -> Floats | None:
    """How late the passes come that can be told, degrees, if they do not repeat; else None."""
    late, error = _seen(lobe.swept.curve)
    if late.size < 2:
        return None
    lag = lobe.swept.curve.lag.u * float(np.ptp(lobe.swept.curve.pooled.speed))
    limit = max(APART_DEG, SURE * math.hypot(float(error.max()) * math.sqrt(2), lag))
    return late if float(np.ptp(late)) > limit else None


def _one_way(lobe: Lobe) -> bool:
    """Whether each pass comes later than the one before, or each earlier."""
    late, error = _seen(lobe.swept.curve)
    way, small = np.diff(late), SURE * float(error.max())
    return bool(np.all(way > -small) or np.all(way < small))


def _seen(curve: Curve) -> tuple[Floats, Floats]:
    late, error = shifts_of_passes(curve)
    told = ~np.isnan(late)
    return late[told], error[told]


@rule("too-fast", DOUBT, "{valve}", "cam")
def too_fast(lobe: Lobe, valve: str) -> Seen | None:
    """Too few readings for the curve."""
    swept, curve = lobe.swept, lobe.swept.curve
    lifted = curve.pooled.deg[curve.pooled.lift_mm > 0.05 * float(curve.pooled.lift_mm.max())]
    if lifted.size < 2:
        return None
    span = float(np.ptp(lifted))
    passes = max(whole_passes(swept.points, curve), 1)
    # Spaces between readings of all passes together, the widest tenth: hands do not turn evenly.
    space = float(np.quantile(np.diff(np.sort(lifted)), 0.9))
    if space <= 2 * NEEDED_DEG and lifted.size * NEEDED_DEG >= span:
        return None
    speed = float(np.average(curve.pooled.speed, weights=curve.pooled.weight))
    slower = speed * lifted.size * NEEDED_DEG / span / 2
    return Seen(
        f"There are {lifted.size} readings over the {span:.0f} degrees of the {valve} lobe in {passes} "
        f"pass{'es' if passes > 1 else ''}, up to {space:.1f} degrees apart; what lies between them is guessed.",
        "The crank was turned too fast for the indicator.",
        f"Turn slower, below {max(slower, 1.0):.0f} degrees a second, or sweep more often.",
    )


@rule("zero-drift", NOTE, "{valve}")
def zero_drift(lobe: Lobe, valve: str) -> Seen | None:
    """A zero that is not the same in the last pass."""
    drift, step = lobe.swept.curve.base.drift_mm, lobe.causes.step_mm
    if abs(drift) <= max(DRIFT_MM, 3 * step):
        return None
    return Seen(
        f"The zero on the base circle moved by {drift:+.3f} mm from the first pass over the {valve} lobe to the last. Each pass was "
        "measured from its own zero.",
        "The stand gives, the indicator warms up, or a hydraulic lifter fills.",
        "Find which before small lifts are relied on.",
    )
