"""The uncertainty of every number, after JCGM 100:2008 (GUM).

A `Quantity` is a value and what each independent source of uncertainty does to it, as a signed standard uncertainty in the
quantity's own unit. Sums, differences and multiples keep the signs, so that what two numbers share (one TDC, one latency) moves
them together and drops out of their difference by itself: correlation needs no table of its own.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy import optimize, special, stats

SHAPES = ("normal", "rectangular", "triangular", "arcsine")


@dataclass(frozen=True)
class Source:
    """One independent cause of uncertainty: its name, its degrees of freedom, and the shape of its distribution (one of
    `SHAPES`).

    A finite `dof` with the shape "normal" means a scaled and shifted t distribution (JCGM 101:2008, 6.4.9). `u` and `unit`, for
    the table only: the standard uncertainty of the cause itself where it is not in the unit of what it acts on.
    """

    name: str
    dof: float = math.inf
    shape: str = "normal"
    u: float | None = field(default=None, compare=False)
    unit: str = field(default="", compare=False)


@dataclass(frozen=True)
class Quantity:
    """A value with its parts: source -> signed standard uncertainty that this source alone would give it."""

    value: float
    parts: Mapping[Source, float] = field(default_factory=dict)

    @property
    def u(self) -> float:
        """Combined standard uncertainty (JCGM 100 eq. 10; the sources are independent)."""
        return math.sqrt(sum(part * part for part in self.parts.values()))

    @property
    def dof(self) -> float:
        """Effective degrees of freedom by Welch-Satterthwaite (JCGM 100 eq. G.2b); infinite if every source's are."""
        below = sum(part**4 / source.dof for source, part in self.parts.items() if math.isfinite(source.dof))
        return self.u**4 / below if below > 0 else math.inf

    def __add__(self, other: Quantity | float) -> Quantity:
        return combine((1.0, self), (1.0, other))

    def __sub__(self, other: Quantity | float) -> Quantity:
        return combine((1.0, self), (-1.0, other))

    def __mul__(self, factor: float) -> Quantity:
        return combine((factor, self))

    def moved(self, value: float) -> Quantity:
        """The same uncertainty at another value."""
        return Quantity(value, self.parts)

    def with_part(self, source: Source, part: float) -> Quantity:
        """One more source; a part that the source already has is added to (they are one cause)."""
        if part == 0.0:
            return self
        parts = dict(self.parts)
        parts[source] = parts.get(source, 0.0) + part
        return Quantity(self.value, parts)


@dataclass(frozen=True)
class Number:
    """A value with its 95 % expanded uncertainty, in the unit its field names."""

    value: float
    u95: float


NOTHING = Quantity(0.0)
# Standard uncertainties to the 95 % of a normal distribution.
NORMAL_95 = 1.96


def combine(*terms: tuple[float, Quantity | float]) -> Quantity:
    """The sum of factor times quantity. Plain numbers carry no uncertainty."""
    value = 0.0
    parts: dict[Source, float] = {}
    for factor, term in terms:
        if isinstance(term, Quantity):
            value += factor * term.value
            for source, part in term.parts.items():
                parts[source] = parts.get(source, 0.0) + factor * part
        else:
            value += factor * term
    return Quantity(value, {source: part for source, part in parts.items() if part != 0.0})


def function_of(value: float, terms: Iterable[tuple[float, Quantity]]) -> Quantity:
    """A function's value with its sensitivities (partial derivatives) to the quantities that it is made of (JCGM 100 eq. 13)."""
    return combine(*terms).moved(value)


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


def expanded_welch(quantity: Quantity, level: float = 0.95) -> float:
    """Expanded uncertainty as the GUM's annex G gives it: Student's t at the effective degrees of freedom, rounded down."""
    dof = quantity.dof
    k = stats.norm.ppf((1 + level) / 2) if math.isinf(dof) else stats.t.ppf((1 + level) / 2, max(1.0, math.floor(dof)))
    return float(k) * quantity.u


def expanded(quantity: Quantity, level: float = 0.95) -> float:
    """Half-width of the symmetric interval that holds the given share of the sum of the sources, each with its own shape.

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
    """Whether a source with this share of the standard uncertainty may be taken as normal: it is, or is too small for its shape
    to show.
    """
    return share < (0.02 if source.dof < _HEAVY else 0.2) or (source.shape == "normal" and source.dof > 100)


def _characteristic(source: Source, t: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Characteristic function of a source of unit standard uncertainty, at t >= 0. Shape of t."""
    phi: npt.NDArray[np.float64]
    if source.shape == "rectangular":
        phi = np.sinc(math.sqrt(3) * t / math.pi)
    elif source.shape == "triangular":
        phi = np.sinc(math.sqrt(6) * t / 2 / math.pi) ** 2
    elif source.shape == "arcsine":
        phi = special.j0(math.sqrt(2) * t)
    else:
        half, s = source.dof / 2, math.sqrt(source.dof) * t
        log_phi = half * np.log(s) + np.log(special.kve(half, s)) - s - special.gammaln(half) - (half - 1) * math.log(2)
        phi = np.exp(np.minimum(log_phi, 0.0))
    return phi
