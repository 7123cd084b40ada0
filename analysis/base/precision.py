"""How well measurements repeat: one-way analysis of variance and precision after ISO 5725-2, its outlier tests, and gauge R&R.

Symbols and formulas of ISO 5725-2:2019 where a name is one of its own; the critical values are computed, not tabulated.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from analysis.base.errors import DataError
from analysis.base.samples import Floats
from analysis.base.variance_components import Components

# Limit of the difference between two results, in standard deviations: 1.96 sqrt 2 (ISO 5725-6).
LIMIT = 2.8
# Spread that a tolerance is compared with, in standard deviations, and what tells categories apart (AIAG, Measurement Systems
# Analysis, 4th ed., 2010).
WIDTH, CATEGORIES = 6.0, math.sqrt(2.0)


@dataclass(frozen=True)
class OneWay:
    """Analysis of variance with one factor: sums of squares, degrees of freedom, F and the chance of one as large."""

    between: float
    within: float
    dof_between: int
    dof_within: int

    @property
    def f(self) -> float:
        """The F statistic."""
        return (self.between / self.dof_between) / (self.within / self.dof_within)

    @property
    def chance(self) -> float:
        """Chance of an F as large where nothing differs."""
        return float(special.fdtrc(self.dof_between, self.dof_within, self.f))


@dataclass(frozen=True)
class Precision:
    """Standard deviations after ISO 5725-2: of repeatability (`s_r`), between groups (`s_l`), of reproducibility (`s_R`); with the
    95 % interval of the first and the last.
    """

    s_r: float
    s_l: float
    s_big_r: float
    interval_r: tuple[float, float]
    interval_big_r: tuple[float, float]


def one_way(groups: Sequence[Sequence[float]]) -> OneWay:
    """Groups of values. Raises DataError with fewer than two groups, or where none holds two values."""
    arrays = [np.asarray(group, dtype=np.float64) for group in groups if len(group)]
    n = sum(each.size for each in arrays)
    if len(arrays) < 2 or n <= len(arrays):
        raise DataError("there are not two groups with repeats in them", do="Measure again under the conditions to be compared")
    # From a value near all others: sums of squares of large numbers lose what they are about.
    origin = float(arrays[0][0])
    arrays = [each - origin for each in arrays]
    means = np.array([each.mean() for each in arrays])
    sizes = np.array([each.size for each in arrays], dtype=np.float64)
    grand = float(np.sum(sizes * means) / n)
    between = float(np.sum(sizes * (means - grand) ** 2))
    within = float(sum(np.sum((each - mean) ** 2) for each, mean in zip(arrays, means, strict=True)))
    return OneWay(between, within, len(arrays) - 1, n - len(arrays))


def precision(groups: Sequence[Sequence[float]]) -> Precision:
    """Repeatability and reproducibility from groups of repeats, of one size or not (ISO 5725-2, 7.4). Raises DataError as
    `one_way`.
    """
    table = one_way(groups)
    sizes = np.array([len(group) for group in groups if len(group)], dtype=np.float64)
    s_r2 = table.within / table.dof_within
    typical = (sizes.sum() - np.sum(sizes**2) / sizes.sum()) / table.dof_between
    s_l2 = max((table.between / table.dof_between - s_r2) / typical, 0.0)
    both = s_r2 + s_l2
    # Satterthwaite: s_R^2 = MS_between / n + (1 - 1/n) MS_within.
    parts = (table.between / table.dof_between / typical, table.dof_between), ((1 - 1 / typical) * s_r2, table.dof_within)
    dof = both * both / sum(part * part / dof for part, dof in parts) if s_l2 > 0 else table.dof_within + table.dof_between
    return Precision(
        math.sqrt(s_r2),
        math.sqrt(s_l2),
        math.sqrt(both),
        interval(math.sqrt(s_r2), table.dof_within),
        interval(math.sqrt(both), dof),
    )


def interval(s: float, dof: float, level: float = 0.95) -> tuple[float, float]:
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
