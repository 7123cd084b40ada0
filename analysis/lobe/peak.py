"""Where a lift curve peaks and how high, with what is uncertain about both.

Where the nose is flat its slope tells next to nothing: what is asked of each angle is whether the slope there can be told from zero
at all. Lifts are at the indicator, angles in crank degrees from overlap TDC.
"""

from __future__ import annotations

import math

import numpy as np

from analysis.base.errors import DataError
from analysis.base.quantity import NORMAL_95, Quantity, Source, linear_combination
from analysis.base.samples import Floats
from analysis.curve.lift_curve import Curve
from analysis.curve.smoothing import Spline, undersmoothed
from analysis.lobe.causes import OF_ANGLE, OF_LIFT, Causes, Place
from analysis.lobe.events import coherent_variance

# No nose is level over more than this to either side, degrees; a dwell may be (common practice).
LEVEL_DEG = 60.0
# Pitch at which the slope's uncertainty is worked out; between, it lies on a straight line.
PITCH_DEG = 2.0
# Pitch at which the slope is held against its uncertainty.
GRID_DEG = 0.25


def peak_quantities(curve: Curve, causes: Causes) -> tuple[Quantity, Quantity]:
    """Angle of peak lift (deg: the middle of what is level) and peak lift (mm, at the indicator).

    Level are the angles that a test of "the peak is here" (95 %) would not refuse: right also where the nose is so flat, or has a
    dwell, that slope error over curvature means nothing (Fieller, J. R. Statist. Soc. B 16 (1954) 175). Raises DataError if the
    highest point is at the end of what was swept.
    """
    top = highest(curve.spline)
    errors = _SlopeErrors(curve, causes, top)
    low, high = (top + side * _level(errors, top, side) for side in (-1, 1))
    deg, u = (low + high) / 2, (high - low) / 2 / NORMAL_95
    # What one unit of slope error (mm/deg) comes to in the angle of the peak.
    moves = u / max(float(np.sqrt(np.mean(errors.at(np.array([low, high])) ** 2))), 1e-300)
    of_runout = linear_combination(*((-moves * leans, cause) for leans, cause in errors.runout))
    scatter = Source(f"scatter and smoothing at the peak, {causes.name}")
    angle = Quantity(deg).with_part(scatter, math.sqrt(max(u * u - of_runout.u**2, 0.0)))
    angle += of_runout - causes.off_angle(Place.on(curve, deg), OF_ANGLE)
    # In the middle of what is level, since noise has a say in what is highest on it; and smoothed less, since a nose whose jerk jumps
    # (cycloidal flanks) would be smoothed over by more than its standard error.
    coherent = float(coherent_variance(curve, np.array([deg]), causes)[0])
    height = Quantity(float(errors.loose.value(deg)))
    height = height.with_part(
        Source(f"scatter of the peak lift, {causes.name}"), math.hypot(float(errors.loose.error(deg)), math.sqrt(coherent))
    )
    return angle, height - causes.off_lift(Place.on(curve, deg), OF_LIFT)


def highest(s: Spline) -> float:
    """Angle (deg) of the highest point of a curve. Raises DataError if it is at the end of what was swept."""
    deg = highest_so_far(s)
    if deg in (s.low, s.high):
        raise DataError(
            f"the sweep does not cover the lobe: the lift is still growing at {deg:.0f} degrees, where the readings end",
            do="Sweep on until the valve is closed again",
        )
    return deg


def highest_so_far(s: Spline) -> float:
    """Angle (deg) of the highest point of a curve, which may be at its end."""
    tried = np.concatenate(([s.low], s.turning_points(), [s.high]))
    return float(tried[np.argmax(s.value(tried))])


class _SlopeErrors:
    """What is uncertain about the slope (mm/deg) at angles on the nose.

    A nose whose flanks bend otherwise before the peak than behind it is smoothed over, by one to two standard errors of the slope,
    and no readings that leave the strength of the smoothing open tell by how much (an interval that is true whatever the shape
    cannot be narrow where the shape is kind: Low, Annals of Statistics 25 (1997) 2547). So the slope is held to be known no better
    than readings smoothed much less would know it. Then the indicator's step, which repeats over the whole of a level nose; and a
    cam that runs out leans the nose, and so moves a flat one's peak by much.
    """

    def __init__(self, curve: Curve, causes: Causes, top: float) -> None:
        self.curve, self.causes = curve, causes
        self.loose = undersmoothed(curve.spline, curve.pooled.deg, curve.pooled.lift_mm, curve.pooled.weight)
        about = Place.on(curve, np.array([top - 0.5, top + 0.5]))
        # By how much (mm/deg) one unit of each makes the nose lean.
        self.runout = [(float(np.diff(cause.on_lift(about))[0]), cause.quantity) for cause in causes.of("runout")]
        self.leaning = math.hypot(*(leans * runout.u for leans, runout in self.runout))

    def at(self, deg: Floats) -> Floats:
        """Standard uncertainty of the slope. Shape of `deg`."""
        steps = coherent_variance(self.curve, deg, self.causes, derivative=1)
        return np.asarray(np.sqrt(self.loose.error(deg, 1) ** 2 + steps + self.leaning**2))


def _level(errors: _SlopeErrors, deg: float, side: int) -> float:
    """How far from `deg` on one side the slope cannot be told from zero, deg."""
    s = errors.curve.spline
    reach = min(LEVEL_DEG, (s.high - deg) if side > 0 else (deg - s.low))
    for looked in (min(LEVEL_DEG / 6, reach), reach):  # most noses end soon, and standard errors cost time
        on = np.arange(0.0, looked, GRID_DEG)
        coarse = np.linspace(0.0, looked, 1 + math.ceil(looked / PITCH_DEG))
        u = np.interp(on, coarse, errors.at(deg + side * coarse))
        told = np.abs(s.value(deg + side * on, 1)) - NORMAL_95 * u
        steep = np.flatnonzero(told[1:] > 0)
        if steep.size:
            break
    if steep.size == 0:
        return float(on[-1])
    k = int(steep[0])
    share = float(np.clip(-told[k] / (told[k + 1] - told[k]), 0.0, 1.0))
    return (k + share) * GRID_DEG
