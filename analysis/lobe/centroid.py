"""The centroid of the area under a lift curve, with what is uncertain about it."""

from __future__ import annotations

import math

import numpy as np

from analysis.base.quantity import Quantity, Source, linear_combination
from analysis.base.samples import Floats
from analysis.curve.lift_curve import Curve
from analysis.lobe.causes import OF_ANGLE, Causes, Place

# Pitch of the sums over the lobe.
GRID_DEG = 0.25
# Scatter of a smooth curve hangs together over about this far: pieces of this length are independent.
PIECE = 8  # grid steps


def centroid(curve: Curve, peak_deg: float, causes: Causes) -> Quantity:
    """Angle of the centroid of the area under the lift curve, over a window that is centered on it (so that an error of the
    zero drops out).
    """
    grid, lift, error = _whole_lift(curve)
    center, reach = peak_deg, 0.0
    for _ in range(20):
        reach = min(center - grid[0], grid[-1] - center)
        inside = np.abs(grid - center) <= reach
        moved = float(np.sum(grid[inside] * lift[inside]) / np.sum(lift[inside]))
        if abs(moved - center) < 1e-6:
            break
        center = moved
    inside = np.abs(grid - center) <= reach
    deg, share = grid[inside], lift[inside] / np.sum(lift[inside])
    area, arm = float(np.sum(lift[inside])) * GRID_DEG, deg - center
    pieces = arm[::PIECE] * error[inside][::PIECE] * GRID_DEG * PIECE
    scatter = math.sqrt(float(np.sum(pieces**2))) / area * 1.5
    quantity = Quantity(center).with_part(Source(f"scatter of the centroid, {causes.name}"), scatter)
    at = Place(deg, lift[inside], np.gradient(lift[inside], GRID_DEG), curve.speed_at(deg))
    # The window is centered, so that neither an error of every lift nor one of their scale has a say.
    by_lift = [(float(arm @ cause.effect(at)) * GRID_DEG / area, cause.quantity) for cause in causes.of("runout")]
    # An error of the angle, e(a), moves each piece of area and makes it wider or narrower.
    by_angle = [(float(share @ np.gradient(arm * cause.effect(at), GRID_DEG)), cause.quantity) for cause in causes.of(*OF_ANGLE)]
    return quantity - linear_combination(*by_lift, *by_angle)


def _whole_lift(curve: Curve) -> tuple[Floats, Floats, Floats]:
    """Angles, lifts and their standard errors over the whole lobe: the curve, and below its foot the readings themselves."""
    s = curve.spline
    low, high = (min(s.low, *curve.foot.deg), max(s.high, *curve.foot.deg)) if curve.foot.deg.size else (s.low, s.high)
    grid = np.arange(low, high, GRID_DEG)
    on_curve = (grid >= s.low) & (grid < s.high)
    lift, error = np.zeros(grid.shape), np.full(grid.shape, math.sqrt(s.sigma2))
    lift[on_curve] = s.value(grid[on_curve])
    error[on_curve] = np.interp(grid[on_curve], grid[on_curve][::PIECE], s.error(grid[on_curve][::PIECE]))
    if curve.foot.deg.size:
        lift[~on_curve] = np.interp(grid[~on_curve], curve.foot.deg, curve.foot.lift_mm)
    return grid, lift, error
