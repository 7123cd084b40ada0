"""How well the mean zero of several passes is known, where each pass's zero stays on one code of the indicator."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.curve.base_circle import BaseCircle
from tests.left_out import thorough

STEP = 0.01


def circle(zeros: np.ndarray) -> BaseCircle:
    """Zeros (mm) before and after the lobe of each pass in turn."""
    return BaseCircle(zeros[::2], zeros[1::2], -180.0, 180.0, 0.0, 0.0, 300.0, 0.0)


@pytest.mark.parametrize("passes", [3, *thorough(10)])
@pytest.mark.parametrize("drift_steps", [0.0, 0.2, 1.0, 3.0])
def test_what_is_claimed_is_what_rounding_does(passes: int, drift_steps: float) -> None:
    """500 zeros that drift evenly, from any place within a code on, seed 3: the root mean square of what is claimed against that of
    the mean zero's error. Too little is not allowed; too much is, where next to nothing is left.
    """
    rng = np.random.default_rng(3)
    claimed, error = [], []
    for start in rng.uniform(0.0, 1.0, 500):
        true = STEP * (start + drift_steps * np.linspace(0.0, 1.0, 2 * passes))
        zeros = STEP * np.rint(true / STEP)
        claimed.append(circle(zeros).mean_zero_u_mm(STEP))
        error.append(np.mean(zeros - true))
    ratio = math.sqrt(np.mean(np.square(claimed)) / np.mean(np.square(error)))
    assert 0.9 < ratio < 6.0
    if drift_steps == 0.0:
        assert claimed == pytest.approx(np.full(500, STEP / math.sqrt(12)), rel=0.03)


def test_a_drift_over_codes_is_worth_something() -> None:
    still, moved = (circle(STEP * np.rint(np.linspace(0.2, 0.2 + steps, 20))) for steps in (0.0, 3.0))
    assert moved.mean_zero_u_mm(STEP) < 0.4 * still.mean_zero_u_mm(STEP)
    assert moved.zero_u_mm(STEP) == still.zero_u_mm(STEP)


def test_a_pass_or_a_side_without_a_base_circle_has_no_say() -> None:
    zeros = STEP * np.rint(np.linspace(0.2, 3.2, 20))
    holes = zeros.copy()
    holes[[3, 8, 15]] = np.nan
    assert circle(holes).mean_zero_u_mm(STEP) == pytest.approx(circle(zeros).mean_zero_u_mm(STEP), rel=0.6)
    few = np.full(6, np.nan)
    few[[0, 3]] = 0.02
    assert circle(few).mean_zero_u_mm(STEP) == circle(few).zero_u_mm(STEP)


def test_a_side_that_is_missing_lies_where_the_drift_puts_it() -> None:
    """A sweep that begins and ends on the lobe, its zero drifting evenly: by 0.2 mm from before the lobe to behind it."""
    found = circle(np.array([np.nan, 0.3, 0.5, 0.7, 0.9, np.nan]))
    spots = np.array([-180.0, 0.0, 180.0])
    assert found.zero(0, spots) == pytest.approx([0.1, 0.2, 0.3])
    assert found.zero(1, spots) == pytest.approx([0.5, 0.6, 0.7])
    assert found.zero(2, spots) == pytest.approx([0.9, 1.0, 1.1])


def test_where_no_pass_has_both_sides_each_keeps_the_one_it_has() -> None:
    found = circle(np.array([np.nan, 0.3, 0.5, np.nan]))
    spots = np.array([-180.0, 180.0])
    assert found.zero(0, spots) == pytest.approx([0.3, 0.3])
    assert found.zero(1, spots) == pytest.approx([0.5, 0.5])


def test_between_the_base_circles_a_drift_with_rests_is_known_as_well_as_claimed() -> None:
    """2000 passes between zeros that are right, seed 4, with the whole drift of the lobe at one place: against a straight line."""
    rng = np.random.default_rng(4)
    place, at = rng.uniform(0.0, 1.0, (2, 2000))
    moved = 0.006
    error = (at > place) * moved - at * moved
    zeros = moved * np.arange(6)  # as much again on the base circle
    assert circle(zeros).uneven_u_mm == pytest.approx(np.sqrt(np.mean(error**2)), rel=0.03)
    assert circle(np.full(6, 0.3)).uneven_u_mm == 0.0
