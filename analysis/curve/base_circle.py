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
from analysis.curve.bins import Pass

CELL_DEG = 1.0
# A stretch of this length that is level to within a few steps is flat; a shorter one could be the nose or a dwell.
FLAT_DEG = 15.0
ENOUGH_DEG = 20.0
# Nearer to the peak than this there is lobe, further than that there is none: no automotive lobe is shorter or longer (common
# practice).
NEAR_DEG, FAR_DEG = 75.0, 185.0


@dataclass(frozen=True)
class BaseCircle:
    """Zero (mm, raw) before and after the lobe of each pass, shape (p,); NaN where a pass has no base circle on that side.

    `before_deg` and `after_deg`: middles of the flat parts. `runout_mm`: peak to peak of the level along the base circle,
    `drift_mm`: how far the zero of the last pass lies from that of the first, on the same side, `covered_deg`: degrees of base
    circle seen, `scatter_mm` of one bin about its cell.
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
        alike = [abs(np.mean(np.exp(2j * np.pi * k * at))) ** 2 for k in range(1, HARMONICS)]
        kept = (a + (1.0 - a) / number.size for a in alike)
        repeats = sum(share * harmonic_variance(step_mm, noise_mm, k) for k, share in enumerate(kept, start=1))
        return math.hypot(math.sqrt(repeats), self.scatter_mm / math.sqrt(max(self.covered_deg, 1.0)))

    def share_after(self, deg: Floats) -> Floats:
        """How much the zero at angles owes to the base circle behind the lobe, the rest to that before it. Shape of `deg`."""
        return np.clip((deg - self.before_deg) / (self.after_deg - self.before_deg), 0.0, 1.0)

    @property
    def mean_zero(self) -> float:
        """Mean zero of all passes and both sides, mm, raw."""
        return float(np.nanmean(np.concatenate((self.before, self.after))))

    def zero_of_all(self, deg: Floats) -> Floats:
        """Mean zero of all passes at angles, as the curve through them all has it. Shape of `deg`."""
        return np.asarray(np.mean([self.zero(k, deg) for k in range(self.before.size)], axis=0))

    @cached_property
    def apart(self) -> float:
        """By how much the zero behind the lobe lies above that before it (drift, runout): the mean over passes that have both;
        0 if none has.
        """
        apart = self.after - self.before
        return float(np.mean(apart[~np.isnan(apart)])) if not np.isnan(apart).all() else 0.0

    def zero(self, k: int, deg: Floats) -> Floats:
        """Zero of pass k at angles: a straight line from the base circle before the lobe to that after it. Shape of `deg`.

        Of a pass that begins or ends on the lobe one is missing: it lies as far from the other as in the passes that have both.
        """
        before, after = self.before[k], self.after[k]
        if np.isnan(before) and np.isnan(after):
            return np.full(deg.shape, self.mean_zero)
        before, after = (after - self.apart if np.isnan(before) else before), (before + self.apart if np.isnan(after) else after)
        return np.asarray(before + (after - before) * self.share_after(deg))


def find_base_circle(passes: tuple[Pass, ...], peak_deg: float, step_mm: float) -> BaseCircle:
    """Find the flat part opposite the lobe and the zero of every pass on it. Raises DataError if there is none."""
    deg = np.concatenate([p.deg for p in passes]) - peak_deg
    lift = np.concatenate([p.lift_mm for p in passes])
    edges = np.arange(-360.0, 360.0 + CELL_DEG, CELL_DEG)
    cell = np.clip(np.digitize(deg, edges) - 1, 0, edges.size - 2)
    count = np.bincount(cell, minlength=edges.size - 1)
    mean = np.bincount(cell, weights=lift, minlength=edges.size - 1) / np.maximum(count, 1)
    middle = edges[:-1] + CELL_DEG / 2
    flat = _flat(mean, count, middle, step_mm)
    far = flat & (np.abs(middle) > FAR_DEG)
    if far.sum() * CELL_DEG >= ENOUGH_DEG:
        flat = far
    if flat.sum() * CELL_DEG < ENOUGH_DEG:
        raise DataError(
            f"no base circle in the data: only {flat.sum() * CELL_DEG:.0f} degrees are flat, {ENOUGH_DEG:.0f} are needed for a zero",
            do="Sweep on until the valve has been closed for a while before and after the lobe",
        )
    level = float(np.median(mean[flat]))
    on_base = flat[cell] & (np.abs(deg) > NEAR_DEG)
    scatter = float(np.std((lift - mean[cell])[on_base])) if on_base.any() else 0.0
    before, after = (_levels(passes, peak_deg, flat, edges, side) for side in (-1, 1))
    sides = [middle[flat & (np.sign(middle) == side)] for side in (-1, 1)]
    spots = [float(s.mean()) if s.size else side * FAR_DEG for s, side in zip(sides, (-1.0, 1.0), strict=True)]
    both = np.vstack((before, after))
    seen = ~np.isnan(both)
    if not seen.any():
        raise DataError(
            "no pass over the lobe has enough readings on the base circle for a zero",
            do="Sweep again, slower, until the valve has been closed for a while before and after the lobe",
        )
    # Like against like: before and after the lobe the cam may run out differently.
    drifts = [float(side[~np.isnan(side)][-1] - side[~np.isnan(side)][0]) for side in both if (~np.isnan(side)).sum() > 1]
    smooth = np.convolve(mean[flat] - level, np.ones(5) / 5, mode="valid") if flat.sum() >= 10 else np.zeros(1)
    return BaseCircle(
        before=before,
        after=after,
        before_deg=spots[0] + peak_deg,
        after_deg=spots[1] + peak_deg,
        runout_mm=float(np.ptp(smooth)),
        drift_mm=float(np.mean(drifts)) if drifts else 0.0,
        covered_deg=float(flat.sum() * CELL_DEG),
        scatter_mm=scatter,
    )


def _flat(mean: Floats, count: Ints, middle: Floats, step_mm: float) -> Bools:
    """Cells away from the lobe that lie in a level stretch, at the level that most of them share."""
    filled = (count > 0) & (np.abs(middle) > NEAR_DEG)
    width = int(FLAT_DEG / CELL_DEG)
    tolerance = max(3 * step_mm, 0.03)
    high = np.where(filled, mean, -np.inf)
    low = np.where(filled, mean, np.inf)
    windows = np.lib.stride_tricks.sliding_window_view
    with np.errstate(invalid="ignore"):
        # Unfilled cells inside a window do not spoil it as long as most are filled (a slow gauge leaves holes).
        span = windows(high, width).max(axis=1) - windows(low, width).min(axis=1)
    enough = windows(filled, width).sum(axis=1) >= max(3, width // 3)
    starts = np.flatnonzero(enough & (span <= tolerance))
    flat = np.zeros(mean.shape, dtype=bool)
    for k in range(width):
        flat[starts + k] = True
    flat &= filled
    if not flat.any():
        return flat
    # A dwell or a long ramp can be level as well: the base circle is the lowest level that a good share of the flat cells has.
    lowest = float(np.quantile(mean[flat], 0.1))
    return flat & (mean <= lowest + max(2 * tolerance, 0.1))


def _levels(passes: tuple[Pass, ...], peak_deg: float, flat: Bools, edges: Floats, side: int) -> Floats:
    """Level of each pass on the flat cells of one side of the lobe, shape (p,); NaN with fewer than three bins there.

    A cam that runs out has no level base circle, and passes that saw different parts of it must not differ by that: a shape for all
    and a level for each are told apart by least squares, as far as passes overlap.
    """
    n, lift = (np.zeros((len(passes), flat.size)) for _ in range(2))
    for k, p in enumerate(passes):  # one round a pass
        deg = p.deg - peak_deg
        cell = np.clip(np.digitize(deg, edges) - 1, 0, edges.size - 2)
        mine = flat[cell] & (np.sign(deg) == side)
        if mine.sum() >= 3:
            n[k], lift[k] = (np.bincount(cell[mine], weights=w[mine], minlength=flat.size) for w in (p.n, p.n * p.lift_mm))
    level = np.full(len(passes), np.nan)
    told = n.any(axis=1)
    if not told.any():
        return level
    n, lift = n[told], lift[told]
    worth = n.sum(axis=1)
    own = lift.sum(axis=1) / worth
    share = n / np.maximum(n.sum(axis=0), 1.0)
    shape = (lift - own[:, None] * n).sum(axis=0)
    moved = np.linalg.pinv(np.diag(worth) - share @ n.T, rcond=1e-9, hermitian=True) @ (-share @ shape)
    level[told] = own + moved - np.average(moved, weights=worth)
    return level
