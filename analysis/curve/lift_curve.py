"""From the passes over one lobe to its lift curve: zeroed on the base circle, its indicator's lag taken out, smoothed, with
standard errors.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from analysis.base.errors import DataError
from analysis.base.samples import Floats
from analysis.base.selection import only
from analysis.crank.lag import Latency
from analysis.curve.base_circle import BaseCircle, find_base_circle
from analysis.curve.bins import Pass
from analysis.curve.pooling import Pooled, looked_up, pool, rounding, scatter_about
from analysis.curve.smoothing import Spline, fit_spline, fit_with_ramps

# How far beyond the ends of the lobe the curve is fitted, so that ramps and their foot are inside.
MARGIN_DEG = 25.0
HALF_LOBE_DEG = 170.0
# Cells over which the scatter about the curve is taken as one independent piece of evidence on the latency.
CLUSTER_DEG = 5.0
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
    """The lift curve of one lobe at the indicator, and what it was made of.

    Points: `deg` from overlap TDC, `lift_mm` above the base circle, weight `w`, pass number. Shape (n,). `speed`: mean speed
    (deg/s) as a spline-like function is `speed_at`. `spline` is the fit to the points of all passes laid over each other.
    """

    spline: Spline
    base: BaseCircle
    latency: Latency
    pass_deg: tuple[Floats, ...]
    pass_lift: tuple[Floats, ...]
    pooled_deg: Floats
    pooled_lift: Floats
    pooled_weight: Floats
    pooled_speed: Floats
    noise_mm: float  # scatter of one reading beyond what the indicator's step makes
    foot_deg: Floats  # readings beyond both ends of the spline, where lash makes a corner: laid over each other, shape (f,)
    foot_lift: Floats

    @cached_property
    def fitted(self) -> Floats:
        """The curve at the pooled readings, mm. Shape of `pooled_deg`."""
        return self.spline.value(self.pooled_deg)

    @cached_property
    def along(self) -> tuple[tuple[Floats, Floats], ...]:
        """For each pass: slope of the common curve at its readings (mm/deg), and how far they lie above it (mm)."""
        table = looked_up(self.spline)
        return tuple(
            (np.interp(deg, table[0], table[2]), lift - np.interp(deg, table[0], table[1]))
            for deg, lift in zip(self.pass_deg, self.pass_lift, strict=True)
        )

    @property
    def flank_speed(self) -> float:
        """Mean speed (deg/s) where the flanks are steep: that is where a shift is read."""
        weight = self.pooled_weight * self.spline.value(self.pooled_deg, 1) ** 2
        return float(np.average(self.pooled_speed, weights=weight))

    def speed_at(self, deg: Floats | float) -> Floats:
        """Mean speed (deg/s) of the passes around angles, of the whole lobe where there is no reading near. Shape of `deg`."""
        at = np.asarray(deg)
        sums = np.cumsum(np.stack((self.pooled_weight, self.pooled_weight * self.pooled_speed)), axis=1)
        sums = np.concatenate((np.zeros((2, 1)), sums), axis=1)
        low = np.searchsorted(self.pooled_deg, at - CLUSTER_DEG, "right")
        high = np.searchsorted(self.pooled_deg, at + CLUSTER_DEG, "left")
        weight, speed = sums[:, high] - sums[:, low]
        return np.asarray(np.where(high > low, speed / np.where(high > low, weight, 1.0), self.pooled_speed.mean()))


def make_curve(
    passes: tuple[Pass, ...], peak_deg: float, step_mm: float, latency: Latency, foot_mm: float | None = None
) -> Curve:
    """Zero, pool and fit the passes of one lobe that peaks near `peak_deg` (deg from overlap TDC).

    `latency` is what is known before the data; their own estimate is combined with it. With lash in, the valve's lift begins
    with a corner that no smooth curve follows: `foot_mm` is then the lift above which the curve is wanted, and readings below
    it are left out. Raises DataError without a base circle or without enough of the lobe.
    """
    base = find_base_circle(passes, peak_deg, step_mm)
    lobes = [lobe for k, p in enumerate(passes) if (lobe := _zeroed(p, base, k, peak_deg)).deg.size >= LEAST_BINS]
    if not lobes:
        raise DataError("the sweep holds no reading of the lobe itself", do="Sweep the whole lobe in running direction")
    lag, known = 0.0, latency
    spline, pooled = _fit(lobes, lag, step_mm)
    whole = lobes
    if foot_mm is not None:
        lobes = _above_foot(lobes, spline, peak_deg, foot_mm)
        spline, pooled = _fit(lobes, lag, step_mm, near=spline.strength)
    for left in reversed(range(ROUNDS)):
        before, known = lag, _combine(latency, estimate_latency(lobes, spline, pooled, lag, base, step_mm))
        lag = known.seconds
        last = left == 0 or abs(lag - before) < SETTLED_S
        spline, pooled = _fit(lobes, lag, step_mm, (spline, pooled), ramps=last)
        if last:
            break
    foot = pool(whole, lag, step_mm, rounding(step_mm))
    beyond = (foot.deg < spline.low) | (foot.deg > spline.high)
    return Curve(
        spline=spline,
        base=base,
        latency=known,
        pass_deg=tuple(p.deg - lag * p.speed for p in lobes),
        pass_lift=tuple(p.lift_mm for p in lobes),
        pooled_deg=pooled.deg,
        pooled_lift=pooled.lift_mm,
        pooled_weight=pooled.weight,
        pooled_speed=pooled.speed,
        noise_mm=_noise(lobes, lag, spline, step_mm),
        foot_deg=foot.deg[beyond],
        foot_lift=foot.lift_mm[beyond],
    )


def _above_foot(lobes: list[Pass], spline: Spline, peak_deg: float, foot_mm: float) -> list[Pass]:
    """The passes between the angles at which a first curve leaves `foot_mm` and comes back to it.

    By angle and not by each reading's own lift, which would choose readings by their errors.
    """
    grid = np.arange(spline.low, spline.high, 0.1)
    low = np.flatnonzero((spline.value(grid) < foot_mm) & (grid < peak_deg))
    high = np.flatnonzero((spline.value(grid) < foot_mm) & (grid > peak_deg))
    first = grid[low[-1]] if low.size else spline.low
    last = grid[high[0]] if high.size else spline.high
    cut = []
    for p in lobes:
        mine = (p.deg >= first) & (p.deg <= last)
        if mine.sum() >= LEAST_BINS:
            cut.append(only(p, mine))
    return cut or lobes


def _zeroed(p: Pass, base: BaseCircle, k: int, peak_deg: float) -> Pass:
    """A pass with its zero taken off, cut to the lobe and its surroundings."""
    near = only(p, np.abs(p.deg - peak_deg) <= HALF_LOBE_DEG + MARGIN_DEG)
    return replace(near, lift_mm=near.lift_mm - base.zero(k, near.deg))


def _noise(lobes: list[Pass], lag: float, spline: Spline, step_mm: float) -> float:
    """Noise of one reading (mm) without what the indicator's step adds: scatter of single readings about the curve where the lift
    creeps over codes. There every phase of a step occurs, and neither a place nor the curve is wrong by enough to count. 0 where too
    little creeps, so that nothing is taken to be blurred.
    """
    deg = np.concatenate([p.deg - lag * p.speed for p in lobes])
    grid, height, rise = looked_up(spline)
    slope = np.abs(np.interp(deg, grid, rise)) / step_mm
    lift, n, scatter2 = (np.concatenate([getattr(p, name) for p in lobes]) for name in ("lift_mm", "n", "scatter2"))
    creeps = (slope > CREEP[0]) & (slope < CREEP[1])
    for most in FASTER:
        if creeps.sum() < ENOUGH_BINS:
            creeps |= (slope > CREEP[0]) & (slope < most) & (n == 1)
    if creeps.sum() < LEAST_CREEPING:
        return 0.0
    number = np.repeat(np.arange(len(lobes)), [p.deg.size for p in lobes])[creeps]
    away, n, scatter2 = (lift - np.interp(deg, grid, height))[creeps], n[creeps], scatter2[creeps]
    # A pass's own level is its zero's doing, no scatter.
    level = np.bincount(number, n * away) / np.maximum(np.bincount(number, n), 1.0)
    spread = float(np.sum(n * ((away - level[number]) ** 2 + scatter2)) / np.sum(n))
    return float(np.sqrt(max(spread - step_mm * step_mm / 12, 0.0)))


def _fit(
    lobes: list[Pass],
    lag: float,
    step_mm: float,
    former: tuple[Spline, Pooled] | None = None,
    ramps: bool = False,
    near: float | None = None,
) -> tuple[Spline, Pooled]:
    """The passes laid over each other, and the curve through them. `former`: what the same came to before, which says where to look
    for the strength and what each reading is worth. `ramps`: with straight parts held straight. `near`: a strength to look about.
    """
    scatter = rounding(step_mm)
    if former is not None:
        scatter, near = scatter_about(*former, scatter), former[0].strength
    pooled = pool(lobes, lag, step_mm, scatter, None if former is None else former[0])
    fit = fit_with_ramps if ramps else fit_spline
    return fit(pooled.deg, pooled.lift_mm, pooled.weight, float(pooled.deg[0]), float(pooled.deg[-1]) + 1e-9, near), pooled


def estimate_latency(
    lobes: list[Pass], spline: Spline, pooled: Pooled, lag: float, base: BaseCircle, step_mm: float
) -> Latency | None:
    """Latency from the spread of speeds inside and between passes, `lag` (s) having been taken out already.

    A reading that lags by tau shows the lift of an angle that lies speed x tau back: lift - curve = -slope x speed x tau +
    noise. What of slope x speed the curve itself can take up tells nothing and is taken off first (partial residuals: Speckman,
    J. R. Statist. Soc. B 50 (1988) 413). The uncertainty is robust against scatter that hangs together over some degrees:
    residuals are summed by cells (White, Econometrica 48 (1980) 817). A pass whose zero is wrong shows a lag all the way, which no
    scatter tells: each pass's zeros are taken to be wrong on their own, as a drifting zero rounds. None if the speed did not vary
    enough to say anything.
    """
    deg = np.concatenate([p.deg - lag * p.speed for p in lobes])
    inside = (deg >= spline.low) & (deg <= spline.high)
    speed = np.concatenate([p.speed for p in lobes])[inside]
    lift = np.concatenate([p.lift_mm for p in lobes])[inside]
    number = np.repeat(np.arange(len(lobes)), [p.deg.size for p in lobes])[inside]
    worth = np.concatenate([p.n / p.usual for p in lobes])[inside]
    deg = deg[inside]
    of_curve = spline.smooth(pooled.deg, -spline.value(pooled.deg, 1) * pooled.speed, pooled.weight)
    grid, height, slope = looked_up(spline)
    residual = lift - np.interp(deg, grid, height)
    pull = -np.interp(deg, grid, slope) * speed - np.interp(deg, grid, of_curve(grid))
    power = float(np.sum(worth * pull * pull))
    if power <= 0.0:
        return None
    tau = float(np.sum(worth * pull * residual)) / power
    cell = np.floor((deg - spline.low) / CLUSTER_DEG).astype(np.int64) * len(lobes) + number
    pulled = np.bincount(cell, weights=worth * pull * (residual - tau * pull))
    share = np.bincount(cell, weights=worth * pull * pull) / power
    dof = max(1.0 / float(np.sum(share * share)) - 1.0, 1.0)
    # A cell that carries much of the evidence has drawn the estimate to itself: its residual counts as if it had not (jackknife).
    score = pulled / np.maximum(1.0 - share, 0.05)
    u = float(np.sqrt(np.sum(score * score))) / power
    after = base.share_after(deg)
    of_zeros = np.concatenate([np.bincount(number, weights=worth * pull * part) for part in (after, 1.0 - after)])
    u_zero = base.zero_u_mm(step_mm, _noise(lobes, lag, spline, step_mm)) * float(np.sqrt(np.sum(of_zeros * of_zeros))) / power
    both = math.hypot(u, u_zero)
    return Latency(lag + tau, both, dof * (both / max(u, 1e-12)) ** 4)  # Welch-Satterthwaite: the zeros' part is no estimate


def _combine(before: Latency, found: Latency | None) -> Latency:
    """Weighted mean of what was stated and what was found (weights: inverse variances)."""
    if found is None:
        return before
    a, b = 1 / max(before.u, 1e-9) ** 2, 1 / max(found.u, 1e-9) ** 2
    return Latency((a * before.seconds + b * found.seconds) / (a + b), (a + b) ** -0.5, found.dof if b > a else before.dof)
