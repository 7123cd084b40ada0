"""Penalised least squares in B-splines, in banded form: normal equations, penalties, and the likelihood of a fit.

P-splines (Eilers & Marx, Statistical Science 11 (1996) 89); restricted likelihood as Wahba, Annals of Statistics 13 (1985) 1378. Cost
and memory grow with readings plus knots.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.interpolate import BSpline
from scipy.linalg import cho_solve_banded, cholesky_banded

from analysis.base.errors import DataError
from analysis.base.samples import Floats

DEGREE = 7
ORDER = 5
KNOT_DEG = 2.0


@dataclass(frozen=True)
class Solved:
    """`criterion`: minus twice the restricted log likelihood, up to a constant."""

    criterion: float
    coefficients: Floats
    factor: Floats
    sigma2: float


@dataclass(frozen=True)
class Penalty:
    """A penalty in banded lower form, and that times the coefficients `start` of a problem: made from their differences, since the
    entries of the matrix, rounded, would draw at a curve that is straight.
    """

    banded: Floats
    at_start: Floats

    def __mul__(self, factor: float) -> Penalty:
        return Penalty(factor * self.banded, factor * self.at_start)

    def __add__(self, other: Penalty) -> Penalty:
        return Penalty(self.banded + other.banded, self.at_start + other.at_start)


@dataclass(frozen=True)
class Problem:
    """Normal equations of a fit to what a first curve, of coefficients `start`, leaves of `n` readings: banded lower `gram` B'WB,
    `right` B'Wr, `total` r'Wr, r = y - B start. In terms of y itself the misfit would be the difference of two numbers a million
    times as large, and its noise would choose the smoothing parameters. Penalties are in units of the mean of the diagonal of `gram`.
    """

    low: float
    high: float
    knots: Floats
    start: Floats
    gram: Floats
    right: Floats
    total: float
    n: int

    @classmethod
    def of(cls, x: Floats, y: Floats, w: Floats, low: float, high: float) -> Problem:
        """Readings to normal equations; parameters and errors as `fit_spline`."""
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
        # Each reading meets as many neighbouring B-splines as the degree says, and one.
        met = design.data.reshape(-1, DEGREE + 1)
        weighed, number = met * w[:, None], design.indices.reshape(-1, DEGREE + 1)
        gram: Floats = np.zeros((DEGREE + 1, count))
        for d, left in enumerate(range(DEGREE + 1, 0, -1)):
            gram[d] = np.bincount(number[:, :left].ravel(), (weighed[:, :left] * met[:, d:]).ravel(), count)
        factor = cholesky_banded(gram + _scaled(gram, ORDER, np.ones(count - ORDER)), lower=True, check_finite=False)
        start = cho_solve_banded((factor, True), design.T @ (w * y), check_finite=False)
        left = y - design @ start
        right, total = np.asarray(design.T @ (w * left)), float(np.sum(w * left * left))
        return cls(low, high, np.asarray(knots, dtype=np.float64), start, gram, right, total, x.size)

    @property
    def count(self) -> int:
        """Number of coefficients."""
        return self.right.size

    @cached_property
    def bend(self) -> Penalty:
        """On fifth differences, with the same weight everywhere."""
        return self.penalty(ORDER, np.ones(self.count - ORDER))

    def penalty(self, order: int, weight: Floats) -> Penalty:
        """On differences of an order with weights."""
        drawn = np.diff(np.pad(weight * np.diff(self.start, order), order), order) * (-1.0) ** order
        return Penalty(_scaled(self.gram, order, weight), float(self.gram[0].mean()) * drawn)

    def solve(self, penalty: Penalty, log_determinant: float, null: int) -> Solved:
        """The fit under a penalty with this log pseudo-determinant and dimension of its null space."""
        factor = cholesky_banded(self.gram + penalty.banded, lower=True, check_finite=False)
        pull = penalty.at_start
        right = self.right - pull
        move = cho_solve_banded((factor, True), right, check_finite=False)
        misfit = max(self.total + float(self.start @ pull) - float(move @ right), 1e-300)
        dof = self.n - null
        criterion = dof * np.log(misfit) + 2 * float(np.sum(np.log(factor[0]))) - log_determinant
        return Solved(criterion, self.start + move, factor, misfit / dof)


def _scaled(gram: Floats, order: int, weight: Floats) -> Floats:
    """A penalty's matrix in the shape of a banded `gram`, in units of the mean of its diagonal."""
    banded = np.zeros_like(gram)
    banded[: order + 1] = squares(gram.shape[1], order, weight)
    return float(gram[0].mean()) * banded


def log_det(banded: Floats) -> float:
    """Log of the determinant of a positive definite matrix in banded lower form."""
    return 2 * float(np.sum(np.log(cholesky_banded(banded, lower=True, check_finite=False)[0])))


def squares(count: int, order: int, weight: Floats) -> Floats:
    """Banded lower form of D'WD, D the differences of an order. Shape (order + 1, count); `weight` (count - order,)."""
    signs = [(-1.0) ** (order - k) * math.comb(order, k) for k in range(order + 1)]
    banded = np.zeros((order + 1, count))
    for i, a in enumerate(signs):
        for j, b in enumerate(signs[: i + 1]):
            banded[i - j, j : j + weight.size] += a * b * weight
    return banded
