"""Top dead center without stroke and rod: the middle between equal heights of the piston before and after its top."""

from __future__ import annotations

import numpy as np

from analysis.budget import Quantity, Source
from analysis.samples import Floats
from analysis.spline import fit_spline

LEVELS = 12


def equal_heights(deg: Floats, height_mm: Floats) -> Quantity:
    """TDC (deg, on the scale of `deg`) from pairs of equal heights on both flanks, their middles carried on to the top by a straight
    line, since an offset pin tilts it. `deg` around the top, `height_mm` growing toward it: shape (n,), in any order.

    Uncertainty from the scatter of the heights. Raises DataError with too few of them.
    """
    order = np.argsort(deg)
    x, y = deg[order], height_mm[order]
    reach = min(-x[0], x[-1])
    curve = fit_spline(x, y, np.ones_like(x), float(x[0]), float(x[-1]) + 1e-9)
    grid = np.linspace(-reach, reach, 2001)
    height = curve.value(grid)
    top = int(np.argmax(height))
    low = max(height[0], height[-1])
    # Not near the top, where a height says little of the angle, nor at the ends of what was seen.
    levels = np.linspace(low + 0.05 * (height[top] - low), height[top] - 0.15 * (height[top] - low), LEVELS)
    up = np.interp(levels, height[: top + 1], grid[: top + 1])
    down = np.interp(-levels, -height[top:], grid[top:])
    middle, depth = (up + down) / 2, height[top] - levels
    design = np.column_stack((np.ones_like(depth), depth))
    line, *_ = np.linalg.lstsq(design, middle, rcond=None)
    error = np.hypot(curve.error(up) / curve.value(up, 1), curve.error(down) / curve.value(down, 1)) / 2
    weights = np.linalg.pinv(design)[0]
    # Neighbouring levels share readings: their errors are taken as one.
    u = float(np.sum(np.abs(weights) * error))
    return Quantity(float(line[0])).with_part(Source("TDC: equal heights"), u)
