"""How well measurements repeat: analysis of variance and intervals of precision, outlier tests of ISO 5725-2, and gauge R&R.

Symbols and formulas of ISO 5725-2:2019 where a name is one of its own; the critical values are computed, not tabulated.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from analysis.base.quantity import LEVEL
from analysis.base.samples import Floats
from analysis.base.variance_components import Components

# Limit of the difference between two results, in standard deviations: 1.96 sqrt 2 (ISO 5725-6).
LIMIT = 2.8
# Spread that a tolerance is compared with, in standard deviations, and what tells categories apart (AIAG, Measurement Systems
# Analysis, 4th ed., 2010).
WIDTH, CATEGORIES = 6.0, math.sqrt(2.0)


@dataclass(frozen=True)
class Line:
    """One line of an analysis of variance: the sum of squares of a factor after those before it, with its degrees of freedom, and
    how much of each variance its mean square expects: shape (k,), the factors in their order, the scatter last.
    """

    squares: float
    dof: int
    expected: Floats

    @property
    def mean_square(self) -> float:
        """The sum of squares over its degrees of freedom; NaN without any."""
        return self.squares / self.dof if self.dof else math.nan


def analysis_of_variance(y: Sequence[float] | Floats, factors: Mapping[str, Sequence[object]]) -> dict[str, Line]:
    """A line for each factor, given as the level of each of n values, and one for the "scatter", by name. Balanced or not: each
    factor takes what those before it have left.
    """
    values = np.asarray(y, dtype=np.float64)
    n = values.size
    # From a value near all others: sums of squares of large numbers lose what they are about.
    values = values - values[0]
    designs = {name: _design(levels) for name, levels in factors.items()}
    taken, lines = np.full((n, 1), 1.0 / math.sqrt(n)), {}
    for name, design in designs.items():
        u, size, _ = np.linalg.svd(_left(design, taken), full_matrices=False)
        own = u[:, size > 1e-6]
        dof = own.shape[1]
        expected = [*(float(np.sum((own.T @ each) ** 2)) / max(dof, 1) for each in designs.values()), 1.0]
        lines[name] = Line(float(np.sum((own.T @ values) ** 2)), dof, np.array(expected))
        taken = np.hstack([taken, own])
    scatter = np.append(np.zeros(len(designs)), 1.0)
    lines["scatter"] = Line(float(np.sum(_left(values, taken) ** 2)), n - taken.shape[1], scatter)
    return lines


def _left(y: Floats, taken: Floats) -> Floats:
    """What an orthonormal basis, shape (n, m), leaves of values or of columns of them. Shape of `y`."""
    return np.asarray(y - taken @ (taken.T @ y))


def _design(levels: Sequence[object]) -> Floats:
    """1 where a value has a level, a column for each. Shape (n, levels)."""
    number = {level: k for k, level in enumerate(dict.fromkeys(levels))}
    return np.asarray(np.eye(len(number))[[number[level] for level in levels]])


def interval_of_sum(lines: Mapping[str, Line], names: Sequence[str], level: float = LEVEL) -> tuple[float, float]:
    """The interval of the square root of the sum of some variances ("scatter" is one), from a whole analysis of variance.

    The sum is a combination of mean squares, each with its own chi-squared interval; these are joined by the modified large-sample
    method (Graybill & Wang, J. Am. Stat. Assoc. 75 (1980) 869; Burdick & Larsen, J. Qual. Technol. 29 (1997) 261, for gauges).
    Satterthwaite's one number of degrees of freedom holds the truth too seldom where the mean square of few groups is the larger
    part and happens to come out small. Of a single mean square it is the exact interval.
    """
    told = [line for line in lines.values() if line.dof]
    wanted = np.array([float(name in names) for name in lines])
    share = np.linalg.lstsq(np.array([line.expected for line in told]).T, wanted, rcond=None)[0]
    part = share * np.array([line.mean_square for line in told])
    ends = np.array([interval(1.0, line.dof, level) for line in told]) ** 2 - 1.0
    low, high = (np.where(share > 0.0, ends[:, k], ends[:, 1 - k]) * part for k in (0, 1))
    total = float(part.sum())
    return math.sqrt(max(total - float(np.linalg.norm(low)), 0.0)), math.sqrt(max(total + float(np.linalg.norm(high)), 0.0))


def interval(s: float, dof: float, level: float = LEVEL) -> tuple[float, float]:
    """The interval of a standard deviation with so many degrees of freedom (chi-squared)."""
    tail = (1.0 - level) / 2
    return s * math.sqrt(dof / special.chdtri(dof, tail)), s * math.sqrt(dof / special.chdtri(dof, 1.0 - tail))


@dataclass(frozen=True)
class GaugeStudy:
    """Gauge repeatability and reproducibility: standard deviations of the equipment (repeats), of the appraisers, of the
    interaction of the two with the parts, of both together (`gauge`), of the parts, and of all.
    """

    equipment: float
    appraisers: float
    interaction: float
    parts: float

    @classmethod
    def of(cls, found: Components, part: str = "part", group: str = "group", both: str = "part x group") -> GaugeStudy:
        """From components of variance by their names; what was not looked for is zero."""
        sizes = {name: math.sqrt(found.variance.get(name, 0.0)) for name in (group, both, part)}
        return cls(math.sqrt(found.scatter), sizes[group], sizes[both], sizes[part])

    @property
    def reproducibility(self) -> float:
        """Appraisers and their interaction with the parts."""
        return math.hypot(self.appraisers, self.interaction)

    @property
    def gauge(self) -> float:
        """Repeatability and reproducibility together (GRR)."""
        return math.hypot(self.equipment, self.reproducibility)

    @property
    def total(self) -> float:
        """The gauge and the parts."""
        return math.hypot(self.gauge, self.parts)

    @property
    def categories(self) -> int:
        """Number of distinct categories that the gauge tells apart among the parts (ndc), at least 1."""
        return max(int(CATEGORIES * self.parts / self.gauge), 1) if self.gauge > 0 else 1

    def of_tolerance(self, width: float) -> float:
        """Per cent of a tolerance of this width that the gauge takes up."""
        return 100.0 * WIDTH * self.gauge / width


def cochran(variances: Sequence[float] | Floats, n: int, chance: float = 0.05) -> tuple[float, float]:
    """Cochran's statistic, the largest of p variances over their sum, and its critical value for n values in each (ISO 5725-2,
    7.3.3).
    """
    each = np.asarray(variances, dtype=np.float64)
    p = each.size
    f = float(special.fdtri(n - 1, (p - 1) * (n - 1), 1.0 - chance / p))
    return float(each.max() / each.sum()), 1.0 / (1.0 + (p - 1) / f)


def grubbs(values: Sequence[float] | Floats, chance: float = 0.05) -> tuple[float, float]:
    """Grubbs' statistic, the largest distance from the mean in standard deviations, and its critical value (ISO 5725-2, 7.3.4)."""
    each = np.asarray(values, dtype=np.float64)
    n, s = each.size, float(each.std(ddof=1))
    t = float(special.stdtrit(n - 2, 1.0 - chance / (2 * n)))
    critical = (n - 1) / math.sqrt(n) * math.sqrt(t * t / (n - 2 + t * t))
    return (float(np.abs(each - each.mean()).max()) / s if s > 0 else 0.0), critical


def mandel(groups: Sequence[Sequence[float]]) -> tuple[Floats, Floats]:
    """Mandel's h (how far each group's mean lies off) and k (how much each scatters against the others), ISO 5725-2, 7.3.2. Shape
    (p,) each, two groups at least; NaN where there is no spread to compare with, k also where a group is a single value.
    """
    means = np.array([np.mean(group) for group in groups])
    variances = np.array([np.var(group, ddof=1) if len(group) > 1 else np.nan for group in groups])
    apart, repeats = float(means.std(ddof=1)), variances[np.isfinite(variances)]
    pooled = float(repeats.mean()) if repeats.size else 0.0
    return (means - means.mean()) / (apart or np.nan), np.sqrt(variances / (pooled or np.nan))


def mandel_limits(p: int, n: int, chance: float = 0.05) -> tuple[float, float]:
    """Critical values of h and k for p groups of n values (ISO 5725-2, 7.3.2.9); NaN for an h of two groups, which is always the
    same, and for a k of single values.
    """
    t = float(special.stdtrit(p - 2, 1.0 - chance / 2))
    f = float(special.fdtri(n - 1, (p - 1) * (n - 1), 1.0 - chance))
    return (p - 1) * t / math.sqrt(p * (t * t + p - 2)), math.sqrt(p * f / (f + p - 1))
