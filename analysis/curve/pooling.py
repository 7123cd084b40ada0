"""The passes over a lobe laid over each other, each reading weighed by how well its lift and its place are known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import nnls

from analysis.base.samples import Floats
from analysis.curve.points import Points
from analysis.curve.smoothing import Spline

# Fewer bins than this do not tell kinds of scatter apart; rounds of weighing each bin by what the round before found; and by how
# many standard deviations a bin may lie off to have its say.
LEAST_BINS, ROUNDS, FAR = 50, 4, 5.0


@dataclass(frozen=True)
class Scatter:
    """Where readings scatter from, as variances: `common` to all readings of a bin (mm^2: rounding that repeats), each reading's
    `own` (mm^2), and of the instant at which the crank passed an edge (`timing`, s^2: samples latched by time know it to a part of
    their period), which weighs with the square of slope x speed and is common to one pass's readings of a bin.
    """

    common: float
    own: float
    timing: float


def rounding(step_mm: float) -> Scatter:
    """What is taken before any curve is known: half of the indicator's rounding repeats, and each reading has as much of its own."""
    return Scatter(step_mm * step_mm / 12, step_mm * step_mm / 12, 0.0)


@dataclass(frozen=True)
class Pooled:
    """Means over all passes by bin, in order of angle. Shape (b,) each.

    `deg`: crank degrees from overlap TDC; `lift_mm` above the base circle; `speed` deg/s; `weight`: inverse variance, 1 for twice the
    variance of the indicator's rounding. `of_own` and `of_speed2`: what share of a reading's own variance, and of its speed squared,
    is in the mean.
    """

    deg: Floats
    lift_mm: Floats
    speed: Floats
    weight: Floats
    of_own: Floats
    of_speed2: Floats


def pool(points: Points, step_mm: float, scatter: Scatter, curve: Spline | None = None) -> Pooled:
    """Lay the passes over each other bin by bin. What the indicator's step does to a bin is the same in every pass, so it is not
    averaged away however many passes went over it. `step_mm`: one count of the indicator; `curve`: whose slope `scatter.timing` acts
    on.
    """
    bins = int(points.bin.max()) + 1
    bin_, n, speed = points.bin, points.n, points.speed
    variance = scatter.own / n
    shared = points.usual / n  # of the timing, which readings of a bin have in common: each counts alike (`local_mean_count`)
    if curve is not None and scatter.timing > 0.0:
        variance = variance + scatter.timing * (curve.looked_up(points.deg, 1) * speed) ** 2 * shared
    weight = 1.0 / variance
    sums = np.bincount(bin_, weights=weight, minlength=bins)
    filled = sums > 0
    sums = sums[filled]

    def mean(values: Floats) -> Floats:
        return np.asarray(np.bincount(bin_, weights=weight * values, minlength=bins)[filled] / sums)

    place = mean(points.deg)
    order = np.argsort(place, kind="stable")
    share = weight / sums[np.cumsum(filled)[bin_] - 1]
    columns = (
        place,
        mean(points.lift_mm),
        mean(speed),
        step_mm * step_mm / 6 / (scatter.common + 1.0 / sums),
        mean(share / n),
        mean(share * speed * speed * shared),
    )
    return Pooled(*(column[order] for column in columns))


def scatter_about(curve: Spline, pooled: Pooled, before: Scatter) -> Scatter:
    """The kinds of scatter that the pooled readings show about a curve through them: least squares of the squared distances, none
    below zero, each weighed by the variance that it is found to have. `before` if there is too little to tell.
    """
    away2 = (pooled.lift_mm - curve.value(pooled.deg)) ** 2
    if away2.size < LEAST_BINS:
        return before
    kinds = np.stack((np.ones_like(away2), pooled.of_own, pooled.of_speed2 * curve.value(pooled.deg, 1) ** 2), axis=1)
    found = np.array((before.common, before.own, before.timing))
    # Rounding that happens not to show leaves a thousandth of itself, so that no reading is taken for perfect.
    least = np.array((before.common / 1e3, before.own / 1e2, 0.0))
    for _ in range(ROUNDS):
        expected = kinds @ found
        near = away2 <= FAR**2 * max(1.0, float(np.mean(away2 / expected))) * expected
        size = expected[near]
        # Scaled to the order of one, column by column: mm^2 and s^2 are far apart.
        scaled = kinds[near] / size[:, None]
        unit = np.sqrt(np.mean(scaled**2, axis=0)) + 1e-300
        found = np.maximum(nnls(scaled / unit, away2[near] / size)[0] / unit, least)
    return Scatter(*(float(part) for part in found))
