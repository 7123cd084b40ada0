"""The limits of the short forms: chance seldom breaks them, an interval that is too narrow does."""

from __future__ import annotations

import numpy as np
import pytest

from tests.statistics.short import in_u, missed


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("trials", [20, 140])
def test_normal_errors_pass_and_larger_ones_do_not(trials: int, seed: int) -> None:
    names = [f"number {k}" for k in range(2000)]
    errors = np.random.default_rng(seed).normal(size=(trials, len(names)))
    assert len(missed(errors, names, 1e-3)) < 12  # of two that chance makes; 12 come once in a million (Poisson)
    assert len(missed(2.0 * errors, names, 1e-3)) > 1800


def test_an_interval_of_95_percent_is_1_96_standard_uncertainties() -> None:
    assert in_u([0.5, np.nan], [0.98, 1.0])[0] == pytest.approx(1.0)
    assert np.isnan(in_u([0.5, np.nan], [0.98, 1.0])[1])


def test_with_many_trials_even_errors_with_a_right_interval_still_pass() -> None:
    """Errors spread evenly over 1, told as 0.95: JCGM 100 gives a rectangle's 95 % so."""
    many = np.random.default_rng(3).uniform(-1.0, 1.0, size=(400_000, 1))
    assert np.mean(np.abs(many) < 0.95) == pytest.approx(0.95, abs=0.002)
    assert missed(in_u(many, 0.95) * 0.99, ["one"]) == {}
    assert missed(in_u(many, 0.95) * 1.01, ["one"]).keys() == {"one"}
