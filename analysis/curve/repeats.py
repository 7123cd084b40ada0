"""How late each flank of each pass comes against the curve of all: whether passes repeat, and if not, how they move."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.base.samples import Floats, Ints
from analysis.curve.lift_curve import Curve
from analysis.curve.points import each_pass

# A flank is where the slope exceeds this share of the steepest; fewer points than this of it do not tell; scatter hangs together over
# a degree or two, so that cells of two degrees count and not readings.
FLANK, LEAST_POINTS, CELL_DEG, LEAST_CELLS = 0.3, 5, 2.0, 4.0


@dataclass(frozen=True)
class FlankShifts:
    """Each flank of each pass that can be told, in the order in which they were swept. Shape (k,) each: number of the pass, -1 on the
    opening and +1 on the closing flank, degrees by which it comes late, its standard error, and the speed there (deg/s).
    """

    pass_: Ints
    flank: Ints
    late: Floats
    u: Floats
    speed: Floats


def flank_shifts(curve: Curve) -> FlankShifts:
    """How late each flank comes against the common curve, by least squares of its points."""
    points, s = curve.points, curve.spline
    inside = (points.deg > s.low) & (points.deg < s.high)
    steepest = float(np.abs(curve.slope[inside]).max()) if inside.any() else 0.0
    found: list[tuple[float, ...]] = []
    for rows in each_pass(points.pass_):
        for flank in (-1, 1):
            mine = rows.start + np.flatnonzero(inside[rows] & (-flank * curve.slope[rows] > FLANK * steepest))
            if mine.size < LEAST_POINTS:
                continue
            slope, away = curve.slope[mine], curve.residual[mine]
            power = float(slope @ slope)
            late = -float(slope @ away) / power
            cells = max(LEAST_CELLS, float(np.ptp(points.deg[mine])) / CELL_DEG)
            u = float(np.std(away + slope * late)) / float(np.sqrt(power / slope.size * min(cells, slope.size)))
            found.append((points.pass_[rows.start], flank, late, u, float(np.average(points.speed[mine], weights=slope**2))))
    table = np.array(found, dtype=np.float64).reshape(-1, 5)
    return FlankShifts(table[:, 0].astype(np.int64), table[:, 1].astype(np.int64), *table[:, 2:].T)


def step_in(late: Floats) -> tuple[int, float, float]:
    """The one place in a row of shifts at which they change, if one: number of the first behind it, by how much (deg), and what share
    of their sum of squares about the mean it leaves. Shape (k,), at least 2.
    """
    whole = float(np.sum((late - late.mean()) ** 2)) + 1e-12
    left = [
        float(np.sum((late[:k] - late[:k].mean()) ** 2) + np.sum((late[k:] - late[k:].mean()) ** 2)) for k in range(1, late.size)
    ]
    best = int(np.argmin(left)) + 1
    return best, float(late[best:].mean() - late[:best].mean()), left[best - 1] / whole


def trend_in(late: Floats) -> tuple[float, float]:
    """A steady change along a row of shifts: from first to last (deg), and what share of their sum of squares it leaves. Shape
    (k,).
    """
    at = np.linspace(-0.5, 0.5, late.size)
    slope = float(at @ late) / float(at @ at)
    left = late - late.mean() - slope * at
    return slope, float(left @ left) / (float(np.sum((late - late.mean()) ** 2)) + 1e-12)
