"""What a spread is made of: variances of crossed or nested random effects by restricted maximum likelihood.

y = mean + one effect for each level of each factor + scatter, all independent and normal. The likelihood is that of Patterson &
Thompson, Biometrika 58 (1971) 545, in the relative standard deviations of Bates et al., J. Stat. Softw. 67 (2015) 1. Balanced or not,
it is one way; with balanced data it gives what the analysis of variance gives, negative estimates set to zero and pooled.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve
from scipy.optimize import minimize

from analysis.base.errors import DataError
from analysis.base.samples import Floats

# Where the search begins, as relative standard deviations; the best of all is taken.
_STARTS = (1.0, 0.3, 3.0)


@dataclass(frozen=True)
class Components:
    """Variances by factor and of the scatter, in the square of the unit of the data; `mean` with its standard error `mean_u`."""

    variance: Mapping[str, float]
    scatter: float
    mean: float
    mean_u: float


def reml(y: Sequence[float] | Floats, factors: Mapping[str, Sequence[object]]) -> Components:
    """Components of variance. `factors`: the level of each of n values, by name; a factor whose levels are pairs is an interaction.

    Raises DataError if there are too few values, or if all are the same.
    """
    values = np.asarray(y, dtype=np.float64)
    n = values.size
    designs = [_same_level(levels) for levels in factors.values()]
    if n < 3 or any(len(levels) != n for levels in factors.values()):
        raise DataError(f"{n} values are too few to tell what their spread is made of", do="Measure more often")
    if float(np.ptp(values)) == 0.0:
        raise DataError("all values are the same", do="Check that they are not one measurement read several times")
    scaled = (values - values.mean()) / values.std()

    def deviance(relative: Floats) -> float:
        return _profiled(scaled, designs, relative)[0]

    best = _best(deviance, len(designs))
    _, scatter, mean, mean_u = _profiled(scaled, designs, best)
    unit = float(values.std())
    variance = {name: float(each) * unit**2 for name, each in zip(factors, best**2 * scatter, strict=True)}
    return Components(variance, scatter * unit**2, float(values.mean()) + mean * unit, mean_u * unit)


def _same_level(levels: Sequence[object]) -> Floats:
    """1 where two values have the same level. Shape (n, n)."""
    number = {level: k for k, level in enumerate(dict.fromkeys(levels))}
    at = np.array([number[level] for level in levels])
    return np.asarray(at[:, None] == at, dtype=np.float64)


def _profiled(y: Floats, designs: Sequence[Floats], relative: Floats) -> tuple[float, float, float, float]:
    """Minus twice the restricted log likelihood with the scatter's variance at its best, that variance, the mean and its error."""
    n = y.size
    shape = np.eye(n) + sum((r * r * design for r, design in zip(relative, designs, strict=True)), start=np.zeros((n, n)))
    factor = cho_factor(shape, lower=True, check_finite=False)
    one = cho_solve(factor, np.ones(n), check_finite=False)
    power = float(one.sum())
    mean = float(one @ y) / power
    left = y - mean
    misfit = float(left @ cho_solve(factor, left, check_finite=False))
    determinant = 2.0 * float(np.sum(np.log(np.diag(factor[0]))))
    scatter = misfit / (n - 1)
    return determinant + math.log(power) + (n - 1) * math.log(misfit), scatter, mean, math.sqrt(scatter / power)


def _best(deviance: Callable[[Floats], float], count: int) -> Floats:
    """The relative standard deviations of least deviance, none below zero. Shape (count,)."""
    if count == 0:
        return np.zeros(0)
    bounds = [(0.0, None)] * count
    tried = [minimize(deviance, np.full(count, start), method="L-BFGS-B", bounds=bounds) for start in _STARTS]
    found = np.asarray(min(tried, key=lambda each: float(each.fun)).x)
    return _settled(deviance, np.where(found < 1e-4, 0.0, found))


def _settled(deviance: Callable[[Floats], float], found: Floats) -> Floats:
    """The minimum with more digits, among the effects that are there."""
    free = found > 0.0
    if not free.any():
        return found

    def of(free_ones: Floats) -> float:
        at = found.copy()
        at[free] = np.abs(free_ones)
        return deviance(at)

    close = minimize(of, found[free], method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-12, "maxiter": 4000})
    best = found.copy()
    best[free] = np.abs(close.x)
    return best
