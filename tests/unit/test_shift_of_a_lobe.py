"""By how much one sweep lies after another: the shift, its uncertainty, and what refuses to be compared."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.interpolate import BSpline

from analysis.base.errors import DataError
from analysis.base.selection import only
from analysis.curve.lift_curve import Curve
from tests.left_out import thorough
from tests.statistics.random_error import SHIFT_DEG, shift_between, shifted, steady_rig, swept_by
from tests.statistics.trials import Scenario

BENCH = Scenario(0.15, 0.01, "edge", 3, "unsymmetrical")
STEP = BENCH.step_mm


def test_a_sweep_has_not_moved_against_itself() -> None:
    curve = swept_by(steady_rig(BENCH, 1)).curve
    assert shift_between(curve, curve, STEP).value == pytest.approx(0.0, abs=1e-6)


def moved_by(curve: Curve, deg: float) -> Curve:
    """The same curve so many degrees later."""
    spline, was = curve.spline, curve.spline.function
    return replace(
        curve,
        spline=replace(spline, low=spline.low + deg, high=spline.high + deg, function=BSpline(was.t + deg, was.c, was.k)),
        points=replace(curve.points, deg=curve.points.deg + deg),
        pooled=replace(curve.pooled, deg=curve.pooled.deg + deg),
    )


@pytest.mark.parametrize("way", [0.3, -7.0, 33.3])
def test_a_curve_moved_by_hand_has_moved_by_just_that(way: float) -> None:
    curve = swept_by(steady_rig(BENCH, 2)).curve
    moved = moved_by(curve, way)
    assert shift_between(curve, moved, STEP).value == pytest.approx(way, abs=1e-3)
    assert shift_between(moved, curve, STEP).value == pytest.approx(-way, abs=2e-3)


@pytest.mark.parametrize("seed", [0, 1, *thorough(2, 3, 4, 5)])
def test_a_camshaft_moved_by_half_a_degree(seed: int) -> None:
    """Against the simulator's truth; the uncertainty is of the size of the error and of the Cramer-Rao bound."""
    moved = shifted(BENCH, seed)
    assert abs(moved.error) < 4 * moved.u
    assert abs(moved.error) < 0.01 * SHIFT_DEG
    assert 0.4 < moved.u / moved.bound < 2.5


def test_half_a_lobe_against_the_other_half_is_refused() -> None:
    curve = swept_by(steady_rig(BENCH, 4)).curve

    def half(upper: bool) -> Curve:
        return replace(curve, pooled=only(curve.pooled, (curve.pooled.deg > 100.0) == upper))

    with pytest.raises(DataError, match="in common"):
        shift_between(half(True), half(False), STEP)


def test_a_shift_is_told_nearly_as_well_as_the_readings_allow() -> None:
    """Cells of four degrees lose next to nothing: against the Cramer-Rao bound, seeds 0 to 5."""
    ratio = [each.u / each.bound for each in (shifted(BENCH, seed) for seed in range(6))]
    assert np.median(ratio) < 1.6
