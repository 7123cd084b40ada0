"""By how much one sweep lies after another: the shift, its uncertainty, and what refuses to be compared."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.base.errors import DataError
from analysis.base.selection import only
from analysis.compare.shift import shift_between
from analysis.curve.lift_curve import Curve
from tests.statistics.random_error import SHIFT_DEG, shifted, steady_rig, swept_by
from tests.statistics.trials import Scenario

BENCH = Scenario(0.15, 0.01, "edge", 3, "unsymmetrical")


def test_a_sweep_has_not_moved_against_itself() -> None:
    curve = swept_by(steady_rig(BENCH, 1)).curve
    found = shift_between(curve, curve)
    assert found.value == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("way", [0.3, -7.0, 33.3])
def test_a_curve_moved_by_hand_has_moved_by_just_that(way: float) -> None:
    curve = swept_by(steady_rig(BENCH, 2)).curve
    moved = replace(curve, pooled=replace(curve.pooled, deg=curve.pooled.deg + way))
    assert shift_between(curve, moved).value == pytest.approx(way, abs=1e-4)
    assert shift_between(moved, curve).value == pytest.approx(-way, abs=1e-4)


@pytest.mark.parametrize("seed", range(6))
def test_a_camshaft_moved_by_half_a_degree(seed: int) -> None:
    """Against the simulator's truth; the uncertainty is of the size of the error and of the Cramer-Rao bound."""
    moved = shifted(BENCH, seed)
    assert abs(moved.error) < 4 * moved.u
    assert abs(moved.error) < 0.01 * SHIFT_DEG
    assert 0.4 < moved.u / moved.bound < 2.5


def test_the_lag_of_two_speeds_is_in_the_budget() -> None:
    curve = swept_by(steady_rig(BENCH, 3)).curve
    unsure = replace(curve, lag=replace(curve.lag, u=0.01))
    parts = {s.name: part for s, part in shift_between(unsure, unsure).parts.items()}
    speed = float(np.mean(curve.pooled.speed))
    assert parts["latency of the indicator, first sweep"] == pytest.approx(0.01 * speed, rel=0.3)
    assert parts["latency of the indicator, second sweep"] == pytest.approx(-0.01 * speed, rel=0.3)


def test_half_a_lobe_against_the_other_half_is_refused() -> None:
    curve = swept_by(steady_rig(BENCH, 4)).curve

    def half(upper: bool) -> Curve:
        return replace(curve, pooled=only(curve.pooled, (curve.pooled.deg > 100.0) == upper))

    with pytest.raises(DataError, match="in common"):
        shift_between(half(True), half(False))
