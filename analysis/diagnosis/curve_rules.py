"""Rules about the lift curve itself: an asymmetric lobe, a lift that misses the cam card, passes that do not repeat, a gauge too
slow for the hand, a zero that wanders.
"""

from __future__ import annotations

import math

import numpy as np

from analysis.base.finding import DOUBT, NOTE
from analysis.base.words import Units, length, value
from analysis.curve.lift_curve import Curve
from analysis.curve.points import noise_of
from analysis.curve.repeats import FlankShifts, flank_shifts, step_in, trend_in
from analysis.curve.sweep import Swept
from analysis.curve.time_dependence import rate_on_base_circle, rate_on_lobe
from analysis.diagnosis.rule import Seen, rule
from analysis.job import LobeSpec
from analysis.lobe.measured import whole_passes
from analysis.lobe.result import Lobe

# Midpoints further apart than this are no matter of taste which one is called the centerline (common practice: a degree).
ASYMMETRIC_DEG = 1.5
# A lift that misses the card by this share is no tolerance of grinding; it is a leaning indicator of seven degrees.
LIFT_SHARE = 0.008
# Nobody sets an indicator further off its axis than this without seeing it.
LEAN_DEG = 15.0
# Passes further apart than this do not repeat; four standard errors of a shift must be exceeded as well.
APART_DEG, SURE = 0.2, 4.0
# What a step or a trend may leave of the sum of squares of the shifts, to be what moves them.
ONE_WAY = 0.35
# A lift may change from one point to the next by so much (mm, steps, noises) beyond so many times what it does beside; a hole in the
# readings is so wide (deg, times their usual space).
JUMP_MM, JUMP_STEPS, JUMP_NOISE, JUMP_TIMES = 0.04, 4.0, 6.0, 3.0
HOLE_DEG, HOLE_TIMES = 3.0, 8.0
# A zero that differs by more than this (mm, steps) between before the lobe and behind it from what it does in other passes.
ZERO_MM, ZERO_STEPS = 0.02, 2.0
# The curve needs a reading about every knot (two degrees).
NEEDED_DEG = 1.5
DRIFT_MM = 0.03


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
def lift_misses_card(spec: LobeSpec, lobe: Lobe, units: Units) -> Seen | None:
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
            f"The lift at the {place} peaks at {value(peak, units)} {units}, {100 * abs(off) / given:.1f} % "
            f"{'more' if off > 0 else 'less'} than the cam card's {length(given, units)} {units}.",
            f"The rocker ratio or the lash in job.toml is not what is fitted, the cam card is another camshaft's, "
            f"{'the lobe is worn' if off < 0 else 'the cam card gives the lift at another place'}{leans}.",
            f"Check ratio, lash and cam card, and set the plunger along {axis}.",
        )
    return None


@rule("bleed-down", DOUBT, "{valve}", explains=("foot-corner", "passes-apart", "zero-drift"))
def sinks(swept: Swept, valve: str) -> Seen | None:
    """A lift that depends on when it was read, on the lobe."""
    rate, zero = rate_on_lobe(swept), rate_on_base_circle(swept)
    if rate is None or not rate.told or (zero is not None and zero.told):
        return None
    return Seen(
        f"The lift of the {valve} valve {'falls' if rate.mm_s < 0 else 'grows'} by {abs(rate.mm_s):.4f} +/-{2 * rate.u:.4f} "
        "mm a second while the valve is open, wherever the crank stands.",
        "A hydraulic lifter bleeds down, or the indicator or its stand creeps.",
        "Use a solid checking lifter, or a stiffer stand; passes that are quicker make the error smaller, not none.",
    )


@rule("creep", DOUBT, "{valve}")
def creeps(swept: Swept, valve: str) -> Seen | None:
    """A zero that moves with time."""
    zero = rate_on_base_circle(swept)
    if zero is None or not zero.told:
        return None
    return Seen(
        f"With the {valve} valve closed the reading moves by {zero.mm_s:+.4f} +/-{2 * zero.u:.4f} mm a second.",
        "The indicator or its stand creeps, it warms up, or a hydraulic lifter sinks or fills: the zero drifts while the "
        "lobe is swept.",
        "Find which, let it come to rest, and sweep again.",
    )


@rule("encoder-loose", DOUBT, "tdc", "{valve}", "cam")
def encoder_loose(swept: Swept, curve: Curve, valve: str) -> Seen | None:
    """A lobe that comes later or earlier from some place on, or more and more: the count is not what it was."""
    shifts = _apart(curve)
    if shifts is None:
        return None
    (at, step, left), (way, bent) = step_in(shifts.late), trend_in(shifts.late)
    if min(left, bent) > ONE_WAY:
        return None
    do = "Tighten clamp and coupling, find TDC again, and sweep again: none of these angles can be trusted."
    if bent < left:
        return Seen(
            f"Pass after pass the {valve} lobe comes {'later' if way > 0 else 'earlier'}, by {abs(way):.2f} degrees "
            "altogether, and no index pulse shows it.",
            "The encoder slips on its coupling, or the indicator's stand or the cam gear moves.",
            do,
        )
    counts = abs(step) * swept.sweep.cpr / 360.0
    return Seen(
        f"From the {'opening' if shifts.flank[at] < 0 else 'closing'} flank of pass {shifts.pass_[at] - shifts.pass_[0] + 1} "
        f"on the {valve} "
        f"lobe comes {abs(step):.2f} degrees {'later' if step > 0 else 'earlier'} ({counts:.0f} counts), and no index pulse "
        "shows it.",
        "Counts were lost, the encoder slipped on its coupling, or the cam gear moved.",
        do,
    )


@rule("passes-apart", DOUBT, "{valve}", "cam")
def passes_apart(curve: Curve, valve: str) -> Seen | None:
    """Passes that lie to and fro."""
    shifts = _apart(curve)
    if shifts is None or min(step_in(shifts.late)[2], trend_in(shifts.late)[1]) <= ONE_WAY:
        return None
    return Seen(
        f"The passes over the {valve} lobe lie {np.ptp(shifts.late):.2f} degrees apart, more than their scatter explains.",
        "A valve or lifter sticks, the indicator's stand is loose, or the timing chain jumps on its slack.",
        "Find which, and sweep again with an even hand.",
    )


def _apart(curve: Curve) -> FlankShifts | None:
    """How late the flanks of the passes come, if they do not repeat; else None."""
    shifts = flank_shifts(curve)
    if np.unique(shifts.pass_).size < 2:
        return None
    between, faster = (np.abs(np.subtract.outer(each, each)) for each in (shifts.late, shifts.speed))
    limit = SURE * np.sqrt(np.add.outer(shifts.u**2, shifts.u**2) + (curve.lag.u * faster) ** 2)
    return shifts if (between > np.maximum(APART_DEG, limit)).any() else None


@rule("lift-jumps", DOUBT, "{valve}")
def lift_jumps(lobe: Lobe, curve: Curve, valve: str) -> Seen | None:
    """A place in a pass at which the lift changes faster than any flank of the lobe."""
    points = curve.points
    if points.deg.size < 9:
        return None
    deg, lift = points.deg, points.lift_mm
    # Where a hand comes to rest a reading's place is known to a count and no better.
    wide, way = np.maximum(np.abs(np.diff(deg)), 360.0 / lobe.swept.sweep.cpr), np.diff(lift)
    # What the curve does from one point to the next it does much alike over the one step, and the two, before and behind.
    one, two = np.abs(way) / wide, np.abs(lift[2:] - lift[:-2]) / (wide[1:] + wide[:-1])
    usual = np.max([one[1:-3], one[3:-1], two[:-3], two[3:]], axis=0) * wide[2:-2]
    before, behind = (np.stack([lift[k + on : lift.size - 5 + k + on] for k in range(3)]).mean(axis=0) for on in (0, 3))
    jump = np.minimum(np.abs(way[2:-2]), 2 * np.abs(behind - before))  # a spike comes back
    most = max(JUMP_MM, JUMP_STEPS * lobe.causes.step_mm, JUMP_NOISE * max(noise_of(points), curve.noise_mm))
    beyond = jump - most - JUMP_TIMES * usual
    beyond[points.pass_[5:] != points.pass_[:-5]] = -1.0
    at = int(np.argmax(beyond))
    if beyond[at] <= 0.0:
        return None
    return Seen(
        f"At {deg[at + 3]:.0f} degrees the lift of the {valve} valve jumps by {jump[at]:.2f} mm within {wide[at + 2]:.1f} "
        "degrees, which no lobe makes.",
        "The valve or lifter sticks and lets go, the plunger catches, the indicator's stand gives, or contact with the valve "
        "is lost.",
        "Free it, or set the indicator anew, and sweep again.",
    )


@rule("zero-moved", DOUBT, "{valve}")
def zero_moved(lobe: Lobe, curve: Curve, valve: str) -> Seen | None:
    """A zero that is another behind the lobe than before it, in one pass and not in the others."""
    apart = curve.base.after - curve.base.before
    known = np.flatnonzero(~np.isnan(apart))
    if known.size < 2:
        return None
    off = apart[known] - float(np.median(apart[known]))
    at = int(np.argmax(np.abs(off)))
    if abs(off[at]) <= max(ZERO_MM, ZERO_STEPS * lobe.causes.step_mm):
        return None
    return Seen(
        f"In pass {known[at] + 1} over the {valve} lobe the zero moved by {off[at]:+.3f} mm between before the lobe and "
        "behind it, and in the others it did not.",
        "The indicator or its stand was knocked or gave, or its zero was pressed, while the valve was open.",
        "Make it fast, and sweep again, hands off.",
    )


@rule("readings-missing", DOUBT, "{valve}", "cam")
def hole(curve: Curve, swept: Swept, valve: str) -> Seen | None:
    """A part of the lobe of which no pass has readings."""
    deg, lift = curve.pooled.deg, curve.pooled.lift_mm
    lifted = lift > 0.02 * float(lift.max())
    if lifted.sum() < 9:
        return None
    # A hole counts as soon as one of its ends is on the lobe: the foot may lie within it.
    space = np.where(lifted[1:] | lifted[:-1], np.diff(deg), 0.0)
    at = int(np.argmax(space))
    if space[at] <= max(HOLE_DEG, HOLE_TIMES * float(np.median(np.diff(deg[lifted])))):
        return None
    lost = sum(gap.lost for gap in swept.sweep.capture.gaps)
    cause = (
        f"Frames were lost while it was recorded ({lost} in all)."
        if lost
        else "The board sent nothing there, or readings were rejected."
    )
    return Seen(
        f"Between {deg[at]:.0f} and {deg[at + 1]:.0f} degrees of the {valve} lobe there is no reading in any pass; what lies between "
        "is guessed.",
        cause,
        "Sweep again, or once more over the lobe.",
    )


@rule("too-fast", DOUBT, "{valve}", "cam")
def too_fast(lobe: Lobe, valve: str) -> Seen | None:
    """Too few readings for the curve."""
    curve = lobe.swept.curve
    lifted = curve.pooled.deg[curve.pooled.lift_mm > 0.05 * float(curve.pooled.lift_mm.max())]
    if lifted.size < 2:
        return None
    span = float(np.ptp(lifted))
    passes = max(whole_passes(curve), 1)
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
