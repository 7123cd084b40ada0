"""The uncertainty of every number, after JCGM 100:2008 (GUM).

A `Quantity` is a value and what each independent source of uncertainty does to it, as a signed standard uncertainty in the
quantity's own unit. Sums, differences and multiples keep the signs, so that what two numbers share (one TDC, one lag) moves
them together and drops out of their difference by itself: correlation needs no table of its own.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import optimize, special

from analysis.base import words
from analysis.base.errors import UsageError

DISTRIBUTIONS = ("normal", "rectangular", "triangular", "arcsine")
LEVEL: Final = 0.95  # of every interval that is printed


@dataclass(frozen=True)
class Source:
    """One independent cause of uncertainty: its name, its degrees of freedom, and its distribution (one of `DISTRIBUTIONS`).

    A finite `dof` with the distribution "normal" means a scaled and shifted t distribution (JCGM 101:2008, 6.4.9). `u` and `unit`,
    for the table only: the standard uncertainty of the cause itself where it is not in the unit of what it acts on.
    """

    name: str
    dof: float = math.inf
    distribution: str = "normal"
    u: float | None = field(default=None, compare=False)
    unit: str = field(default="", compare=False)


@dataclass(frozen=True)
class Component:
    """One row of a budget: a cause, its own standard uncertainty `u` in its own `unit`, what it alone does to the number
    (`contribution`, signed, in the number's unit), and its `share` of the number's variance.
    """

    cause: str
    distribution: str
    dof: float
    u: float
    unit: str
    contribution: float
    share: float


@dataclass(frozen=True)
class Quantity:
    """A value with its parts: source -> signed standard uncertainty that this source alone would give it.

    `unit` is "deg" (of the crank), "cam deg", "mm", "ms", "count" or "" (a ratio, or what has not been said). `place` says from
    which dead center a person reads an angle (one of those of `analysis.base.angles.label`: "intake opens"); "" is a plain number.
    An angle that a plain number is added to keeps its place; differences and multiples lose it.

    >>> tdc, lag = Source("TDC"), Source("lag of the indicator")
    >>> opens = Quantity(-7.4, {tdc: 0.05, lag: -0.02}, "deg", "intake opens")
    >>> closes = Quantity(218.1, {tdc: 0.05, lag: -0.02}, "deg", "intake closes")
    >>> print(opens, "|", closes, "|", closes - opens)  # what both share drops out of the difference
    7.40 BTDC +/-0.11 | 38.10 ABDC +/-0.11 | 225.50 +/-0.00 deg
    >>> print(-opens, 2 * opens, opens / 2, 1 - opens, sep=" | ")
    7.40 +/-0.11 deg | -14.80 +/-0.21 deg | -3.70 +/-0.05 deg | 8.40 +/-0.11 deg
    """

    value: float
    parts: Mapping[Source, float] = field(default_factory=dict)
    unit: str = ""
    place: str = ""

    def __hash__(self) -> int:
        return hash((self.value, frozenset(self.parts.items()), self.unit, self.place))

    def __str__(self) -> str:
        return words.with_unit(self)

    def __repr__(self) -> str:
        return f"<{self}>"

    @cached_property
    def u(self) -> float:
        """Combined standard uncertainty (JCGM 100 eq. 10; the sources are independent)."""
        return math.sqrt(sum(part * part for part in self.parts.values()))

    @property
    def dof(self) -> float:
        """Effective degrees of freedom by Welch-Satterthwaite (JCGM 100 eq. G.2b); infinite if every source's are."""
        below = sum(part**4 / source.dof for source, part in self.parts.items() if math.isfinite(source.dof))
        return self.u**4 / below if below > 0 else math.inf

    @cached_property
    def u95(self) -> float:
        """Expanded uncertainty, 95 %: what is printed behind every number."""
        return expanded_uncertainty(self, LEVEL)

    def expanded(self, level: float = LEVEL) -> float:
        """Half-width of the interval about the value that holds the given share of what it may be (`expanded_uncertainty`).

        >>> round(Quantity(10.0, {Source("scatter"): 0.1}).expanded(0.99), 3)
        0.258
        """
        return self.u95 if level == LEVEL else expanded_uncertainty(self, level)

    def budget(self) -> tuple[Component, ...]:
        """What the uncertainty is made of, the largest cause first, without causes that dropped out of a difference.

        >>> for row in Quantity(10.0, {Source("scatter"): 0.3, Source("zero", distribution="rectangular"): 0.4}).budget():
        ...     print(row.cause, row.distribution, f"{row.share:.0%}")
        zero rectangular 64%
        scatter normal 36%
        """
        seen = [(source, part) for source, part in self.parts.items() if abs(part) > 1e-9 * self.u]
        return tuple(self._component(*each) for each in sorted(seen, key=lambda item: -abs(item[1])))

    def _component(self, source: Source, part: float) -> Component:
        u, unit = (source.u, source.unit) if source.u else (abs(part), self.unit)
        return Component(source.name, source.distribution, source.dof, u, unit, part, (part / self.u) ** 2)

    def __add__(self, other: Quantity | float) -> Quantity:
        if isinstance(other, Quantity):
            self._refuse_other_unit(other)
            return linear_combination((1.0, self), (1.0, other))
        return replace(self, value=self.value + other)

    def __radd__(self, other: float) -> Quantity:
        return self + other

    def __sub__(self, other: Quantity | float) -> Quantity:
        if isinstance(other, Quantity):
            self._refuse_other_unit(other)
            return linear_combination((1.0, self), (-1.0, other))
        return replace(self, value=self.value - other)

    def __rsub__(self, other: float) -> Quantity:
        return -self + other

    def __neg__(self) -> Quantity:
        return linear_combination((-1.0, self))

    def __pos__(self) -> Quantity:
        return self

    def __abs__(self) -> Quantity:
        return -self if self.value < 0 else self

    def __mul__(self, other: Quantity | float) -> Quantity:
        """By a number, or by another quantity to first order (JCGM 100 eq. 13)."""
        if isinstance(other, Quantity):
            unit = self.unit if not other.unit else other.unit if not self.unit else ""
            return function_of(self.value * other.value, ((other.value, self), (self.value, other))).labelled(unit)
        return linear_combination((other, self))

    def __rmul__(self, other: float) -> Quantity:
        return self * other

    def __truediv__(self, other: Quantity | float) -> Quantity:
        """By a number, or by another quantity to first order (JCGM 100 eq. 13). Raises ZeroDivisionError as numbers do."""
        if isinstance(other, Quantity):
            value, unit = self.value / other.value, "" if other.unit else self.unit
            return function_of(value, ((1.0 / other.value, self), (-value / other.value, other))).labelled(unit)
        return linear_combination((1.0 / other, self))

    def __rtruediv__(self, other: float) -> Quantity:
        return Quantity(other) / self

    def _refuse_other_unit(self, other: Quantity) -> None:
        if self.unit and other.unit and self.unit != other.unit:
            raise UsageError(f"{self.unit} and {other.unit} do not add up", do="Add or subtract quantities of one unit")

    def moved(self, value: float) -> Quantity:
        """The same uncertainty at another value."""
        return replace(self, value=value)

    def labelled(self, unit: str, place: str = "") -> Quantity:
        """The same number, said to be in a unit and (an angle) read from a place."""
        return replace(self, unit=unit, place=place)

    def with_part(self, source: Source, part: float) -> Quantity:
        """One more source; a part that the source already has is added to (they are one cause)."""
        if part == 0.0:
            return self
        parts = dict(self.parts)
        parts[source] = parts.get(source, 0.0) + part
        return replace(self, parts=parts)


NOTHING = Quantity(0.0)
# Standard uncertainties to the 95 % of a normal distribution.
NORMAL_95 = 1.96


def linear_combination(*terms: tuple[float, Quantity | float]) -> Quantity:
    """The sum of factor times quantity, in the quantities' unit if they have one in common. Plain numbers carry no uncertainty."""
    value = 0.0
    parts: dict[Source, float] = {}
    units: set[str] = set()
    for factor, term in terms:
        if isinstance(term, Quantity):
            value += factor * term.value
            units.add(term.unit)
            for source, part in term.parts.items():
                parts[source] = parts.get(source, 0.0) + factor * part
        else:
            value += factor * term
    units.discard("")
    unit = units.pop() if len(units) == 1 else ""
    return Quantity(value, {source: part for source, part in parts.items() if part != 0.0}, unit)


def function_of(value: float, terms: Iterable[tuple[float, Quantity]]) -> Quantity:
    """A function's value with its sensitivities (partial derivatives) to the quantities that it is made of (JCGM 100 eq. 13)."""
    return linear_combination(*terms).moved(value)


def correlated(
    values: Sequence[float], covariance: npt.NDArray[np.float64], name: str, dof: float = math.inf
) -> tuple[Quantity, ...]:
    """Quantities with a given covariance, as sums of independent sources (by the principal axes of the covariance).

    `values` has shape (n,), `covariance` (n, n), in the square of the quantities' units.
    """
    widths, axes = np.linalg.eigh(np.asarray(covariance, dtype=np.float64))
    scaled = axes * np.sqrt(np.clip(widths, 0.0, None))
    sources = [Source(f"{name} [{k + 1}]", dof) for k in range(len(values))]
    return tuple(
        Quantity(float(value), {s: float(part) for s, part in zip(sources, row, strict=True) if part != 0.0})
        for value, row in zip(values, scaled, strict=True)
    )


def covariance(a: Quantity, b: Quantity) -> float:
    """Covariance of two quantities: the sources that they share."""
    return sum(part * b.parts.get(source, 0.0) for source, part in a.parts.items())


def correlation(a: Quantity, b: Quantity) -> float:
    """Correlation coefficient; 0 where one of the two has no uncertainty."""
    scale = a.u * b.u
    return covariance(a, b) / scale if scale > 0 else 0.0


def expanded_uncertainty(quantity: Quantity, level: float = LEVEL) -> float:
    """Half-width of the symmetric interval that holds the given share of the sum of the sources, each with its own distribution.

    What JCGM 101 finds by drawing, a linear sum of independent sources lets one compute: the distribution by inversion of its
    characteristic function (Gil-Pelaez, Biometrika 38 (1951) 481). A single rectangular source gives 0.95 a, not 1.96 a/sqrt 3.
    """
    u = quantity.u
    if u == 0.0:
        return 0.0
    shaped = [(source, abs(part) / u) for source, part in quantity.parts.items() if not _as_normal(source, abs(part) / u)]
    if not shaped:
        return float(special.ndtri((1 + level) / 2)) * u
    rest = math.sqrt(max(1.0 - sum(part * part for _, part in shaped), 0.0))
    nodes, step = _nodes(rest, any(source.dof < _HEAVY for source, _ in shaped))
    weighted = np.exp(-((rest * nodes) ** 2) / 2) * (2 / math.pi * step / nodes)
    for source, part in shaped:
        weighted = weighted * _characteristic(source, part * nodes)

    def missing(y: float) -> float:
        return float(np.sin(nodes * y) @ weighted) - level

    # Most sums are near enough to normal for a narrow bracket.
    low, high = (1.5, 2.5) if missing(1.5) < 0 < missing(2.5) else (0.5, 1.0 / step)
    return u * float(optimize.brentq(missing, low, high, xtol=1e-4))


# Below so many degrees of freedom tails are heavy: several such sources add up to many standard uncertainties.
_HEAVY = 3.0


def _nodes(rest: float, heavy: bool) -> tuple[npt.NDArray[np.float64], float]:
    """Nodes and step of the midpoint rule on the half line, good to 1e-3 of the result (1e-2 with heavy tails): the characteristic
    functions have died away by the last node, and what lies beyond pi/step standard uncertainties does not count. Beyond six standard
    deviations of the spectrum of the normal share, `rest`, nothing is left to sum.
    """
    step, last = (0.002, 16.0) if heavy else (0.05, 80.0)
    last = min(last, 6.0 / rest) if rest > 0 else last
    return (np.arange(int(last / step) + 1, dtype=np.float64) + 0.5) * step, step


def _as_normal(source: Source, share: float) -> bool:
    """Whether a source with this share of the standard uncertainty may be taken as normal: it is, or is too small for its
    distribution to show.
    """
    return share < (0.02 if source.dof < _HEAVY else 0.2) or (source.distribution == "normal" and source.dof > 100)


def _characteristic(source: Source, t: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Characteristic function of a source of unit standard uncertainty, at t >= 0. Shape of t."""
    phi: npt.NDArray[np.float64]
    if source.distribution == "rectangular":
        phi = np.sinc(math.sqrt(3) * t / math.pi)
    elif source.distribution == "triangular":
        phi = np.sinc(math.sqrt(6) * t / 2 / math.pi) ** 2
    elif source.distribution == "arcsine":
        phi = special.j0(math.sqrt(2) * t)
    else:
        half, s = source.dof / 2, math.sqrt(source.dof) * t
        log_phi = half * np.log(s) + np.log(special.kve(half, s)) - s - special.gammaln(half) - (half - 1) * math.log(2)
        phi = np.exp(np.minimum(log_phi, 0.0))
    return phi
