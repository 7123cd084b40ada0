"""The base circle: where the follower rests on the round part of the cam. The zero of every lift is taken there, never from the
minimum.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from analysis.base.errors import DataError
from analysis.base.quantization import HARMONICS, coherent_u, harmonic_variance
from analysis.base.samples import Bools, Floats, Ints
from analysis.curve.points import Points

CELL_DEG = 1.0
# What is level to within a few steps over this length is flat; a shorter part could be the nose or a dwell.
FLAT_DEG = 15.0
ENOUGH_DEG = 20.0
# Nearer to the peak than this there is lobe, further than that there is none: no automotive lobe is shorter or longer (common
# practice).
NEAR_DEG, FAR_DEG = 75.0, 185.0
# Noise (mm) that hides a base circle, and a zero that moved by so much (mm) from pass to pass.
NOISY_MM, MOVED_MM = 0.03, 0.04
# A zero that moved by more than this share in one go was knocked.
AT_ONCE = 0.8
# Fewer bins of a pass than this on one side of the lobe make no zero; cells that a level along the base circle is averaged over.
LEAST_BINS, SMOOTH_CELLS = 3, 5


@dataclass(frozen=True)
class BaseCircle:
    """Zero (mm, raw) before and after the lobe, by number of the pass, shape (p,); NaN where a pass has no base circle on that side.

    `before_deg` and `after_deg`: middles of the flat parts (crank degrees from overlap TDC). `runout_mm`: peak to peak of the level
    along the base circle; `drift_mm`: how far the zero of the last pass lies from that of the first, on the same side; `covered_deg`:
    crank degrees of base circle seen; `scatter_mm` of one bin about its cell.
    """

    before: Floats
    after: Floats
    before_deg: float
    after_deg: float
    runout_mm: float
    drift_mm: float
    covered_deg: float
    scatter_mm: float

    def zero_u_mm(self, step_mm: float, noise_mm: float = 0.0) -> float:
        """Standard uncertainty of a zero. Where readings have next to no noise (`noise_mm` of one, as the curve tells it) their mean
        stays on a code, however many there are. What they scatter by here tells nothing: at the edge of a code it takes no noise.
        """
        return math.hypot(coherent_u(step_mm, noise_mm), self.scatter_mm / math.sqrt(max(self.covered_deg, 1.0)))

    def mean_zero_u_mm(self, step_mm: float, noise_mm: float = 0.0) -> float:
        """As `zero_u_mm`, of the mean over all passes: zeros that drift over the indicator's codes are rounded each in its own way,
        and as far as they do the errors average out. The drift is taken to be even.
        """
        zeros = np.column_stack((self.before, self.after)).ravel()
        number = np.flatnonzero(~np.isnan(zeros))
        if number.size < 4:
            return self.zero_u_mm(step_mm, noise_mm)
        at = np.polynomial.Polynomial.fit(number, zeros[number], 1)(number) / step_mm
        in_phase = [abs(np.mean(np.exp(2j * np.pi * k * at))) ** 2 for k in range(1, HARMONICS)]
        kept = (a + (1.0 - a) / number.size for a in in_phase)
        repeats = sum(share * harmonic_variance(step_mm, noise_mm, k) for k, share in enumerate(kept, start=1))
        return math.hypot(math.sqrt(repeats), self.scatter_mm / math.sqrt(max(self.covered_deg, 1.0)))

    @cached_property
    def uneven_u_mm(self) -> float:
        """Standard uncertainty that a zero has between the base circle before the lobe and that behind it where it drifts by time and
        a hand rests now and then: of what it moves by from one turn of the camshaft to the next, half falls on the lobe, and nobody
        knows where (a step anywhere about a straight line: sqrt(1/6) of it).
        """
        moved = np.diff(np.vstack((self.before, self.after)))
        moved = moved[~np.isnan(moved)]
        return float(np.sqrt(np.mean(moved * moved) / 6)) / 2 if moved.size else 0.0

    def share_after(self, deg: Floats) -> Floats:
        """How much the zero at angles owes to the base circle behind the lobe, the rest to that before it. Shape of `deg`."""
        return np.clip((deg - self.before_deg) / (self.after_deg - self.before_deg), 0.0, 1.0)

    @property
    def mean_zero(self) -> float:
        """Mean zero of all passes and both sides, mm, raw."""
        return float(np.nanmean(np.concatenate((self.before, self.after))))

    @cached_property
    def apart(self) -> float:
        """By how much the zero behind the lobe lies above that before it (drift, runout), mm: the mean over passes that have both;
        0 if none has.
        """
        apart = self.after - self.before
        return float(np.mean(apart[~np.isnan(apart)])) if not np.isnan(apart).all() else 0.0

    @cached_property
    def _ends(self) -> tuple[Floats, Floats]:
        """`before` and `after` without holes: where a pass begins or ends on the lobe, the zero that is missing lies as far from the
        other as in the passes that have both; where it has neither, both are the mean of all.
        """
        none = np.isnan(self.before) & np.isnan(self.after)
        before = np.where(np.isnan(self.before), self.after - self.apart, self.before)
        after = np.where(np.isnan(self.after), self.before + self.apart, self.after)
        return np.where(none, self.mean_zero, before), np.where(none, self.mean_zero, after)

    def zero(self, pass_: Ints, deg: Floats) -> Floats:
        """Zero (mm, raw) of passes at angles: a straight line from the base circle before the lobe to that after it. Shapes
        broadcast.
        """
        before, after = (end[pass_] for end in self._ends)
        return np.asarray(before + (after - before) * self.share_after(deg))

    def zero_of_all(self, deg: Floats) -> Floats:
        """Mean zero of all passes at angles, as the curve through them all has it. Shape of `deg`."""
        before, after = (float(np.mean(end)) for end in self._ends)
        return np.asarray(before + (after - before) * self.share_after(deg))


@dataclass(frozen=True)
class _Cells:
    """Points by cells of a degree about the peak: `deg` from the peak, number of the `cell`, and whether it lies `after` the lobe,
    shape (n,). `mean` (mm) and `count` of the points of each cell, shape (c,), whose middles lie at `MIDDLES`.
    """

    deg: Floats
    cell: Ints
    after: Bools
    mean: Floats
    count: Ints


MIDDLES = np.arange(-360.0, 360.0, CELL_DEG) + CELL_DEG / 2


def find_base_circle(points: Points, peak_deg: float, step_mm: float) -> BaseCircle:
    """The flat part opposite the lobe that peaks near `peak_deg` (crank degrees from overlap TDC), and the zero of every pass on it.

    `step_mm`: one count of the indicator. Raises DataError if there is too little base circle.
    """
    cells = _in_cells(points, peak_deg)
    flat = _flat(cells, step_mm)
    far = flat & (np.abs(MIDDLES) > FAR_DEG)
    if far.sum() * CELL_DEG >= ENOUGH_DEG:
        flat = far
    covered = float(flat.sum() * CELL_DEG)
    if covered < ENOUGH_DEG:
        _refuse_unsteady(points, cells, step_mm)
        raise DataError(
            f"no base circle in the data: only {covered:.0f} degrees are flat, {ENOUGH_DEG:.0f} are needed for a zero",
            do="Sweep on until the valve has been closed for a while before and after the lobe",
        )
    levels = np.vstack([_levels(points, cells, flat, after) for after in (False, True)])
    if np.isnan(levels).all():
        raise DataError(
            "no pass over the lobe has enough readings on the base circle for a zero",
            do="Sweep again, slower, until the valve has been closed for a while before and after the lobe",
        )
    before_deg, after_deg = _spots(flat)
    on_base = flat[cells.cell] & (np.abs(cells.deg) > NEAR_DEG)
    return BaseCircle(
        before=levels[0],
        after=levels[1],
        before_deg=before_deg + peak_deg,
        after_deg=after_deg + peak_deg,
        runout_mm=_runout(_without_drift(points, cells, levels)[flat]),
        drift_mm=_drift(levels),
        covered_deg=covered,
        scatter_mm=float(np.std(points.lift_mm[on_base] - cells.mean[cells.cell[on_base]])) if on_base.any() else 0.0,
    )


def _refuse_unsteady(points: Points, cells: _Cells, step_mm: float) -> None:
    """DataError where nothing is flat because the readings scatter, or because the zero moved from pass to pass."""
    away = np.abs(cells.deg) > FAR_DEG
    if away.sum() < 30:
        return
    lift, visit = points.lift_mm[away], 2 * points.pass_[away] + (cells.deg[away] > 0.0)
    noise = float(np.median(np.abs(np.diff(lift)))) / 0.954  # of two neighbours: sqrt(2) x 0.6745
    level = np.array([np.median(lift[visit == each]) for each in np.unique(visit)])
    moved = float(np.ptp(level))
    if noise > max(NOISY_MM, 3 * step_mm):
        raise DataError(
            f"the readings scatter by {noise:.2f} mm where the valve is closed: noise hides the base circle",
            do="Check the indicator's cable, its scale and its stand, and sweep again",
        )
    if moved > max(MOVED_MM, 5 * step_mm):
        at_once = float(np.abs(np.diff(level)).max()) > AT_ONCE * moved
        how = "all at once: it was knocked" if at_once else "little by little: the indicator or its stand creeps"
        raise DataError(
            f"the zero where the valve is closed moves by {moved:.2f} mm from one visit to another, {how}, or a hydraulic lifter "
            "sinks",
            do="Find which, let it come to rest, and sweep again",
        )


def _in_cells(points: Points, peak_deg: float) -> _Cells:
    deg = points.deg - peak_deg
    cell = np.clip(np.floor((deg + 360.0) / CELL_DEG).astype(np.int64), 0, MIDDLES.size - 1)
    count = np.bincount(cell, minlength=MIDDLES.size)
    mean = np.bincount(cell, weights=points.lift_mm, minlength=MIDDLES.size) / np.maximum(count, 1)
    return _Cells(deg, cell, deg >= 0, mean, count)


def _flat(cells: _Cells, step_mm: float) -> Bools:
    """Cells away from the lobe that lie in a level part, at the level that most of them share. Shape (c,)."""
    filled = (cells.count > 0) & (np.abs(MIDDLES) > NEAR_DEG)
    width = int(FLAT_DEG / CELL_DEG)
    tolerance = max(3 * step_mm, 0.03)
    high = np.where(filled, cells.mean, -np.inf)
    low = np.where(filled, cells.mean, np.inf)
    windows = np.lib.stride_tricks.sliding_window_view
    with np.errstate(invalid="ignore"):
        # Unfilled cells inside a window do not spoil it as long as most are filled (a slow gauge leaves holes).
        span = windows(high, width).max(axis=1) - windows(low, width).min(axis=1)
    enough = windows(filled, width).sum(axis=1) >= max(3, width // 3)
    starts = np.flatnonzero(enough & (span <= tolerance))
    flat = np.zeros(MIDDLES.shape, dtype=bool)
    for k in range(width):
        flat[starts + k] = True
    flat &= filled
    if not flat.any():
        return flat
    # A dwell or a long ramp can be level as well: the base circle is the lowest level that a good share of the flat cells has.
    lowest = float(np.quantile(cells.mean[flat], 0.1))
    return flat & (cells.mean <= lowest + max(2 * tolerance, 0.1))


def _spots(flat: Bools) -> tuple[float, float]:
    """Middles of the flat cells before and after the lobe, deg from the peak; if there are none, where lobes end."""
    before, after = MIDDLES[flat & (MIDDLES < 0)], MIDDLES[flat & (MIDDLES > 0)]
    return float(before.mean()) if before.size else -FAR_DEG, float(after.mean()) if after.size else FAR_DEG


def _without_drift(points: Points, cells: _Cells, levels: Floats) -> Floats:
    """Mean of the cells with each pass's own level taken off and that of all put back: what a zero that drifts does is no runout.
    `levels`: shape (2, passes). Shape (c,).
    """
    known = ~np.isnan(levels)
    mean = np.where(known, levels, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
    lift = points.lift_mm - _of_each(np.where(known, levels - mean[:, None], 0.0), points, cells)
    return np.asarray(np.bincount(cells.cell, weights=lift, minlength=MIDDLES.size) / np.maximum(cells.count, 1))


def _of_each(levels: Floats, points: Points, cells: _Cells) -> Floats:
    """What stands for the pass and side of each point, shape (n,), in a table of shape (2, passes)."""
    return np.asarray(np.where(cells.after, levels[1][points.pass_], levels[0][points.pass_]))


def _runout(level: Floats) -> float:
    """Peak to peak of the level along the flat cells, smoothed, mm; 0 where they are few."""
    if level.size < 2 * SMOOTH_CELLS:
        return 0.0
    return float(np.ptp(np.convolve(level - np.median(level), np.ones(SMOOTH_CELLS) / SMOOTH_CELLS, mode="valid")))


def _drift(levels: Floats) -> float:
    """From the first pass to the last, mm. Like against like: before and after the lobe the cam may run out differently.

    `levels`: shape (2, passes).
    """
    known = (side[~np.isnan(side)] for side in levels)
    drifts = [side[-1] - side[0] for side in known if side.size > 1]
    return float(np.mean(drifts)) if drifts else 0.0


def _levels(points: Points, cells: _Cells, flat: Bools, after: bool) -> Floats:
    """Level (mm, raw) of each pass on the flat cells of one side of the lobe, shape (p,); NaN with fewer than three bins there.

    A cam that runs out has no level base circle, and passes that saw different parts of it must not differ by that: a shape for all
    and a level for each are told apart by least squares, as far as passes overlap.
    """
    passes = int(points.pass_.max()) + 1
    mine = flat[cells.cell] & (cells.after == after)
    told = np.bincount(points.pass_[mine], minlength=passes) >= LEAST_BINS
    mine &= told[points.pass_]
    level = np.full(passes, np.nan)
    if not told.any():
        return level
    at = points.pass_[mine] * flat.size + cells.cell[mine]
    weights = points.n[mine], points.n[mine] * points.lift_mm[mine]
    n, lift = (np.bincount(at, weights=w, minlength=passes * flat.size).reshape(passes, -1)[told] for w in weights)
    worth = n.sum(axis=1)
    own = lift.sum(axis=1) / worth
    share = n / np.maximum(n.sum(axis=0), 1.0)
    shape = (lift - own[:, None] * n).sum(axis=0)
    moved = np.linalg.pinv(np.diag(worth) - share @ n.T, rcond=1e-9, hermitian=True) @ (-share @ shape)
    level[told] = own + moved - np.average(moved, weights=worth)
    return level
