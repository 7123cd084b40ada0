"""Valve lift at any crank angle, and the overlap: how long, how far and over what area both valves are open."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import optimize

from analysis.base.errors import DataError
from analysis.base.quantity import Quantity, Source, linear_combination
from analysis.base.samples import Floats
from analysis.curve.base_circle import FAR_DEG
from analysis.curve.lift_curve import Curve
from analysis.job import Rig
from analysis.lobe.causes import Causes, Place, on_one_shaft
from analysis.lobe.events import lift_u
from analysis.lobe.result import Lobe
from analysis.lobe.rocker import HIDDEN_STEPS, valve_and_lobe

# Scatter of a smooth curve is taken to hang together over this far; how far the slope of readings is taken to either side.
PIECE_DEG, SIDE_DEG = 4.0, 1.0
# Pitch at which the foot of the lift is looked for; twice of it is the width of a strip of the overlap's area.
GRID_DEG = 0.25


def valve_lift(lobe: Lobe, rig: Rig, deg: Floats | float) -> Floats:
    """Valve lift (mm, lash off, never negative) at crank degrees from overlap TDC. Shape of `deg`.

    The curve, below its foot the readings themselves, and beyond those the last of them: further from the peak it is no more.
    """
    angle = np.asarray(deg, dtype=np.float64)
    lift = _read(lobe, rig, angle)
    return np.where(_far(lobe, angle), 0.0, np.maximum(lift, 0.0))


def lift_at(lobe: Lobe, rig: Rig, deg: float) -> Quantity:
    """Valve lift (mm) at one crank angle with its uncertainty. A valve that the indicator cannot tell from closed has lift 0, and
    the uncertainty of the zero. Raises DataError where the sweep holds no reading.
    """
    if _far(lobe, np.asarray(deg)):
        return Quantity(0.0, unit="mm")
    lift = _lift(lobe, rig, np.array([deg])).labelled("mm")
    return lift if lift.value > HIDDEN_STEPS * lobe.causes.step_mm else _closed(lift, lobe.causes.name)


def _far(lobe: Lobe, deg: Floats) -> Floats:
    """Whether angles are further from the peak than any lobe reaches. Shape of `deg`."""
    return np.asarray(np.abs(deg - lobe.causes.peak_deg) > FAR_DEG)


def _as_read(causes: Causes, deg: Floats) -> Floats:
    """Where an encoder off center, as far as that is known, reads what stands at true angles. Shape of `deg`."""
    at = Place(deg, *(np.zeros_like(deg),) * 3)
    return np.asarray(deg + sum(cause.quantity.value * cause.effect(at) for cause in causes.of("encoder")))


def _at_valve(rig: Rig, shown: Floats) -> Floats:
    return rig.rocker_ratio * shown - rig.lash_mm if rig.indicator_at == "lobe" else shown


def _readings(curve: Curve) -> tuple[Floats, Floats]:
    """Angles and lifts (mm, at the indicator) of the readings beyond both ends of the curve, and of those ends, in order."""
    ends = np.array([curve.spline.low, curve.spline.high])
    deg, lift = np.concatenate((curve.foot.deg, ends)), np.concatenate((curve.foot.lift_mm, curve.spline.value(ends)))
    order = np.argsort(deg, kind="stable")
    return deg[order], lift[order]


def _shown(curve: Curve, deg: Floats) -> Floats:
    """What the indicator shows of the lift, mm, at angles as read. Shape of `deg`."""
    s = curve.spline
    on_curve = (deg >= s.low) & (deg <= s.high)
    return np.where(on_curve, s.value(np.clip(deg, s.low, s.high)), np.interp(deg, *_readings(curve)))


def _lift(lobe: Lobe, rig: Rig, deg: Floats) -> Quantity:
    """Valve lift with its uncertainty, below nothing if the readings are: the mean over angles, shape (n,), or that of a single
    one. Over several, scatter hangs together within a piece, and coherent quantization averages out.
    """
    curve, causes = lobe.swept.curve, lobe.causes
    at = _as_read(causes, deg)
    shown, (slope, scatter) = _shown(curve, at), _slope_and_scatter(lobe, at)
    place = Place(at, shown, slope, curve.speed_at(at))
    lift = linear_combination(*((-float(np.mean(cause.on_lift(place))), cause.quantity) for cause in causes))
    if deg.size == 1:
        if curve.spline.low <= at[0] <= curve.spline.high:
            scatter = np.array([lift_u(curve, float(at[0]), causes)])
        pieces = np.array([f"at {deg[0]:.2f}"])
    else:
        pieces = np.array([f"piece {piece:.0f}" for piece in deg // PIECE_DEG])
    for piece in np.unique(pieces):
        source = Source(f"scatter within passes, {causes.name} {piece}")
        lift = lift.with_part(source, float(scatter[pieces == piece].sum()) / deg.size)
    # What is known of the encoder is in the angle already.
    return valve_and_lobe(rig, lift.moved(float(shown.mean())))[0]


def _slope_and_scatter(lobe: Lobe, at: Floats) -> tuple[Floats, Floats]:
    """Slope (mm/deg) at the indicator, and standard uncertainty from scatter (mm), at angles as read. Shapes of `at`, (n,). Raises
    DataError where there is no reading.
    """
    s = lobe.swept.curve.spline
    deg, lift = _readings(lobe.swept.curve)
    if (beyond := (at < deg[0]) | (at > deg[-1])).any():
        raise DataError(
            f"the sweep does not reach the {lobe.swept.valve} valve's lift at {at[beyond][0]:.1f} degrees from overlap TDC",
            do="Sweep from well before the valve opens until it is closed again",
        )
    low, high = (np.interp(at + side, deg, lift) for side in (-SIDE_DEG, SIDE_DEG))
    after = np.clip(np.searchsorted(deg, at), 1, deg.size - 1)
    single = max(math.sqrt(s.sigma2), lobe.causes.step_mm / math.sqrt(12))
    # Between two readings the lift is anything between theirs.
    of_reading = np.hypot(single, (lift[after] - lift[after - 1]) / math.sqrt(12))
    on_curve, held = (at >= s.low) & (at <= s.high), np.clip(at, s.low, s.high)
    slope = np.where(on_curve, s.value(held, 1), (high - low) / (2 * SIDE_DEG))
    return slope, np.where(on_curve, s.error(held), of_reading)


def _closed(small: Quantity, name: str) -> Quantity:
    """None, for something too small to be told from it: what the readings show of it is a bound."""
    if small.value < -small.u95:
        return Quantity(0.0, unit=small.unit)
    hidden = Source(f"below what the indicator tells from closed, {name}", distribution="rectangular")
    return small.moved(0.0).with_part(hidden, max(small.value, 0.0) / math.sqrt(3))


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


def overlap_of(intake: Lobe, exhaust: Lobe, rig: Rig) -> Overlap:
    """Lifts at TDC and the area of the overlap. Raises DataError where a sweep holds no reading within it, or the intake's lobe
    does not follow the exhaust's.
    """
    at_tdc = lift_at(intake, rig, 0.0), lift_at(exhaust, rig, 0.0)
    low, high = (lobe.centerlines.peak.value for lobe in (exhaust, intake))

    def gap(deg: float) -> float:
        return float(valve_lift(intake, rig, deg) - valve_lift(exhaust, rig, deg))

    if not (low < high and gap(low) < 0.0 < gap(high)):
        raise DataError("the intake's lobe does not follow the exhaust's", do="Check on which valve each sweep was recorded")
    cross = float(optimize.brentq(gap, low, high, xtol=1e-6))
    height = float(valve_lift(intake, rig, cross))
    area = _area(intake, exhaust, rig, cross)
    if height <= HIDDEN_STEPS * max(lobe.causes.step_mm for lobe in (intake, exhaust)):
        return Overlap(*at_tdc, None, 0.0, _closed(area, "overlap"))
    return Overlap(*at_tdc, cross, height, area)


def _area(intake: Lobe, exhaust: Lobe, rig: Rig, cross: float) -> Quantity:
    """Area (mm deg) under the lower of both lifts, which cross at `cross`. Every angle's lift brings its sources: an error of the
    zero acts all along, one of TDC by what the two flanks leave of it.
    """
    opens, closes = (_foot(lobe, rig, cross, way) for lobe, way in ((intake, -1), (exhaust, 1)))
    sides = ((intake, opens, cross), (exhaust, cross, closes))
    value = sum((high - low) * float(_read(lobe, rig, _strips(low, high, 2 * GRID_DEG)).mean()) for lobe, low, high in sides)
    # What errors do to the lift changes more slowly over the angle than the lift itself.
    lifts = ((high - low, _lift(lobe, rig, _strips(low, high, PIECE_DEG / 2))) for lobe, low, high in sides)
    area = linear_combination(*lifts).moved(value)
    return on_one_shaft(area, (intake.causes, exhaust.causes)).labelled("mm deg")


def _strips(low: float, high: float, width: float) -> Floats:
    """Middles of strips of about this width that fill a range. Shape (n,), two at least."""
    count = max(math.ceil((high - low) / width), 2)
    return np.asarray(low + (high - low) / count * (np.arange(count) + 0.5))


def _read(lobe: Lobe, rig: Rig, deg: Floats) -> Floats:
    """Valve lift as it is read, below nothing if the readings are. Shape of `deg`."""
    return _at_valve(rig, _shown(lobe.swept.curve, _as_read(lobe.causes, deg)))


def _foot(lobe: Lobe, rig: Rig, start: float, way: int) -> float:
    """The angle, from `start` away from the peak (`way`), from which on the lift is none but for what the zero is off."""
    deg = start + way * np.arange(0.0, 2 * FAR_DEG, GRID_DEG)
    none = valve_lift(lobe, rig, deg) <= lobe.causes.zero_u_mm
    return float(deg[int(np.argmax(none))])
