"""Valve lift at any crank angle, and the overlap: how long, how far and over what area both valves are open."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import optimize

from analysis.budget import Quantity, Source, combine
from analysis.events import with_systematics
from analysis.job import Rig
from analysis.lobe import MeasuredLobe
from analysis.samples import Floats

GRID_DEG = 0.25


def valve_lift(lobe: MeasuredLobe, rig: Rig, deg: Floats | float) -> Floats:
    """Valve lift (mm, lash off, never negative) at crank degrees from overlap TDC. Shape of `deg`. Closed outside the curve."""
    spline, angle = lobe.swept.curve.spline, np.asarray(deg, dtype=np.float64)
    shown = spline.value(np.clip(angle, spline.low, spline.high))
    if rig.indicator_at == "lobe":
        shown = rig.rocker_ratio * shown - rig.lash_mm
    floor = 2 * lobe.common.step_mm  # below it the curve is base circle
    inside = (angle > spline.low) & (angle < spline.high) & (shown > floor)
    return np.where(inside, shown, 0.0)


def lift_at(lobe: MeasuredLobe, rig: Rig, deg: float) -> Quantity:
    """Valve lift (mm) at one crank angle with its uncertainty; exactly 0 where the valve is closed."""
    lift = float(valve_lift(lobe, rig, deg))
    if lift == 0.0:
        return Quantity(0.0)
    slope, angle = _angle_there(lobe, deg)
    factor = rig.rocker_ratio if rig.indicator_at == "lobe" else 1.0
    # What moves the angle of a lift moves the lift at that angle the other way, by the slope.
    return (angle * (-slope * factor)).moved(lift)


def _angle_there(lobe: MeasuredLobe, deg: float) -> tuple[float, Quantity]:
    """Slope of the curve at the indicator (mm/deg), never quite zero, and the angle at which the lift there is reached."""
    curve = lobe.swept.curve
    slope = float(curve.spline.value(deg, 1))
    slope = math.copysign(max(abs(slope), 1e-6), slope)
    scatter = Source(f"scatter within passes, {lobe.common.name} at {deg:.2f}")
    angle = Quantity(deg).with_part(scatter, float(curve.spline.error(deg)) / slope)
    return slope, with_systematics(angle, curve, slope, float(curve.spline.value(deg)), lobe.common)


@dataclass(frozen=True)
class Overlap:
    """Both valves of one cylinder around overlap TDC, lifts at the valve.

    `cross_deg`: where both are equally far open, by `cross_mm`; None if they never are open together. `area_mm_deg` is the area
    under the lower of the two curves.
    """

    intake_at_tdc_mm: Quantity
    exhaust_at_tdc_mm: Quantity
    cross_deg: float | None
    cross_mm: float
    area_mm_deg: Quantity


def overlap_of(intake: MeasuredLobe, exhaust: MeasuredLobe, rig: Rig) -> Overlap:
    """Lifts at TDC and the area of the overlap."""
    at_tdc = lift_at(intake, rig, 0.0), lift_at(exhaust, rig, 0.0)
    low, high = (lobe.quantities["centerline by peak"].value for lobe in (exhaust, intake))
    grid = np.arange(low, high, GRID_DEG)
    lower = np.minimum(valve_lift(intake, rig, grid), valve_lift(exhaust, rig, grid))
    area = float(np.trapezoid(lower, grid))
    if area <= 0.0:
        return Overlap(*at_tdc, None, 0.0, Quantity(0.0))

    def gap(deg: float) -> float:
        return float(valve_lift(intake, rig, deg) - valve_lift(exhaust, rig, deg))

    cross = float(optimize.brentq(gap, low, high, xtol=1e-6))
    height = float(valve_lift(intake, rig, cross))
    # Moving one curve by an angle changes the area under the lower of both by the height at which they cross.
    (_, opens), (_, closes) = _angle_there(intake, cross), _angle_there(exhaust, cross)
    return Overlap(*at_tdc, cross, height, combine((-height, opens), (height, closes)).moved(area))
