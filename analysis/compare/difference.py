"""What a difference of profiles consists of, by generalized least squares (Aitken, Proc. R. Soc. Edinburgh 55 (1935) 42).

The covariance holds the scatter of the readings and every cause of error over the whole profile, each with what is known of it
beforehand. A shift is always estimated. Then one explanation after the other is added, the clearest first, for as long as one is
clear: a height, a share of the lift, runout, or a bump at a place. Chances are those of all the tests together (Bonferroni).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np
from scipy.special import chdtrc, log_ndtr, ndtri

from analysis.base.errors import DataError
from analysis.base.quantity import Quantity, Source
from analysis.base.samples import Bools, Floats
from analysis.compare.laid import FOOT_MM, LEAST_DEG, Cells, Laid

Kind = Literal["indexing", "height", "scale", "tilt", "runout", "nose", "opening flank", "closing flank", "ramp", "other"]
# How often chance may make profiles that are alike seem to differ: in their place, by an explanation, and by what none explains.
BY_PLACE, BY_SHAPE, BY_REST = 0.01, 0.025, 0.005
# Standard deviations (deg) of the bumps that are looked for, and at every how many-th cell; so many of them at most, and so many
# things that two profiles differ in, or the shape is another.
WIDTHS, MOST_BUMPS, MOST = ((5.0, 1), (9.0, 1), (17.0, 2)), 8, 3
# No camshaft is set or specified finer than this (deg; common practice).
LEAST_LATER_DEG = 0.05
# Above this share of the lift is nose, below that one (or that lift in mm) is ramp (common practice).
NOSE, RAMP, RAMP_MM = 0.85, 0.05, 0.4
# What seat, lash and base circle do to the lifts below (mm), and below twice a difference of height, is no shape of the lobe:
# they are looked at last, and only where the height is the same.
NEAR_SEAT_MM = 0.3
# A place that differs by less than this share of what another does is that one's edge.
EDGE = 0.3
# Bumps and shares are rough pictures of wear: what is left of less than this share of the largest is theirs.
ROUGH = 0.05
# Where all together leave too much, some place must do so by this many standard uncertainties.
SHOWS = 3.0
# A column of which less than this is left beside the others tells nothing.
_LEAST = 1e-3
_SCATTER = Source("scatter of the readings")


@dataclass(frozen=True)
class Named:
    """One thing that two profiles differ in: by how much the second has more of it, and where (crank degrees; None: all over).

    `size` is in degrees for indexing, a share for scale and tilt, else in mm.
    """

    kind: Kind
    size: Quantity
    at_deg: float | None = None


@dataclass(frozen=True)
class Difference:
    """One profile against another, at the indicator, on `cells` of a template.

    `later`: crank degrees by which it comes later, each counted from its own overlap TDC; that is taken out of `higher_mm`, by how
    much it is higher, with its standard uncertainty `u_mm`. Within `limit_mm` all of it lies 19 times in 20 where profiles are alike.
    Shape (k,), for the cells `seen` alone. `named`: what they differ in, the clearest first; nothing where they are alike.
    """

    cells: Cells
    seen: Bools
    later: Quantity
    higher_mm: Floats
    u_mm: Floats
    limit_mm: Floats
    named: tuple[Named, ...] = ()

    @property
    def deg(self) -> Floats:
        """Crank degrees of the template. Shape (k,)."""
        return self.cells.deg[self.seen]

    @property
    def lift_mm(self) -> Floats:
        """Lift of the template. Shape (k,)."""
        return self.cells.lift_mm[self.seen]

    @property
    def kind(self) -> str:
        """What they differ in most clearly; "alike" if in nothing that their uncertainty does not explain."""
        return self.named[0].kind if self.named else "alike"

    @property
    def clearest(self) -> int:
        """Where they differ most clearly, as a place in the arrays."""
        return int(np.argmax(np.abs(self.higher_mm) / self.limit_mm))

    def of(self, kind: Kind) -> Named | None:
        """What is named so, if anything is."""
        return next((each for each in self.named if each.kind == kind), None)


def difference(cells: Cells, between: Laid) -> Difference:
    """Say what a difference between profiles laid on `cells` consists of. Raises DataError if they have too little in common."""
    problem = _Problem(cells, between)
    alone = _Fit(problem)
    fit = alone.explained()
    higher, u = alone.without_shift
    limit = -float(ndtri((BY_SHAPE + BY_REST) / 2 / problem.places)) * u
    found = Difference(cells, problem.seen, alone.shift, higher, u, np.maximum(limit, between.hides_mm))
    named = [*fit.named]
    if fit.clearest() is not None or len(named) > MOST:  # too many explanations explain nothing
        named = [_elsewhere(found)]
    else:
        # A rough picture of what differs takes that much of it out of the shift.
        rough = ROUGH * (fit.shift.value - alone.shift.value)
        found = replace(found, later=fit.shift.with_part(Source("shape of what differs"), rough))
        named += [_elsewhere(found)] if fit.leaves_something else []
    if abs(found.later.value) > max(found.later.expanded(1.0 - BY_PLACE), LEAST_LATER_DEG):
        named.append(Named("indexing", found.later))
    return replace(found, named=tuple(named))


def _elsewhere(found: Difference) -> Named:
    """Another shape, shown where it is clearest."""
    k = found.clearest
    return Named("other", Quantity(float(found.higher_mm[k]), {_SCATTER: float(found.u_mm[k])}, "mm"), float(found.deg[k]))


def place_of(cells: Cells, deg: float) -> Kind:
    """What a place of the lobe is called."""
    top, lift = float(cells.lift_mm.max()), float(cells.shape.value(deg))
    if lift > NOSE * top:
        return "nose"
    if lift < max(RAMP * top, RAMP_MM):
        return "ramp"
    return "opening flank" if deg < cells.peak_deg else "closing flank"


@dataclass(frozen=True)
class _Explanation:
    """Columns of `_Problem` that stand for something; at which degree, if at one."""

    kind: Kind
    columns: slice
    at_deg: float | None = None


class _Problem:
    """A difference in terms in which its errors are independent and of unit size (white), and all that may explain it.

    `columns`: what one unit does, shape (k, p): the shift, the height, the share of the lift, runout's two parts, then the bumps.
    """

    def __init__(self, cells: Cells, between: Laid) -> None:
        self.cells, self.between = cells, between
        self.seen = seen = np.isfinite(between.mm) & (cells.lift_mm > FOOT_MM)
        if np.count_nonzero(seen) * cells.width < LEAST_DEG:
            raise DataError(
                f"the sweeps have only {np.count_nonzero(seen) * cells.width:.0f} degrees of the lobe in common",
                do="Sweep the whole lobe both times",
            )
        self.deg, self.lift, self.mm = cells.deg[seen], cells.lift_mm[seen], between.mm[seen]
        self.effects = {source: mm[seen] for source, mm in between.effects.items()}
        act = np.array([*self.effects.values()]).reshape(-1, self.deg.size)
        self.own = between.own[np.ix_(seen, seen)]
        self.factor = np.linalg.cholesky(self.own + act.T @ act)
        self.whiten = np.linalg.inv(self.factor)
        half = np.radians(self.deg - cells.peak_deg) / 2
        known = np.column_stack((-cells.slope[seen], np.ones_like(half), self.lift, np.sin(half), np.cos(half)))
        bumps = [np.exp(-(((self.deg[:, None] - self.deg[::every]) / width) ** 2) / 2) for width, every in WIDTHS]
        self.at = np.concatenate([self.deg[::every] for _, every in WIDTHS])
        self.columns = np.concatenate((known, *bumps), axis=1)
        self.first_bump = known.shape[1]
        self.white = self.whiten @ self.columns
        self.target = self.whiten @ self.mm
        self.reach = np.abs(self.columns).max(axis=0)

    @property
    def places(self) -> float:
        """In how many places the profiles can differ, one for itself."""
        return float(self.deg.size)

    def near_seat(self, height_mm: float) -> Floats:
        """A white column for each cell near the seat where the height differs by so much: fitted, it has no say. Shape (k, j)."""
        return self.whiten[:, self.lift < min(2 * abs(height_mm) + NEAR_SEAT_MM, float(self.lift.max()) / 2)]


_SHIFT = slice(0, 1)
_HEIGHT, _SCALE, _RUNOUT = (
    _Explanation("height", slice(1, 2)),
    _Explanation("scale", slice(2, 3)),
    _Explanation("runout", slice(3, 5)),
)


class _Fit:
    """The shift and some explanations, estimated together. `height_mm`: without the cells near the seat, the height differing by so
    much; None: with them.
    """

    def __init__(self, problem: _Problem, explanations: tuple[_Explanation, ...] = (), height_mm: float | None = 0.0) -> None:
        self.problem, self.explanations, self.height_mm = problem, explanations, height_mm
        chosen = [problem.white[:, each] for each in (_SHIFT, *(e.columns for e in explanations))]
        if height_mm is not None:
            chosen.append(problem.near_seat(height_mm))
        self.basis, triangle = np.linalg.qr(np.concatenate(chosen, axis=1))
        self.gain = np.linalg.inv(triangle) @ self.basis.T  # from the white difference to coefficients
        self.found = self.gain @ problem.target
        self.left = problem.target - self.basis @ (self.basis.T @ problem.target)

    def explained(self) -> _Fit:
        """With one explanation after the other, for as long as one is clear; those near the seat last."""
        best, found = self.clearest(), self
        if best is not None and self.bumps < MOST_BUMPS:
            found = _Fit(self.problem, (*self.explanations, best), self.height_mm)
            if best is _HEIGHT:
                found = _Fit(self.problem, found.explanations, float(found.found[found._first(best)]))
            return found.explained()
        if best is None and self.height_mm is not None and _HEIGHT not in self.explanations:
            return _Fit(self.problem, self.explanations, None).explained()
        return self

    def _first(self, explanation: _Explanation) -> int:
        """Where its coefficients begin."""
        before = self.explanations[: self.explanations.index(explanation)]
        return 1 + sum(_number(each) for each in before)

    def clearest(self) -> _Explanation | None:
        """The explanation that chance makes the most seldom, if that is seldom enough."""
        chance, best = min([*self._bump(), *self._others()], key=lambda each: each[0], default=(0.0, None))
        return best if chance < math.log(BY_SHAPE) else None

    @cached_property
    def _tried(self) -> tuple[Floats, Floats]:
        """Size of every column tried for itself beside what is in, and how many standard uncertainties that is. Shape (p,) each. None
        where it tells nothing, or no more than the indicator's step hides.
        """
        white = self.problem.white
        beside = white - self.basis @ (self.basis.T @ white)
        power = np.sum(beside * beside, axis=0)
        tells = power > _LEAST * np.sum(white * white, axis=0)
        size = np.where(tells, (self.left @ beside) / np.where(tells, power, 1.0), 0.0)
        shown = np.abs(size) * self.problem.reach > max(self.problem.between.hides_mm, ROUGH * self._most_mm)
        return size, np.where(shown, np.abs(size) * np.sqrt(power), 0.0)

    @property
    def _most_mm(self) -> float:
        """What the largest of the explanations comes to where it is most."""
        columns = [k for each in self.explanations for k in range(each.columns.start, each.columns.stop)]
        return max((abs(found) * self.problem.reach[k] for k, found in zip(columns, self.found[1:], strict=False)), default=0.0)

    def _bump(self) -> Iterator[tuple[float, _Explanation]]:
        """The clearest bump with the logarithm of its chance: half of all that explanations have, in so many places."""
        first, z = self.problem.first_bump, self._tried[1]
        k = first + int(np.argmax(z[first:]))
        if z[k] > 0.0:
            at = float(self.problem.at[k - first])
            chance = math.log(2 * 2 * self.problem.places) + float(log_ndtr(-z[k]))
            yield chance, _Explanation(place_of(self.problem.cells, at), slice(k, k + 1), at)

    def _others(self) -> Iterator[tuple[float, _Explanation]]:
        """The others that are not in yet, each with the logarithm of its chance, a sixth of all."""
        z = self._tried[1]
        for each in (_HEIGHT, _SCALE):
            if each not in self.explanations and z[each.columns][0] > 0.0:
                yield math.log(6 * 2) + float(log_ndtr(-z[each.columns][0])), each
        if _RUNOUT not in self.explanations and np.any(z[_RUNOUT.columns] > 0.0):
            white = self.problem.white[:, _RUNOUT.columns]
            beside = np.linalg.qr(white - self.basis @ (self.basis.T @ white))[0]
            yield math.log(6) - float(np.sum((beside.T @ self.left) ** 2)) / 2, _RUNOUT  # chi squared of two

    @property
    def leaves_something(self) -> bool:
        """Whether all cells together leave more than chance does, and some place more than the indicator's step hides: scatter
        that is only larger than was thought is no shape.
        """
        free = self.problem.deg.size - self.basis.shape[1]
        told = np.any(self._tried[1][self.problem.first_bump :] > SHOWS)
        return bool(told and chdtrc(free, float(self.left @ self.left)) < BY_REST)

    def _linear(self, of_white: Floats, unit: str) -> Quantity:
        """A linear function of the white difference, with what every source does to it."""
        row = of_white @ self.problem.whiten
        parts = {source: float(row @ mm) for source, mm in self.problem.effects.items()}
        parts[_SCATTER] = math.sqrt(max(float(row @ self.problem.own @ row), 0.0))
        value = float(of_white @ self.problem.target)
        return Quantity(value, {source: part for source, part in parts.items() if part}, unit)

    @property
    def shift(self) -> Quantity:
        """Crank degrees by which the second comes later."""
        return self._linear(self.gain[0], "deg") + self.problem.between.later

    @property
    def bumps(self) -> int:
        """How many of the explanations are at a place."""
        return sum(each.at_deg is not None for each in self.explanations)

    @property
    def named(self) -> Iterator[Named]:
        """Everything that is in, with its size, in the order in which it was found; bumps as the places of the lobe that they make
        up, of which a small one beside a large one is that one's edge.
        """
        places: dict[Kind, list[tuple[Floats, int]]] = {}
        for each in self.explanations:
            k = self._first(each)
            if each.at_deg is not None:
                places.setdefault(each.kind, []).append((self.problem.columns[:, each.columns.start], k))
            else:
                yield Named(each.kind, self._length(slice(k, k + _number(each)), _unit(each.kind)))
        found = [self._place(kind, bumps) for kind, bumps in places.items()]
        most = max((abs(each.size.value) for each in found), default=0.0)
        yield from (each for each in found if abs(each.size.value) >= EDGE * most)

    def _length(self, columns: slice, unit: str) -> Quantity:
        """The size of what has one part, or the length of what has two."""
        found = self.found[columns]
        along = found / np.linalg.norm(found) if found.size > 1 else np.ones(1)
        return self._linear(along @ self.gain[columns], unit)

    def _place(self, kind: Kind, bumps: list[tuple[Floats, int]]) -> Named:
        """Bumps of one place taken together: their greatest height, and where that is."""
        together = np.sum([column * self.found[k] for column, k in bumps], axis=0)
        at = int(np.argmax(np.abs(together)))
        row = np.sum([column[at] * self.gain[k] for column, k in bumps], axis=0)
        return Named(kind, self._linear(row, "mm"), float(self.problem.deg[at]))

    @property
    def without_shift(self) -> tuple[Floats, Floats]:
        """The difference with the shift taken out (mm), and its standard uncertainty. Shape (k,) each."""
        slope = self.problem.columns[:, 0]
        row = self.gain[0] @ self.problem.whiten
        away = (np.eye(slope.size) - np.outer(slope, row)) @ self.problem.factor
        return np.asarray(self.problem.mm - slope * self.found[0]), np.linalg.norm(away, axis=1)


def _number(explanation: _Explanation) -> int:
    """How many columns it has."""
    return int(explanation.columns.stop) - int(explanation.columns.start)


def _unit(kind: Kind) -> str:
    return "" if kind == "scale" else "mm"
