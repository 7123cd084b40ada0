"""The limits of the short forms: chance seldom breaks them, an interval that is too narrow does."""

from __future__ import annotations

import numpy as np
import pytest

from tests.statistics.short import DEMANDED, in_u, missed


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


def test_with_many_trials_it_is_the_share_that_the_study_demands() -> None:
    """Normal errors 1.082 times as large as said lie within 1.96 in 93 of 100 cases."""
    many = np.random.default_rng(3).normal(size=(400_000, 1))
    assert np.mean(np.abs(DEMANDED * many) < 1.96) == pytest.approx(0.93, abs=0.002)
    assert missed(1.07 * many, ["one"]) == {}
    assert missed(1.10 * many, ["one"]).keys() == {"one"}
