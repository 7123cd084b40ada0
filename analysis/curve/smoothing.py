"""A smooth curve through many readings: B-splines with difference penalties whose weights, the smoothing parameters, the data choose.

P-splines (Eilers & Marx, Statistical Science 11 (1996) 89), the smoothing parameters by restricted maximum likelihood
(Wahba, Annals of Statistics 13 (1985) 1378), standard errors from the posterior covariance (Nychka, JASA 83 (1988) 1134).
Everything is banded: cost and memory grow with readings plus knots. The penalty is on fifth differences, so that what is
smoothed away is the sixth derivative's business and not the flank's curvature. Where a first fit shows the curve straight (a
ramp), a second penalty, on second differences, may hold it straight, and where the ramp ends the first may be eased.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy.interpolate import BSpline, PPoly
from scipy.linalg import cho_solve_banded
from scipy.optimize import minimize_scalar

from analysis.base.samples import Floats
from analysis.curve.penalized import DEGREE, ORDER, Problem, Solved, log_det, squares

# Smoothing parameters are natural logarithms throughout. How far to either side of a former one a new one is looked for first.
SEARCH = 1.0
# By how much less `undersmoothed` smooths.
LESS = 4.0
# Pitch of the grid on which a curve is looked up: so fine that straight lines between are good to a hundred thousandth of a mm.
GRID_DEG = 0.1
# Bending below this share of the mean counts as straight; parameters with which straight parts are first tried to be held.
STRAIGHT = 0.005
# How far (deg) a piece of a spline is taken on beyond its end for its roots.
OVERLAP_DEG = 1e-9
HELD = (-6.0, -3.0, 0.0, 3.0, 6.0, 9.0, 12.0, 15.0)
# A ramp lies below this share of the top, and is straight to this share of what is straightest; its end is looked for so far on
# from there (deg), since a first fit rounds it off. Around an end the penalty is eased by at most so many e-folds over so many
# degrees, if minus twice the log likelihood falls by more than an idle parameter makes it fall (Akaike).
LOW, STILL_STRAIGHT, END_DEG = 0.25, 0.1, (0.0, 4.0, 8.0)
EASED, EASED_DEG, CLEARLY = 6.0, 8.0, 2.0


@dataclass(frozen=True)
class Spline:
    """A fitted curve over [low, high] degrees.

    `factor`: banded lower Cholesky factor of B'WB + exp(log_smoothing) P; `sigma2`: variance (mm^2) of one reading of weight 1 about
    the curve; `log_smoothing`: the log smoothing parameter of the penalty on fifth differences.
    """

    low: float
    high: float
    function: BSpline
    factor: Floats
    sigma2: float
    log_smoothing: float

    def value(self, deg: Floats | float, derivative: int = 0) -> Floats:
        """Lift (mm) or its derivative (mm/deg^k) at angles in degrees. Shape of `deg`. Outside [low, high] it is extrapolated."""
        return np.asarray(self.function(deg, nu=derivative))

    def looked_up(self, deg: Floats, derivative: int = 0) -> Floats:
        """`value` at many angles, at a tenth of the cost: by straight lines on a grid. Level beyond its ends. Shape of `deg`."""
        return np.interp(deg, self.grid, self._on_grid[derivative])

    @cached_property
    def grid(self) -> Floats:
        """Angles a tenth of a degree apart over the whole curve."""
        return np.arange(self.low, self.high + GRID_DEG, GRID_DEG)

    @cached_property
    def _on_grid(self) -> tuple[Floats, Floats]:
        return self.value(self.grid), self.value(self.grid, 1)

    def error(self, deg: Floats | float, derivative: int = 0) -> Floats:
        """Standard error of `value` from scatter alone, same unit. Shape of `deg`."""
        basis = self._basis(np.atleast_1d(np.asarray(deg, dtype=np.float64)), derivative)
        solved = cho_solve_banded((self.factor, True), basis.T)
        return np.asarray(np.sqrt(self.sigma2 * np.einsum("ij,ji->i", basis, solved)).reshape(np.shape(deg)))

    def weights(self, deg: Floats, x: Floats, w: Floats, derivative: int = 0) -> Floats:
        """What each reading at `x` (weight `w`) adds to the value, or a derivative, at `deg`: the smoother's equivalent kernels.
        Shape (m, n) for m angles and n readings.
        """
        solved = cho_solve_banded((self.factor, True), self._basis(deg, derivative).T)
        return np.asarray((BSpline(self.function.t, solved, DEGREE)(x) * w[:, None]).T)

    def effective_dof(self, x: Floats, w: Floats) -> float:
        """Effective degrees of freedom of the curve through readings at `x` (weight `w`), shape (n,): the trace of the smoother."""
        design = BSpline.design_matrix(x, self.function.t, DEGREE)
        gram = (design.T @ design.multiply(w[:, None])).toarray()
        return float(np.trace(cho_solve_banded((self.factor, True), gram)))

    def smooth(self, x: Floats, y: Floats, w: Floats) -> BSpline:
        """Another set of readings at the same places, put through the same smoother: a function of the angle."""
        right = np.asarray(BSpline.design_matrix(x, self.function.t, DEGREE).T @ (w * y))
        return BSpline(self.function.t, cho_solve_banded((self.factor, True), right), DEGREE)

    def crossings(self, level_mm: float) -> Floats:
        """Angles (deg) in [low, high] at which the curve has a lift (mm), in order. Shape (k,)."""
        return self._lift.solve(level_mm)

    def turning_points(self) -> Floats:
        """Angles (deg) in [low, high] at which the slope is zero, in order. Shape (k,)."""
        return _Pieces(self.function.derivative()).solve(0.0)

    @cached_property
    def _lift(self) -> _Pieces:
        return _Pieces(self.function)

    @cached_property
    def _units(self) -> BSpline:
        """All the B-splines of the curve, one a column."""
        return BSpline(self.function.t, np.eye(self.function.c.size), DEGREE)

    def _basis(self, deg: Floats, derivative: int) -> Floats:
        return np.asarray(self._units(deg, nu=derivative))


class _Pieces:
    """A spline as a polynomial from knot to knot, whose roots need no first guess. Each lies within the coefficients of the B-splines
    that make it: nine in ten need not be solved, which takes a third of the time.
    """

    def __init__(self, function: BSpline) -> None:
        k, pieces = function.k, PPoly.from_spline(function)
        self.c, self.x = pieces.c[:, k:-k], pieces.x[k:-k]
        within = sliding_window_view(function.c[: function.t.size - k - 1], k + 1)
        self.low, self.high = within.min(axis=1), within.max(axis=1)

    def solve(self, level: float) -> Floats:
        """Where the spline has a value, in order; a root that falls on a knot may stand there twice. Shape (n,)."""
        near = np.flatnonzero((self.low <= level) & (level <= self.high))
        # Each piece is taken a little beyond its end, so that no root is lost to rounding between two.
        ends = self.x[1:] + np.append(np.full(self.x.size - 2, OVERLAP_DEG), 0.0)
        pieces = (PPoly.construct_fast(self.c[:, k : k + 1], np.array((self.x[k], ends[k]))) for k in near)
        solved = [piece.solve(level, extrapolate=False) for piece in pieces]
        roots = np.sort(np.concatenate([np.zeros(0), *solved]))
        return np.asarray(roots[np.isfinite(roots)])  # NaN stands for a piece that has the value all along


def fit_spline(x: Floats, y: Floats, w: Floats, low: float, high: float, near: float | None = None) -> Spline:
    """Fit lifts `y` (mm) at angles `x` (deg) with weights `w` (inverse variance up to a factor). Shape (n,).

    `near`: log smoothing parameter of a former fit of nearly the same readings, where the search begins. Raises DataError for fewer
    than 12 readings or none over most of [low, high].
    """
    return _evenly(Problem.of(x, y, w, low, high), near)


def fit_with_ramps(x: Floats, y: Floats, w: Floats, low: float, high: float, near: float | None = None) -> Spline:
    """As `fit_spline`, but parts that a first fit shows to be straight may be held straight: a ramp of constant velocity is known
    better than the flank beside it. Where such a ramp ends the flank may begin with a corner in one of its derivatives, which one
    smoothing parameter for all would round off: there the first penalty may be eased. All by restricted maximum likelihood, so that
    a lobe without ramps keeps its curve.
    """
    problem = Problem.of(x, y, w, low, high)
    first = _evenly(problem, near)
    straight = _straightness(first.function.c)
    ease = np.ones(problem.count - ORDER)
    solve = _ramped(problem, straight, ease)
    held = min(HELD, key=lambda at: solve(first.log_smoothing, at).criterion)
    best, smoothing, held = _descend(solve, first.log_smoothing, held, (2.0, 1.1, 0.6, 0.35), math.inf)
    for places in _ends_of_ramps(problem, first.function.c, straight):
        eased = [ease * np.exp(-EASED * np.clip(1.0 - np.abs(place) / EASED_DEG, 0.0, 1.0)) for place in places]
        tried = min(eased, key=lambda at: _ramped(problem, straight, at)(smoothing, held).criterion)
        solve = _ramped(problem, straight, tried)
        if solve(smoothing, held).criterion < best.criterion - CLEARLY:
            # What is not eased is not to be smoothed more for it.
            ease = tried
            best, smoothing, held = _descend(solve, smoothing, held, (1.1, 0.6), smoothing)
    return _curve(problem, best, smoothing)


def undersmoothed(spline: Spline, x: Floats, y: Floats, w: Floats) -> Spline:
    """The readings that made `spline`, smoothed much less: what moves then is not told by scatter, but the smoothing's own doing.
    Parameters as of `fit_spline`.
    """
    problem = Problem.of(x, y, w, spline.low, spline.high)
    less = spline.log_smoothing - LESS
    return _curve(problem, problem.solve(problem.bend * math.exp(less), 0.0, ORDER), less)


def _ramped(problem: Problem, straight: Floats, ease: Floats) -> Callable[[float, float], Solved]:
    """The fit by the log smoothing parameters of both penalties: on fifth differences with the weights `ease`, on second ones
    `straight`.
    """
    hold, full = problem.penalty(2, straight), problem.penalty(ORDER, ease)
    # In terms of second differences both penalties keep full rank: their common null space are the straight lines.
    bend = squares(problem.count - 2, ORDER - 2, ease)

    def solve(smoothing: float, held: float) -> Solved:
        seconds = math.exp(smoothing) * bend
        seconds[0] += math.exp(held) * straight
        return problem.solve(full * math.exp(smoothing) + hold * math.exp(held), log_det(seconds), 2)

    return solve


def _descend(
    solve: Callable[[float, float], Solved], smoothing: float, held: float, steps: tuple[float, ...], most: float
) -> tuple[Solved, float, float]:
    """From two smoothing parameters on to less of the criterion, a step at a time, the first never beyond `most`."""
    best = solve(smoothing, held)
    for step in steps:
        for move in ((step, 0.0), (-step, 0.0), (0.0, step), (0.0, -step)):
            if smoothing + move[0] > most:
                continue
            tried = solve(smoothing + move[0], held + move[1])
            if tried.criterion < best.criterion:
                best, smoothing, held = tried, smoothing + move[0], held + move[1]
    return best, smoothing, held


def _ends_of_ramps(problem: Problem, coefficients: Floats, straight: Floats) -> list[list[Floats]]:
    """For each flank with a straight part low on it: how far (deg) each fifth difference lies from where that part may end."""
    step = float(problem.knots[1] - problem.knots[0])
    middle = step * (np.arange(straight.size) + 1.0)  # of second differences, as if each coefficient stood at its number
    fifth = step * (np.arange(problem.count - ORDER) + ORDER / 2)
    low = coefficients[1:-1] < LOW * coefficients.max()
    top = step * float(np.argmax(coefficients))
    found = []
    for side in (-1.0, 1.0):
        ramp = middle[low & (straight > STILL_STRAIGHT) & (side * (middle - top) > 0.0)]
        if ramp.size:
            end = ramp.max() if side < 0 else ramp.min()
            found.append([fifth - (end - side * on) for on in END_DEG])
    return found


def _curve(problem: Problem, solved: Solved, smoothing: float) -> Spline:
    function = BSpline(problem.knots, solved.coefficients, DEGREE)
    return Spline(problem.low, problem.high, function, solved.factor, solved.sigma2, smoothing)


def _evenly(problem: Problem, near: float | None) -> Spline:
    """The curve with one smoothing parameter everywhere."""

    def solve(smoothing: float) -> Solved:
        return problem.solve(problem.bend * math.exp(smoothing), smoothing * (problem.count - ORDER), ORDER)

    smoothing = _search(lambda at: solve(at).criterion, near)
    return _curve(problem, solve(smoothing), smoothing)


def _search(criterion: Callable[[float], float], near: float | None) -> float:
    """The log smoothing parameter of least criterion, looked for around `near` first."""

    def within(low: float, high: float) -> float:
        # A tenth in it moves the curve by a thousandth of its error.
        return float(minimize_scalar(criterion, bounds=(low, high), method="bounded", options={"xatol": 0.1}).x)

    if near is not None:
        found = within(near - SEARCH, near + SEARCH)
        if abs(found - near) < SEARCH - 0.3:
            return found
    grid = np.arange(-12.0, 19.0, 3.0)
    best = int(np.argmin([criterion(at) for at in grid]))
    return within(float(grid[max(best - 1, 0)]), float(grid[min(best + 1, grid.size - 1)]))


def _straightness(coefficients: Floats) -> Floats:
    """How straight a curve is at each second difference of its coefficients: up to 1, next to 0 where it bends as flanks do."""
    bend = np.convolve(np.pad(np.diff(coefficients, 2) ** 2, 2, mode="reflect"), np.ones(5) / 5, mode="valid")
    weight = (bend / bend.mean() + STRAIGHT**2) ** -2.0
    return np.asarray(weight / weight.max())
