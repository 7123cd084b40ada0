"""The study's rivals are what they claim to be, and the spline's own kernel does what a smoother must.

A contest against a wrong rival would prove nothing: its variance is held against Savitzky and Golay, its crossings against the
formulas for white noise.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.curve.smoothing import fit_spline, fit_with_ramps
from tests.statistics.random_error import line_between_two, local_weights


def even(m: int, degree: int) -> np.ndarray:
    """Weights of 2m + 1 evenly spaced, equally weighted readings."""
    z = np.arange(-m, m + 1, dtype=np.float64)
    return local_weights(z, np.ones_like(z), degree)


# Savitzky & Golay, Anal. Chem. 36 (1964) 1627 (from memory).
@pytest.mark.parametrize(
    ("m", "smooth", "slope", "bend"),
    [(2, 17 / 35, 1 / 10, 2 / 7), (3, 1 / 3, 1 / 28, 1 / 21), (4, 59 / 231, 1 / 60, 1 / 77), (5, 89 / 429, 1 / 110, 2 / 429)],
)
def test_variance_of_evenly_spaced_readings(m: int, smooth: float, slope: float, bend: float) -> None:
    for degree in (2, 3):
        assert np.sum(even(m, degree)[0] ** 2) == pytest.approx(smooth)
    assert np.sum(even(m, 2)[1] ** 2) == pytest.approx(slope)
    assert np.sum((2 * even(m, 2)[2]) ** 2) == pytest.approx(bend)


def test_published_weights() -> None:
    assert even(2, 2)[0] * 35 == pytest.approx([-3, 12, 17, 12, -3])
    assert even(3, 3)[0] * 21 == pytest.approx([-2, 3, 6, 7, 6, 3, -2])
    assert np.sum(even(2, 3)[1] ** 2) == pytest.approx(0.902778, abs=1e-6), "a cubic's slope costs nine times a quadratic's"


@pytest.mark.parametrize(("n", "sd"), [(21, 0.006547), (5, 0.013416)])
def test_a_line_through_readings_about_a_crossing(n: int, sd: float) -> None:
    """sigma / (b sqrt n), with sigma 0.003 mm and slope 0.1 mm/deg."""
    assert 0.003 / 0.1 * math.sqrt(np.sum(even(n // 2, 1)[0] ** 2)) == pytest.approx(sd, rel=1e-3)


@pytest.mark.parametrize(("share", "sd"), [(0.25, 0.0237), (0.5, 0.0212)])
def test_the_line_between_two_readings(share: float, sd: float) -> None:
    """(sigma / b) sqrt((1 - t)^2 + t^2): crossing at a share t of the way between two readings half a degree apart; seed 8."""
    rng, b, sigma, pitch = np.random.default_rng(8), 0.1, 0.003, 0.5
    x = pitch * (np.arange(-4, 5) - share)
    found = [line_between_two(x, b * x + sigma * rng.standard_normal(x.size)) for _ in range(20_000)]
    assert np.std(found) == pytest.approx(sd, rel=0.04)


@pytest.mark.parametrize("half", [2.0, 5.0])
def test_what_curvature_does_to_a_line(half: float) -> None:
    """The fitted value is off by c h^2 / 6."""
    x, c = np.linspace(-half, half, 2001), 0.004
    off = local_weights(x / half, np.ones_like(x), 1)[0] @ (c * x**2 / 2)
    assert off == pytest.approx(c * half**2 / 6, rel=2e-3)


def test_the_best_width_of_a_line() -> None:
    """h^5 = 9 sigma^2 / (2 rho c^2), the least of squared bias and variance (Fan & Gijbels, Local Polynomial Modelling, 1996, from
    memory).
    """
    sigma, per_deg, c = 0.003, 20.0, 0.002
    best = (9 * sigma**2 / (2 * per_deg * c**2)) ** 0.2
    halves, errors = best * np.linspace(0.6, 1.6, 41), []
    for half in halves:
        x = np.arange(-half, half, 1 / per_deg)
        weights = local_weights(x / half, np.ones_like(x), 1)[0]
        errors.append((weights @ (c * x**2 / 2)) ** 2 + sigma**2 * np.sum(weights**2))
    assert halves[int(np.argmin(errors))] == pytest.approx(best, rel=0.1)


@pytest.mark.parametrize("at", [-30.0, 0.7, 40.0])
@pytest.mark.parametrize("seed", [1, 2])
def test_the_spline_s_kernel_keeps_polynomials(at: float, seed: int) -> None:
    """Weights that add up to the value: what the penalty does not see, up to the fourth power, goes through unchanged, and the
    standard error is the noise times the root of the kernel's own value (Nychka, JASA 83 (1988) 1134).
    """
    rng = np.random.default_rng(seed)
    x = np.sort(rng.uniform(-60.0, 60.0, 700))
    y, w = np.cos(x / 20) + 0.01 * rng.standard_normal(x.size), rng.uniform(0.5, 2.0, x.size)
    spline = fit_spline(x, y, w, -60.0, 60.0)
    kernel = spline.weights(np.array([at]), x, w)[0]
    assert kernel @ y == pytest.approx(float(spline.value(at)), abs=1e-8)
    for power in range(5):
        assert kernel @ (x / 60) ** power == pytest.approx((at / 60) ** power, abs=1e-6)
    assert float(spline.error(at)) ** 2 >= spline.sigma2 * np.sum(kernel**2 / w) * (1 - 1e-6), (
        "no less than the noise alone makes"
    )


@pytest.mark.parametrize("seed", range(3))
def test_a_ramp_is_held_straight_and_its_top_is_kept(seed: int) -> None:
    """A straight foot of 30 degrees that bends into a flank: with the ramp held the foot's error is less over the seeds' mean, the
    flank's no worse than a tenth.
    """
    foot, flank = [], []
    for k in range(12):
        rng = np.random.default_rng([seed, k])
        x = np.arange(-80.0, 80.0, 0.2)
        rise = np.maximum(x + 50.0, 0.0)
        true = 0.007 * (x + 80.0) + 6.0 * (1 - np.cos(rise * math.pi / 130.0)) / 2 - 0.1 * (rise / 130.0) ** 2
        y = true + 0.003 * rng.standard_normal(x.size)
        pair = [fit(x, y, np.ones_like(x), -80.0, 80.0) for fit in (fit_spline, fit_with_ramps)]
        for found, places in ((foot, np.arange(-76.0, -56.0, 2.0)), (flank, np.arange(-30.0, 70.0, 5.0))):
            found.append([np.mean((s.value(places) - np.interp(places, x, true)) ** 2) for s in pair])
    even_foot, held_foot = np.sqrt(np.mean(foot, axis=0))
    even_flank, held_flank = np.sqrt(np.mean(flank, axis=0))
    assert held_foot < 0.95 * even_foot
    assert held_flank < 1.1 * even_flank
