"""What the valve does while it ought to do nothing: on the base circle, and while the crank stands."""

from __future__ import annotations

from analysis.base.quantity import Quantity, Source
from analysis.crank.readings import LEAST_FALL_MM, BleedDown, find_bleed_down
from analysis.curve.sweep import Swept
from analysis.lobe.causes import Causes
from analysis.lobe.result import AtRest


def at_rest(swept: Swept, causes: Causes) -> AtRest:
    """Zero, runout and drift on the base circle, and how far the lift sank while the crank stood."""
    base = swept.curve.base
    cause = Source("zero on the base circle", distribution="rectangular")
    sank = stands_that_sank(swept)
    return AtRest(
        zero=Quantity(base.mean_zero, unit="mm").with_part(cause, causes.zero_u_mm),
        runout_mm=base.runout_mm,
        drift_mm=base.drift_mm,
        sank_mm=sank[0].fall_mm if sank else 0.0,
        covered_deg=base.covered_deg,
    )


def stands_that_sank(swept: Swept) -> list[BleedDown]:
    """Stands of the crank over which the lift fell by more than the crank makes by rolling within its count; the worst first."""
    stands = [stand for stand in find_bleed_down(swept.readings, swept.sweep.step_mm) if _sinks(swept, stand)]
    return sorted(stands, key=lambda stand: -stand.fall_mm)


def _sinks(swept: Swept, stand: BleedDown) -> bool:
    per_count, spline = 360.0 / swept.sweep.cpr, swept.curve.spline
    middle = (spline.low + spline.high) / 2
    deg = (swept.sweep.forward * stand.position - swept.overlap_tdc) * per_count
    slope = abs(float(spline.value((deg - middle + 360.0) % 720.0 - 360.0 + middle, 1)))
    inside = abs((deg - middle + 360.0) % 720.0 - 360.0) <= (spline.high - spline.low) / 2
    return stand.fall_mm > max(4 * swept.sweep.step_mm, LEAST_FALL_MM) + (slope * per_count if inside else 0.0)
