"""Cam motion laws, normalised: displacement 0 to 1 over x = 0 to 1, with three derivatives.

Every law is a function `law(x, order=0)`: x is an array of any shape, values outside 0..1 are held at the ends; `order` 0 to 3
gives s, ds/dx, d2s/dx2 or d3s/dx3. Real units: v = s' h / beta, a = s'' h / beta^2, j = s''' h / beta^3 for a lift h over beta.

Sources: VDI 2143 Blatt 1 (1980) for the laws' names and the normalisation; R. L. Norton, Cam Design and Manufacturing Handbook,
2nd ed. (2009), ch. 3, for the family of sine, constant and cosine acceleration (SCCA).
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import Protocol

import numpy as np
import numpy.typing as npt
from numpy.polynomial import Polynomial

from analysis.base.errors import UsageError
from analysis.base.samples import Floats


class Law(Protocol):
    """A normalised motion law or one of its derivatives by x."""

    def __call__(self, x: npt.ArrayLike, order: int = 0) -> Floats:
        """The derivative of `order` 0 to 3 at `x`; same shape as `x`."""


def _inside(x: npt.ArrayLike) -> tuple[Floats, npt.NDArray[np.bool_]]:
    raw = np.asarray(x, dtype=np.float64)
    return np.clip(raw, 0.0, 1.0), (raw >= 0.0) & (raw <= 1.0)


def _held(value: Floats, inside: npt.NDArray[np.bool_], order: int) -> Floats:
    """Outside the law the follower rests: the displacement is held, its derivatives are zero."""
    return value if order == 0 else np.where(inside, value, 0.0)


def simple_harmonic(x: npt.ArrayLike, order: int = 0) -> Floats:
    """(1 - cos pi x) / 2: a finite jump of acceleration at both ends."""
    u, inside = _inside(x)
    value = -0.5 * np.pi**order * np.cos(np.pi * u + order * np.pi / 2)
    return _held(value + 0.5 if order == 0 else value, inside, order)


def cycloidal(x: npt.ArrayLike, order: int = 0) -> Floats:
    """x - sin(2 pi x) / (2 pi): acceleration is one whole sine."""
    u, inside = _inside(x)
    value = -((2 * np.pi) ** (order - 1)) * np.sin(2 * np.pi * u + order * np.pi / 2)
    return _held(value + (u, 1.0, 0.0, 0.0)[order], inside, order)


def _polynomial(terms: Mapping[int, float], x: npt.ArrayLike, order: int = 0) -> Floats:
    u, inside = _inside(x)
    coefficients = np.zeros(max(terms) + 1)
    coefficients[list(terms)] = list(terms.values())
    return _held(np.asarray(Polynomial(coefficients).deriv(order)(u), dtype=np.float64), inside, order)


def constant_acceleration(x: npt.ArrayLike, order: int = 0) -> Floats:
    """Two parabolas; the jerk is infinite at the ends and in the middle, and given as zero in between."""
    u, inside = _inside(x)
    first = u < 0.5
    value = (
        np.where(first, 2 * u**2, 1 - 2 * (1 - u) ** 2),
        np.where(first, 4 * u, 4 * (1 - u)),
        np.where(first, 4.0, -4.0),
        np.zeros_like(u),
    )[order]
    return _held(value, inside, order)


def scca(b: float, c: float, d: float) -> Law:
    """Sine, constant and cosine acceleration: b + c + d = 1 are the shares of the ends, the two constant parts and the middle.

    b = d = 1/2 is cycloidal, b = 0 and d = 1 simple harmonic; b and d must be greater than 0 here.

    The acceleration of the first half is a quarter sine over b/2, constant over c/2, a quarter cosine over d/2; the second half
    is its mirror image with the other sign. Displacement follows by integrating twice, exactly (Norton, op. cit.).
    """
    if min(b, d) <= 0 or c < 0 or abs(b + c + d - 1) > 1e-12:
        raise UsageError(f"b={b}, c={c}, d={d} is no law of this family", do="Give b, d > 0 and c >= 0 with b + c + d = 1.")
    peak = 4 * np.pi**2 / ((np.pi**2 - 8) * (b**2 - d**2) - 2 * np.pi * (np.pi - 2) * b + np.pi**2)

    def law(x: npt.ArrayLike, order: int = 0) -> Floats:
        u, inside = _inside(x)
        late = u > 0.5
        half = np.where(late, 1 - u, u)
        value = peak * _scca_half(half, b, c, d, order)
        if order in (0, 2):
            value = np.where(late, (1.0 if order == 0 else 0.0) - value, value)
        return _held(value, inside, order)

    return law


def _scca_half(u: Floats, b: float, c: float, d: float, order: int) -> Floats:
    """Displacement (order 0) to jerk (3) on 0 <= u <= 1/2 for a peak acceleration of 1."""
    kb, kd, u1, u2 = np.pi / b, np.pi / d, b / 2, (b + c) / 2
    v1, s1 = 1 / kb, u1 / kb - 1 / kb**2
    v2, s2 = v1 + (u2 - u1), s1 + v1 * (u2 - u1) + (u2 - u1) ** 2 / 2
    e, m, w = np.minimum(u, u1), u - u1, u - u2
    if order == 0:
        parts = e / kb - np.sin(kb * e) / kb**2, s1 + v1 * m + m**2 / 2, s2 + v2 * w + (1 - np.cos(kd * w)) / kd**2
    elif order == 1:
        parts = (1 - np.cos(kb * e)) / kb, v1 + m, v2 + np.sin(kd * w) / kd
    elif order == 2:
        parts = np.sin(kb * e), np.ones_like(u), np.cos(kd * w)
    else:
        parts = kb * np.cos(kb * e), np.zeros_like(u), -kd * np.sin(kd * w)
    return np.where(u <= u1, parts[0], np.where(u <= u2, parts[1], parts[2]))


def power_polynomial(p: int, q: int, r: int, s: int) -> Law:
    """The automotive power polynomial 1 + C2 y^2 + Cp y^p + Cq y^q + Cr y^r + Cs y^s, with y = 1 - x counted from the nose.

    Displacement and its first four derivatives vanish at the foot. Sources: W. M. Dudley, SAE Quarterly Trans. 2 (1948) 19-33;
    D. A. Stoddart, Machine Design, Jan-Mar 1953.
    """
    powers = (2, p, q, r, s)
    if list(powers) != sorted(set(powers)):
        raise UsageError(
            f"{p}-{q}-{r}-{s} are no exponents of a power polynomial", do="Give four whole numbers that grow, from 3 up."
        )
    # A Vandermonde-like system: with falling factorials as rows the five conditions at y = 1 reduce to sums of C n^k.
    matrix = np.array([[float(n) ** k for n in powers] for k in range(5)])
    terms = dict(zip(powers, np.linalg.solve(matrix, np.array([-1.0, 0, 0, 0, 0])), strict=True)) | {0: 1.0}

    def law(x: npt.ArrayLike, order: int = 0) -> Floats:
        inside = _inside(x)[1]
        y = 1.0 - np.asarray(x, dtype=np.float64)
        return _held((-1.0) ** order * _polynomial(terms, y, order), inside, order)

    return law


LAWS: Mapping[str, Law] = {
    "simple harmonic": simple_harmonic,
    "cycloidal": cycloidal,
    "3-4-5": partial(_polynomial, {3: 10.0, 4: -15.0, 5: 6.0}),
    "4-5-6-7": partial(_polynomial, {4: 35.0, 5: -84.0, 6: 70.0, 7: -20.0}),
    "modified sine": scca(0.25, 0.0, 0.75),
    "modified trapezoid": scca(0.25, 0.5, 0.25),
    "constant acceleration": constant_acceleration,
    "power 6-8-10-12": power_polynomial(6, 8, 10, 12),
    "power 6-10-14-18": power_polynomial(6, 10, 14, 18),
    "power 10-20-30-40": power_polynomial(10, 20, 30, 40),
}


def law_named(name: str) -> Law:
    """The law called `name`. Raises UsageError naming those there are."""
    try:
        return LAWS[name]
    except KeyError:
        raise UsageError(f"there is no motion law {name!r}", do=f"Choose one of: {', '.join(LAWS)}.") from None
