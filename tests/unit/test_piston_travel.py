"""TDC from the piston's travel: whether its uncertainty is the size of its error."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.geometry import SliderCrank
from analysis.tdc.travel import Prior, Travel, fit_travel

CRANK = SliderCrank(43.0, 143.0)
CPR, STEP_MM, PASSES = 2400, 0.01, 6


def errors_in_u(seed: int, noise_mm: float) -> list[float]:
    """Errors of TDC and of the off-center parts (true: none), in their standard uncertainties: one reading a degree in each of six
    passes over the same edges, rounded to the indicator's step. What the travel does not tell (lag, scale) is known.
    """
    rng = np.random.default_rng(seed)
    edges = np.arange(-50.0, 50.0) + rng.uniform(0.0, 1.0)
    deg = np.tile(edges, PASSES)
    height = 20.0 - CRANK.travel(deg) + STEP_MM * rng.uniform() + noise_mm * rng.standard_normal(deg.size)
    travel = Travel(deg, np.full(deg.size, 15.0), STEP_MM * np.rint(height / STEP_MM), 0.0)
    fit = fit_travel(travel, CRANK, Prior(0.0, 1e-9, 0.3, 1e-9), CPR)
    return [fit.tdc.value / fit.tdc.u, fit.sine.value / fit.sine.u, fit.cosine.value / fit.cosine.u]


@pytest.mark.parametrize("noise_mm", [0.0, 0.001, 0.005], ids=lambda mm: f"{mm} mm of noise, seeds 0 to 149")
def test_rounding_that_all_passes_share_is_not_averaged_away(noise_mm: float) -> None:
    """Without noise every pass says the same, and six are worth one. A mean square of 150 errors is within a factor 0.55 to 1.6 of
    its own mean (chi-squared, one in a hundred thousand); taken as independent, the cells make it 6.
    """
    z = np.array([errors_in_u(seed, noise_mm) for seed in range(150)])
    square = (z**2).mean(axis=0)
    assert np.all(square < 1.6), square
    assert np.all(square > 0.4), square
