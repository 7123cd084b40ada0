"""The lift at any angle where lash cuts the curve at its foot: it is read on, down to where the valve is closed."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from acquire.simulator.cam import Flank, LawLobe
from acquire.simulator.rig import Rig
from analysis.base.errors import DataError
from analysis.base.selection import only
from analysis.decision.decide import decide
from analysis.decision.valve_lift import lift_at, overlap_of, valve_lift
from analysis.diagnosis.examine import examine
from analysis.lobe.result import Measurement
from analysis.tdc.slider_crank import slider_crank
from tests.left_out import thorough
from tests.recorded import captures
from tests.rigs import FINE, job_for, with_lobes

# Only one checking lift, so high that with lash the curve begins above 0.5 mm: everything below are readings alone.
HIGH = {"measure": {"checking_lifts_mm": [1.27]}}


@cache
def rig_with(lash_mm: float, separation_deg: float = 110.0) -> Rig:
    """Long unsymmetrical ramps, read at the valve by instruments without fault."""
    lobe = LawLobe(7.6, Flank("4-5-6-7", 62.0, 0.10, 12.0), Flank("3-4-5", 70.0, 0.15, 20.0))
    rig = with_lobes(FINE, lobe, separation_deg=separation_deg)
    return replace(rig, train=replace(rig.train, lash_mm=lash_mm), indicators=(replace(rig.indicators[0], where="valve"),))


@cache
def found(lash_mm: float, separation_deg: float = 110.0) -> Measurement:
    rig = rig_with(lash_mm, separation_deg)
    return examine(job_for(rig, **HIGH), captures(rig))


def true_lift(rig: Rig, valve: str, deg: np.ndarray | float) -> np.ndarray:
    """Valve lift from the simulator's law."""
    return np.asarray(rig.train.valve_lift(rig.cam.lift(valve, deg)))


@pytest.mark.parametrize("lash_mm", [0.1, *thorough(0.3)])
def test_lift_below_the_foot_is_what_was_read_there(lash_mm: float) -> None:
    rig, lobe = rig_with(lash_mm), found(lash_mm).intake
    start = lobe.swept.curve.spline.low
    assert float(true_lift(rig, "intake", start)) > 0.3
    for deg in np.linspace(start - 20.0, start + 5.0, 26):
        lift, true = lift_at(lobe, job_for(rig).rig, float(deg)), float(true_lift(rig, "intake", float(deg)))
        assert lift.value == pytest.approx(true, abs=max(2 * lift.u95, 0.003))
        assert 0.0 < lift.u95 < 0.02


def test_a_closed_valve_has_the_uncertainty_of_the_zero() -> None:
    lobe = found(0.1).intake
    rig = job_for(rig_with(0.1)).rig
    closed = lift_at(lobe, rig, -50.0)
    assert closed.value == 0.0
    assert closed.u95 >= 1.6 * lobe.causes.zero_u_mm > 0.0
    # Further from the peak than any lobe reaches nothing is to be asked.
    assert lift_at(lobe, rig, lobe.causes.peak_deg - 190.0).parts == {}


def test_a_lift_that_the_indicator_does_not_tell_from_none_is_a_bound() -> None:
    """An indicator of 0.01 mm a step, and as much of a ramp as it takes to lift the valve by less than two of them."""
    rig = rig_with(0.1)
    rig = replace(rig, indicators=(replace(rig.indicators[0], step=0.01, noise_mm=0.003),))
    lobe = examine(job_for(rig, **HIGH), captures(rig)).intake
    grid = np.arange(-60.0, 20.0, 0.01)
    deg = float(grid[np.argmax(true_lift(rig, "intake", grid) > 0.012)])
    lift = lift_at(lobe, job_for(rig).rig, deg)
    assert lift.value == 0.0
    assert 0.012 <= lift.u95 < 0.03


def test_where_nothing_was_read_the_lift_cannot_be_told() -> None:
    """The intake's sweep begins when the valve is open already, by more than the foot of the curve."""
    rig = rig_with(0.1)
    lobe = found(0.1).intake
    curve = lobe.swept.curve
    cut = replace(lobe, swept=replace(lobe.swept, curve=replace(curve, foot=only(curve.foot, slice(0)))))
    first = curve.spline.low
    with pytest.raises(DataError, match="does not reach the intake valve's lift at"):
        lift_at(cut, job_for(rig).rig, first - 1.0)
    with pytest.raises(DataError, match="does not reach"):
        overlap_of(cut, found(0.1).exhaust, job_for(rig).rig)
    # What is further from the peak is lifted by no more than the first that was read.
    assert float(valve_lift(cut, job_for(rig).rig, first - 1.0)) == pytest.approx(float(curve.spline.value(first)), abs=1e-6)


@pytest.mark.parametrize(("lash_mm", "separation_deg"), [(0.3, 110.0), *thorough((0.1, 110.0), (0.1, 100.0))])
def test_the_overlap_is_counted_down_to_where_the_valves_close(lash_mm: float, separation_deg: float) -> None:
    rig, both = rig_with(lash_mm, separation_deg), found(lash_mm, separation_deg)
    overlap = overlap_of(both.intake, both.exhaust, job_for(rig).rig)
    deg = np.arange(-120.0, 120.0, 0.01)
    area = float(np.minimum(true_lift(rig, "intake", deg), true_lift(rig, "exhaust", deg)).sum() * 0.01)
    assert overlap.area_mm_deg.value == pytest.approx(area, abs=max(1.5 * overlap.area_mm_deg.u95, 0.01 * area))


def test_the_zero_acts_on_the_overlap_all_along() -> None:
    """Both zeros half a micrometre low: the area changes by as much times the degrees of overlap, as its uncertainty says."""
    rig, both = rig_with(0.1), found(0.1)
    overlap = overlap_of(both.intake, both.exhaust, job_for(rig).rig)
    deg = np.arange(-120.0, 120.0, 0.01)
    for valve, other in (("intake", "exhaust"), ("exhaust", "intake")):
        lower, upper = true_lift(rig, valve, deg), true_lift(rig, other, deg)
        width = 0.01 * float(np.sum((lower > 0) & (lower < upper)))
        (zero,) = (
            part for source, part in overlap.area_mm_deg.parts.items() if source.name == f"zero on the base circle, {valve} lobe"
        )
        assert abs(zero) == pytest.approx(width * getattr(both, valve).causes.zero_u_mm, rel=0.1)


def test_valves_that_are_never_open_together_have_no_area() -> None:
    rig, both = rig_with(0.1, 150.0), found(0.1, 150.0)
    overlap = overlap_of(both.intake, both.exhaust, job_for(rig).rig)
    assert overlap.cross_deg is None
    assert overlap.area_mm_deg.value == 0.0
    assert overlap.area_mm_deg.u95 < 0.1


def test_one_lobe_swept_twice_has_no_overlap() -> None:
    rig, lobe = rig_with(0.1), found(0.1).intake
    with pytest.raises(DataError, match="does not follow"):
        overlap_of(lobe, lobe, job_for(rig).rig)


def test_the_least_gap_is_that_of_lift_below_the_foot() -> None:
    """A drop of 5 mm that was measured while the valve was lifted by less than the curve shows."""
    rig, at = rig_with(0.1), 0.0
    drop = {"at_deg": at, "drop_mm": 5.0, "measured_from": "lift"}
    clearance = {"intake": {"valve_angle_deg": 15.0, "error_mm": 0.0, "drop": [drop]}}
    least = decide(job_for(rig, clearance=clearance, **HIGH), captures(rig)).clearances[0]
    crank, deg = slider_crank(rig.crank.stroke_mm, rig.crank.rod_mm), np.arange(-60.0, 60.0, 0.01)
    gap = 5.0 + float(true_lift(rig, "intake", at)) + least.gap.axial * crank.travel(deg) - true_lift(rig, "intake", deg)
    assert least.least.value == pytest.approx(float(gap.min()), abs=max(2 * least.u95, 0.003))
    assert least.u95 < 0.02


def test_lift_is_read_where_an_encoder_off_center_stood() -> None:
    """Off center by 0.4 degrees, which the piston's travel tells: a flank of 0.1 mm a degree would be read 0.02 to 0.06 mm wrong."""
    rig = rig_with(0.0)
    rig = replace(rig, encoder=replace(rig.encoder, eccentric=np.radians(0.4), eccentric_deg=60.0))
    job = job_for(rig)
    lobe = examine(job, captures(rig, ("travel", "intake"))).intake
    assert lobe.causes.of("encoder")[1].quantity.value < -0.3
    for deg in (50.0, 70.0, 150.0, 170.0):
        assert lift_at(lobe, job.rig, deg).value == pytest.approx(float(true_lift(rig, "intake", deg)), abs=0.002)
        assert float(valve_lift(lobe, job.rig, deg)) == pytest.approx(float(true_lift(rig, "intake", deg)), abs=0.002)
