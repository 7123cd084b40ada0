"""The centroid of the area under a lift curve, with what is uncertain about it."""

from __future__ import annotations

import math

import numpy as np

from analysis.base.quantity import Quantity, Source
from analysis.base.samples import Floats
from analysis.curve.lift_curve import Curve
from analysis.lobe.events import Systematics, runout_sources, with_systematics

# Pitch of the sums over the lobe.
GRID_DEG = 0.25
# Scatter of a smooth curve hangs together over about this far: pieces of this length are independent.
PIECE = 8  # grid steps


def centroid(curve: Curve, peak_deg: float, common: Systematics) -> Quantity:
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
    quantity = Quantity(center).with_part(Source(f"scatter of the centroid, {common.name}"), scatter)
    across, along = runout_sources(common)
    half = np.radians(deg - common.peak_deg) / 2
    # Where lash keeps the base circle from the indicator, runout moves only what is lifted.
    moved_by_cam = (lift[inside] > common.step_mm) | (common.runout_in_zero > 0)
    pull = common.runout_u_mm * arm * moved_by_cam * GRID_DEG / area
    quantity = quantity.with_part(across, float(pull @ np.sin(half)))
    quantity = quantity.with_part(along, float(pull @ (np.cos(half) + common.runout_in_zero)))
    # An error of the angle, error(a), moves each piece of area and makes it wider or narrower: a lever arm of its own.
    a, lever = np.radians(deg + common.after_deg), np.radians(arm)
    contact = math.cos(math.radians(common.contact_deg))
    turn = float(share @ (np.sin(a) + lever * np.cos(a))), float(share @ (np.cos(a) - lever * np.sin(a))) - contact
    return with_systematics(quantity, curve, math.inf, 0.0, common, turn)


def _whole_lift(curve: Curve) -> tuple[Floats, Floats, Floats]:
    """Angles, lifts and their standard errors over the whole lobe: the curve, and below its foot the readings themselves."""
    s = curve.spline
    low, high = (min(s.low, *curve.foot_deg), max(s.high, *curve.foot_deg)) if curve.foot_deg.size else (s.low, s.high)
    grid = np.arange(low, high, GRID_DEG)
    on_curve = (grid >= s.low) & (grid < s.high)
    lift, error = np.zeros(grid.shape), np.full(grid.shape, math.sqrt(s.sigma2))
    lift[on_curve] = s.value(grid[on_curve])
    error[on_curve] = np.interp(grid[on_curve], grid[on_curve][::PIECE], s.error(grid[on_curve][::PIECE]))
    if curve.foot_deg.size:
        lift[~on_curve] = np.interp(grid[~on_curve], curve.foot_deg, curve.foot_lift)
    return grid, lift, error
