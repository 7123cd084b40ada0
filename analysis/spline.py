"""A smooth curve through many readings: B-splines with a difference penalty whose strength the data choose.

P-splines (Eilers & Marx, Statistical Science 11 (1996) 89) with the strength of the penalty by restricted maximum likelihood
(Wahba, Annals of Statistics 13 (1985) 1378), standard errors from the posterior covariance (Nychka, JASA 83 (1988) 1134).
Everything is banded: cost and memory grow with readings plus knots. The penalty is on fifth differences, so that what is
smoothed away is the sixth derivative's business and not the flank's curvature.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import BSpline
from scipy.linalg import cho_solve_banded, cholesky_banded
from scipy.optimize import minimize_scalar

from analysis.errors import DataError
from analysis.samples import Floats

DEGREE = 7
ORDER = 5
KNOT_DEG = 2.0


@dataclass(frozen=True)
class Spline:
    """A fitted curve over [low, high] degrees. `sigma2` is the variance of one reading of weight 1 about the curve."""

    low: float
    high: float
    function: BSpline
    factor: Floats  # banded lower Cholesky factor of B'WB + strength P
    sigma2: float
    strength: float

    def value(self, deg: Floats | float, derivative: int = 0) -> Floats:
        """Lift (mm) or its derivative (mm/deg^k) at angles in degrees. Shape of `deg`. Outside [low, high] it is extrapolated."""
        return np.asarray(self.function(deg, nu=derivative))

    def error(self, deg: Floats | float, derivative: int = 0) -> Floats:
        """Standard error of `value` from scatter alone, same unit. Shape of `deg`."""
        basis = self._basis(np.atleast_1d(np.asarray(deg, dtype=np.float64)), derivative)
        solved = cho_solve_banded((self.factor, True), basis.T)
        return np.asarray(np.sqrt(self.sigma2 * np.einsum("ij,ji->i", basis, solved)).reshape(np.shape(deg)))

    def weights(self, deg: float, x: Floats, w: Floats) -> Floats:
        """What each reading at `x` (weight `w`) adds to the value at `deg`: the smoother's equivalent kernel. Shape of `x`."""
        basis = self._basis(np.array([deg]), 0)
        solved = cho_solve_banded((self.factor, True), basis[0])
        return np.asarray(w * BSpline(self.function.t, solved, DEGREE)(x))

    def smooth(self, x: Floats, y: Floats, w: Floats) -> BSpline:
        """Another set of readings at the same places, put through the same smoother: a function of the angle."""
        right = np.asarray(BSpline.design_matrix(x, self.function.t, DEGREE).T @ (w * y))
        return BSpline(self.function.t, cho_solve_banded((self.factor, True), right), DEGREE)

    def _basis(self, deg: Floats, derivative: int) -> Floats:
        unit = BSpline(self.function.t, np.eye(self.function.c.size), DEGREE)
        return np.asarray(unit(deg, nu=derivative))


def fit_spline(x: Floats, y: Floats, w: Floats, low: float, high: float) -> Spline:
    """Fit lifts `y` (mm) at angles `x` (deg) with weights `w` (inverse variance up to a factor). Shape (n,).

    Raises DataError for fewer than 12 readings or none over most of [low, high].
    """
    if x.size < 12 or np.ptp(x) < 0.5 * (high - low):
        raise DataError(
            f"only {x.size} readings over {np.ptp(x) if x.size else 0:.0f} degrees of the lobe",
            do="Sweep the whole lobe again, slowly",
        )
    spans = int(np.ceil((high - low) / KNOT_DEG))
    step = (high - low) / spans
    knots = low + step * np.arange(-DEGREE, spans + DEGREE + 1)
    count = spans + DEGREE
    design = BSpline.design_matrix(x, knots, DEGREE)
    product = (design.T @ design.multiply(w[:, None])).tocsr()
    gram = np.zeros((DEGREE + 1, count))
    for d in range(DEGREE + 1):
        gram[d, : count - d] = product.diagonal(d)
    right = np.asarray(design.T @ (w * y))
    penalty = _penalty(count)
    scale = float(gram[0].mean())
    total = float(np.sum(w * y * y))
    freedom = x.size - ORDER

    def solve(log_strength: float) -> tuple[float, Floats, Floats, float]:
        strength = scale * np.exp(log_strength)
        factor = cholesky_banded(gram + strength * penalty, lower=True)
        coefficients = cho_solve_banded((factor, True), right)
        misfit = max(total - float(coefficients @ right), 1e-300)
        log_det = 2 * float(np.sum(np.log(factor[0])))
        criterion = freedom * np.log(misfit) + log_det - (count - ORDER) * log_strength
        return criterion, coefficients, factor, misfit / freedom

    grid = np.arange(-12.0, 19.0, 3.0)
    best = int(np.argmin([solve(at)[0] for at in grid]))
    bounds = (grid[max(best - 1, 0)], grid[min(best + 1, grid.size - 1)])
    found = float(minimize_scalar(lambda at: solve(at)[0], bounds=bounds, method="bounded", options={"xatol": 0.05}).x)
    _, coefficients, factor, sigma2 = solve(found)
    return Spline(low, high, BSpline(knots, coefficients, DEGREE), factor, sigma2, found)


def _penalty(count: int) -> Floats:
    """Banded lower form of D'D, D the differences of order `ORDER`. Shape (DEGREE + 1, count)."""
    difference = np.diff(np.eye(count), ORDER, axis=0)
    square = difference.T @ difference
    banded = np.zeros((DEGREE + 1, count))
    for d in range(ORDER + 1):
        banded[d, : count - d] = np.diagonal(square, -d)
    return banded
