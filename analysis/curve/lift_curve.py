"""From the passes over one lobe to its lift curve: zeroed on the base circle, its indicator's lag taken out, smoothed, with
standard errors.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from analysis.base.errors import DataError
from analysis.base.samples import Bools, Floats
from analysis.base.selection import only
from analysis.crank.lag import Lag
from analysis.curve.base_circle import BaseCircle, find_base_circle
from analysis.curve.lag_estimate import CLUSTER_DEG, estimate_lag
from analysis.curve.points import Points, each_pass
from analysis.curve.pooling import Pooled, Scatter, pool, rounding, scatter_about
from analysis.curve.smoothing import Spline, fit_spline, fit_with_ramps

# How far beyond the ends of the lobe the curve is fitted, so that ramps and their foot are inside.
MARGIN_DEG = 25.0
HALF_LOBE_DEG = 170.0
# Fewer bins of a pass on the lobe than this count for nothing.
LEAST_BINS = 4
# Slopes (steps of the indicator a degree) at which it creeps over codes: a few of them, and less than half of one in a bin; how fast
# it may go over them where a bin has one reading only, if need be; how many bins tell the noise well, and how many at all.
CREEP, FASTER, ENOUGH_BINS, LEAST_CREEPING = (0.33, 2.5), (8.0, 25.0), 200, 30
# Rounds of fitting and taking the lag out: each leaves a few hundredths of what the one before left.
ROUNDS = 2
# A lag that moved by no more than this (s) would move by a thousandth of a degree in another round.
SETTLED_S = 1e-3


@dataclass(frozen=True)
class Curve:
    """The lift curve of one lobe at the indicator, over crank degrees from overlap TDC, and what it was made of.

    `points`: those of the lobe, above the base circle, the lag taken out, shape (n,); `pooled`: the same laid over each other, shape
    (b,), through which `spline` is fitted. `lag`: of the indicator, altogether. `noise_mm`: scatter of one reading beyond what the
    indicator's step makes. `foot`: readings beyond both ends of the spline, where lash makes a corner, laid over each other, shape
    (f,).
    """

    spline: Spline
    base: BaseCircle
    lag: Lag
    points: Points
    pooled: Pooled
    noise_mm: float
    foot: Pooled

    @cached_property
    def fitted(self) -> Floats:
        """The curve at the pooled readings, mm. Shape (b,)."""
        return self.spline.value(self.pooled.deg)

    @cached_property
    def slope(self) -> Floats:
        """Slope of the curve at the points, mm/deg. Shape (n,)."""
        return self.spline.looked_up(self.points.deg, 1)

    @cached_property
    def residual(self) -> Floats:
        """How far the points lie above the curve, mm. Shape (n,)."""
        return self.points.lift_mm - self.spline.looked_up(self.points.deg)

    @property
    def passes(self) -> int:
        """How many passes have points on the lobe."""
        return len(tuple(each_pass(self.points.pass_)))

    @property
    def flank_speed(self) -> float:
        """Mean speed (deg/s) where the flanks are steep: that is where a shift is read."""
        weight = self.pooled.weight * self.spline.value(self.pooled.deg, 1) ** 2
        return float(np.average(self.pooled.speed, weights=weight))

    def speed_at(self, deg: Floats | float) -> Floats:
        """Mean speed (deg/s) of the passes around angles, of the whole lobe where there is no reading near. Shape of `deg`."""
        at = np.asarray(deg)
        sums = np.cumsum(np.stack((self.pooled.weight, self.pooled.weight * self.pooled.speed)), axis=1)
        sums = np.concatenate((np.zeros((2, 1)), sums), axis=1)
        low = np.searchsorted(self.pooled.deg, at - CLUSTER_DEG, "right")
        high = np.searchsorted(self.pooled.deg, at + CLUSTER_DEG, "left")
        weight, speed = sums[:, high] - sums[:, low]
        return np.asarray(np.where(high > low, speed / np.where(high > low, weight, 1.0), self.pooled.speed.mean()))


def make_curve(
    points: Points, peak_deg: float, step_mm: float, stated: Lag, *, placed_s: float = 0.0, foot_mm: float | None = None
) -> Curve:
    """Zero, pool and fit the points of one lobe that peaks near `peak_deg` (crank degrees from overlap TDC).

    `step_mm`: one count of the indicator. `stated`: what is known of its lag before the data, whose own estimate is combined with it;
    `placed_s`: what of the lag the points are without already. With lash in, the valve's lift begins with a corner that no smooth
    curve follows: `foot_mm` is then the lift above which the curve is wanted, and readings below it are left out. Raises DataError
    without a base circle or without enough of the lobe.
    """
    base = find_base_circle(points, peak_deg, step_mm)
    points = _of_the_lobe(points, peak_deg)  # what is not of it is let go, which may be half a gigabyte
    points = lobe = replace(points, lift_mm=points.lift_mm - base.zero(points.pass_, points.deg))
    fit = _Fit.first(lobe, step_mm)
    if foot_mm is not None:
        lobe = _enough_of_each(lobe, _above_foot(lobe, fit.spline, peak_deg, foot_mm)) or lobe
        fit = _Fit.first(lobe, step_mm, fit.spline.log_smoothing)
    lag, stated = Lag(0.0, 0.0, 0.0), stated.later(-placed_s)
    for left in reversed(range(ROUNDS)):
        zero_u_mm = math.hypot(base.zero_u_mm(step_mm, _noise(fit.points, fit.spline, step_mm)), base.uneven_u_mm)
        found = estimate_lag(fit.points, fit.spline, fit.pooled, base, zero_u_mm)
        before, lag = lag, stated.combined(found and found.later(lag.seconds))
        last = left == 0 or abs(lag.seconds - before.seconds) < SETTLED_S
        fit = fit.again(lobe.without_lag(lag.seconds), step_mm, ramps=last)
        if last:
            break
    foot = pool(points.without_lag(lag.seconds), step_mm, rounding(step_mm))
    return Curve(
        spline=fit.spline,
        base=base,
        lag=lag.later(placed_s),
        points=fit.points,
        pooled=fit.pooled,
        noise_mm=_noise(fit.points, fit.spline, step_mm),
        foot=only(foot, (foot.deg < fit.spline.low) | (foot.deg > fit.spline.high)),
    )


@dataclass(frozen=True)
class _Fit:
    """Points as they were taken to lie, laid over each other, and the curve through them."""

    points: Points
    pooled: Pooled
    spline: Spline

    @classmethod
    def first(cls, points: Points, step_mm: float, near: float | None = None) -> _Fit:
        """Where nothing is known of the scatter. `near`: a log smoothing parameter to look about."""
        return cls._through(points, pool(points, step_mm, rounding(step_mm)), near)

    def again(self, points: Points, step_mm: float, *, ramps: bool) -> _Fit:
        """The same points elsewhere, weighed by how they scattered about this curve. `ramps`: with straight parts held straight."""
        scatter: Scatter = scatter_about(self.spline, self.pooled, rounding(step_mm))
        return self._through(points, pool(points, step_mm, scatter, self.spline), self.spline.log_smoothing, ramps)

    @classmethod
    def _through(cls, points: Points, pooled: Pooled, near: float | None, ramps: bool = False) -> _Fit:
        fit, low, high = fit_with_ramps if ramps else fit_spline, float(pooled.deg[0]), float(pooled.deg[-1]) + 1e-9
        return cls(points, pooled, fit(pooled.deg, pooled.lift_mm, pooled.weight, low, high, near))


def _of_the_lobe(points: Points, peak_deg: float) -> Points:
    """The points on the lobe and about it. DataError if there are none."""
    lobe = _enough_of_each(points, np.abs(points.deg - peak_deg) <= HALF_LOBE_DEG + MARGIN_DEG)
    if lobe is None:
        raise DataError("the sweep holds no reading of the lobe itself", do="Sweep the whole lobe in the direction of rotation")
    return lobe


def _enough_of_each(points: Points, mine: Bools) -> Points | None:
    """Some of the points, of passes that have at least `LEAST_BINS` of them; None if none has. `mine`: shape (n,)."""
    mine = mine & (np.bincount(points.pass_[mine], minlength=int(points.pass_.max()) + 1) >= LEAST_BINS)[points.pass_]
    return only(points, mine) if mine.any() else None


def _above_foot(lobe: Points, spline: Spline, peak_deg: float, foot_mm: float) -> Bools:
    """Which points lie between the angles at which a first curve leaves `foot_mm` and comes back to it. Shape (n,).

    By angle and not by each reading's own lift, which would choose readings by their errors.
    """
    grid = np.arange(spline.low, spline.high, 0.1)
    below = spline.value(grid) < foot_mm
    before, behind = grid[below & (grid < peak_deg)], grid[below & (grid > peak_deg)]
    first = before[-1] if before.size else spline.low
    last = behind[0] if behind.size else spline.high
    return np.asarray((lobe.deg >= first) & (lobe.deg <= last))


def _noise(points: Points, spline: Spline, step_mm: float) -> float:
    """Noise of one reading (mm) without what the indicator's step adds: scatter of single readings about the curve where the lift
    creeps over codes. There every phase of a step occurs, and neither a place nor the curve is wrong by enough to count. 0 where too
    little creeps, so that nothing is taken to be blurred.
    """
    slope = np.abs(spline.looked_up(points.deg, 1)) / step_mm
    creeps = (slope > CREEP[0]) & (slope < CREEP[1])
    for most in FASTER:
        if creeps.sum() < ENOUGH_BINS:
            creeps |= (slope > CREEP[0]) & (slope < most) & (points.n == 1)
    if creeps.sum() < LEAST_CREEPING:
        return 0.0
    points = only(points, creeps)
    pass_, n = points.pass_, points.n
    away = points.lift_mm - spline.looked_up(points.deg)
    # A pass's own level is its zero's doing, no scatter.
    level = np.bincount(pass_, n * away) / np.maximum(np.bincount(pass_, n), 1.0)
    spread = float(np.sum(n * ((away - level[pass_]) ** 2 + points.scatter2)) / np.sum(n))
    return float(np.sqrt(max(spread - step_mm * step_mm / 12, 0.0)))
