"""TDC from the piston's travel: whether its uncertainty is the size of its error."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.tdc.slider_crank import SliderCrank
from analysis.tdc.travel import Prior, Travel, TravelFit, fit_travel

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
    travel = Travel(deg, np.full(deg.size, 15.0), STEP_MM * np.rint(height / STEP_MM), np.repeat(range(PASSES), 100), 0.0)
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


def drifting(seed: int) -> TravelFit:
    """Six passes that begin and end anywhere 25 to 50 degrees from the top, from one to the next of which the indicator drifts by
    0.005 mm (standard deviation); nothing else is wrong but 0.001 mm of noise. What the travel does not tell is known.
    """
    rng = np.random.default_rng(seed)
    spans = [np.arange(-rng.uniform(25, 50), rng.uniform(25, 50)) for _ in range(PASSES)]
    visit = np.repeat(range(PASSES), [span.size for span in spans])
    deg, drift = np.concatenate(spans), 0.005 * rng.standard_normal(PASSES).cumsum()
    height = 20.0 - CRANK.travel(deg) + drift[visit] + 0.001 * rng.standard_normal(deg.size)
    return fit_travel(Travel(deg, np.full(deg.size, 15.0), height, visit, 0.0), CRANK, Prior(0.0, 1e-9, 1e-9, 1e-9), CPR)


def test_an_indicator_that_drifts_from_pass_to_pass_does_not_move_tdc() -> None:
    """Seeds 0 to 29. With one height for all passes the error is nine times the 0.0001 degrees that noise leaves (rms). Limits
    as chi-squared has them in one of ten thousand.
    """
    fits = [drifting(seed) for seed in range(30)]
    off = np.array([fit.tdc.value * 360.0 / CPR for fit in fits])
    assert np.sqrt(np.mean(off**2)) < 0.0003
    assert 0.2 < np.mean([(fit.tdc.value / fit.tdc.u) ** 2 for fit in fits]) < 2.3


def test_a_pass_of_one_reading_tells_nothing_and_breaks_nothing() -> None:
    """Its height takes up all it says: TDC stays where it was to the last digit, whatever the reading."""
    deg = np.arange(-50.0, 50.0)
    height = 20.0 - CRANK.travel(deg) + 0.001 * np.random.default_rng(1).standard_normal(deg.size)
    prior = Prior(0.0, 0.01, 0.3, 1e-3)
    found = []
    for stray_mm in (0.0, 5.0):
        heights, visit = np.append(height, stray_mm), np.append(np.zeros(deg.size, dtype=np.int64), 1)
        found.append(
            fit_travel(Travel(np.append(deg, -10.5), np.full(deg.size + 1, 15.0), heights, visit, 0.0), CRANK, prior, CPR)
        )
    assert found[0].tdc.value == pytest.approx(found[1].tdc.value, abs=1e-9)
    assert abs(found[0].tdc.value) < 4 * found[0].tdc.u
