"""Causes as effects over angle: each number's part of a cause is what the number does once the error is put into the readings."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy.interpolate import BSpline

from acquire.simulator.cam import Flank, LawLobe
from acquire.simulator.indicator import Indicator
from analysis.base.quantity import Quantity
from analysis.base.selection import only
from analysis.curve.lift_curve import Curve
from analysis.diagnosis.examine import examine
from analysis.lobe.causes import Cause, Causes, Place, on_one_shaft
from analysis.lobe.centroid import centroid
from analysis.lobe.events import CLOSING, OPENING, crossing
from analysis.lobe.measured import whole_passes
from analysis.lobe.peak import highest, peak_quantities
from analysis.lobe.result import Lobe
from tests.recorded import captures
from tests.rigs import FINE, job_for, with_lobes

# Flanks unlike each other, or what moves one against the other would drop out of the middle.
LOBE = LawLobe(7.0, Flank("4-5-6-7", 64.0), Flank("3-4-5", 72.0))
KINDS = ("tdc", "lag", "encoder", "encoder", "zero", "indicator", "indicator", "runout", "runout")


@cache
def measured() -> Lobe:
    """A lobe of which the job bounds everything, and lets nothing be exact."""
    rig = replace(with_lobes(FINE, LOBE), indicators=(Indicator(where="valve", step=0.001, noise_mm=0.001),))
    bounds = {"encoder_offcenter_deg": 0.1, "indicator_tilt_deg": 2.0, "cam_runout_mm": 0.005, "indicator_error_mm": 0.01}
    return examine(job_for(rig, rig=bounds), captures(rig, ("stop", "intake"))).intake


def with_error(curve: Curve, cause: Cause, size: float) -> Curve:
    """The curve through readings that have an error of this size in them: the fit is linear in the lifts."""
    added = size * cause.on_lift(Place.on(curve, curve.pooled.deg))
    smooth = curve.spline.smooth(curve.pooled.deg, added, curve.pooled.weight)
    function = BSpline(smooth.t, curve.spline.function.c + smooth.c, smooth.k)
    pooled = replace(curve.pooled, lift_mm=curve.pooled.lift_mm + added)  # the peak's lift asks the readings once more
    return replace(curve, spline=replace(curve.spline, function=function), pooled=pooled)


def top(curve: Curve, causes: Causes) -> Quantity:
    """The peak's lift; its angle is held by a test of the slope, which is no function of the readings to be differentiated."""
    return peak_quantities(curve, causes)[1]


NUMBERS: dict[str, Callable[[Curve, Causes], Quantity]] = {
    "opens": lambda curve, causes: crossing(curve, Quantity(1.0), OPENING, highest(curve.spline), causes).deg,
    "closes": lambda curve, causes: crossing(curve, Quantity(1.0), CLOSING, highest(curve.spline), causes).deg,
    "centroid": lambda curve, causes: centroid(curve, highest(curve.spline), causes),
    "peak lift": top,
}


@pytest.mark.parametrize("name", NUMBERS)
@pytest.mark.parametrize("number", range(len(KINDS)), ids=[f"{kind}-{k}" for k, kind in enumerate(KINDS)])
def test_a_part_is_what_the_error_does(number: int, name: str) -> None:
    """A number is corrected by what the error does to it: so its part is that with the other sign."""
    lobe = measured()
    cause = lobe.causes.each[number]
    assert cause.kind == KINDS[number]
    size = 0.2 * cause.quantity.u
    without, with_it = (NUMBERS[name](with_error(lobe.swept.curve, cause, way * size), lobe.causes) for way in (-1.0, 1.0))
    moved = (with_it.value - without.value) / 2 / size * cause.quantity.u
    # TDC has a source for each contact: any of them tells.
    source, own = next(iter(cause.quantity.parts.items()))
    part = NUMBERS[name](lobe.swept.curve, lobe.causes).parts.get(source, 0.0) / own * cause.quantity.u
    assert -moved == pytest.approx(part, rel=0.03, abs=0.02 * cause.quantity.u + 1e-5)


def test_the_runout_of_one_shaft_is_one_cause() -> None:
    causes = measured().causes
    other = replace(causes, each=tuple(replace(c, quantity=_of_another(c.quantity)) for c in causes.each))
    at = Place.on(measured().swept.curve, 60.0)
    apart = causes.off_angle(at) - other.off_angle(at)
    together = on_one_shaft(apart, (causes, other))
    runout = [s for s in together.parts if s.name.startswith("runout")]
    assert len(runout) == 1
    assert together.parts[runout[0]] == pytest.approx(2 * causes.off_angle(at, ("runout",)).u)


def _of_another(quantity: Quantity) -> Quantity:
    return Quantity(quantity.value, {replace(s, name=f"{s.name}, another lobe"): part for s, part in quantity.parts.items()})


def test_where_lash_keeps_the_cam_from_the_valve_its_runout_does_nothing() -> None:
    rig = replace(with_lobes(FINE, LOBE), train=replace(FINE.train, lash_mm=0.2), indicators=(Indicator(where="valve"),))
    lobe = examine(job_for(rig, rig={"cam_runout_mm": 0.005}), captures(rig, ("stop", "intake"))).intake
    closed, lifted = (replace(Place.on(lobe.swept.curve, 40.0), lift_mm=np.asarray(mm)) for mm in (0.0, 1.0))
    assert lobe.causes.off_lift(closed, ("runout",)).u == 0.0
    assert lobe.causes.off_lift(lifted, ("runout",)).u > 0.001


def test_passes_that_do_not_cover_the_lobe_are_not_whole() -> None:
    """One that ends on the lobe, one with a hole of ten degrees; one that is empty does not even count as broken."""
    swept = measured().swept
    curve, points = swept.curve, swept.curve.points
    assert whole_passes(curve) == 2, "five turns are two cycles, and half of one"
    first = points.pass_ == points.pass_.min()
    for broken in (
        points.deg > swept.peak_deg,
        np.abs(points.deg - swept.peak_deg - 20.0) <= 5.0,
        np.ones(points.deg.shape, bool),
    ):
        assert whole_passes(replace(curve, points=only(points, ~(first & broken)))) == 1
