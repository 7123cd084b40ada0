"""The indicator's lag as a sweep itself tells it: from what readings at different speeds differ by."""

from __future__ import annotations

import math

import numpy as np

from analysis.base.samples import Floats
from analysis.base.selection import only
from analysis.crank.lag import Lag
from analysis.curve.base_circle import BaseCircle
from analysis.curve.points import Points
from analysis.curve.pooling import Pooled
from analysis.curve.smoothing import Spline

# Crank degrees over which the scatter about the curve is taken as one independent piece of evidence.
CLUSTER_DEG = 5.0


def estimate_lag(points: Points, spline: Spline, pooled: Pooled, base: BaseCircle, zero_u_mm: float) -> Lag | None:
    """What of the lag is still in the points of a lobe, from the spread of speeds inside and between passes. None if the speed did
    not vary enough to say anything.

    A reading that lags by tau shows the lift of an angle that lies speed x tau back: lift - curve = -slope x speed x tau +
    noise. What of slope x speed the curve itself can take up tells nothing and is taken off first (partial residuals: Speckman,
    J. R. Statist. Soc. B 50 (1988) 413). The uncertainty is robust against scatter that hangs together over some degrees:
    residuals are summed by cells (White, Econometrica 48 (1980) 817). A pass whose zero is wrong shows a lag all the way, which no
    scatter tells: each pass's zeros are taken to be wrong on their own, each by `zero_u_mm`, as a drifting zero rounds.
    """
    points = only(points, (points.deg >= spline.low) & (points.deg <= spline.high))
    of_curve = spline.smooth(pooled.deg, -spline.value(pooled.deg, 1) * pooled.speed, pooled.weight)
    grid = spline.grid
    residual = points.lift_mm - spline.looked_up(points.deg)
    pull = -spline.looked_up(points.deg, 1) * points.speed - np.interp(points.deg, grid, of_curve(grid))
    worth = points.n / points.usual
    power = float(np.sum(worth * pull * pull))
    if power <= 0.0:
        return None
    tau = float(np.sum(worth * pull * residual)) / power
    u, dof = _robust(points, spline.low, worth * pull * (residual - tau * pull), worth * pull * pull, power)
    after = base.share_after(points.deg)
    of_zeros = np.concatenate([np.bincount(points.pass_, weights=worth * pull * part) for part in (after, 1.0 - after)])
    u_zero = zero_u_mm * float(np.sqrt(np.sum(of_zeros * of_zeros))) / power
    both = math.hypot(u, u_zero)
    return Lag(tau, both, dof * (both / max(u, 1e-12)) ** 4)  # Welch-Satterthwaite: the zeros' part is no estimate


def _robust(points: Points, low: float, pulled: Floats, weight: Floats, power: float) -> tuple[float, float]:
    """Standard error of the estimate and its degrees of freedom, from residuals summed by pass and cell. Shape (n,) each."""
    cell = np.floor((points.deg - low) / CLUSTER_DEG).astype(np.int64) * (int(points.pass_.max()) + 1) + points.pass_
    share = np.bincount(cell, weights=weight) / power
    dof = max(1.0 / float(np.sum(share * share)) - 1.0, 1.0)
    # A cell that carries much of the evidence has drawn the estimate to itself: its residual counts as if it had not (jackknife).
    score = np.bincount(cell, weights=pulled) / np.maximum(1.0 - share, 0.05)
    return float(np.sqrt(np.sum(score * score))) / power, dof
