"""From readings placed on the crank to `Points`: the bin means of every pass over one lobe, in one table.

A bin is one or a few counts wide. Within it the curve is straight enough for means to lose nothing: the mean lift belongs to the mean
position. Only bins in which there are readings are kept, so that a count that jumped takes no memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from analysis.base.errors import DataError
from analysis.base.samples import Bools, Floats, Ints
from analysis.crank.readings import Readings

# Bins are about this wide at most; a coarser encoder has one count a bin.
BIN_DEG = 0.2
# A way back of more than this begins a new run: the same lobe is swept again.
RUN_DEG = 200.0
# Over so many bins the crank hardly changes its speed.
LOCAL_BINS = 15
# Least travel of the indicator on a valve that opens, and the share of it by which heights of the nose may differ and tie.
LEAST_LIFT_MM, TIE = 1.0, 1e-6
# The highest lift is looked for among means over so many degrees.
PEAK_DEG = 5.0


@dataclass(frozen=True)
class Profile:
    """Lift over the cycle of 720 degrees, all passes together, by bins of `width` counts in the direction of rotation.

    `lift_mm`: mean raw lift, 0 where nothing was read, and `n`: number of readings; shape (2 cpr / width,) each.
    """

    cpr: int
    width: int
    lift_mm: Floats
    n: Floats


@dataclass(frozen=True)
class Points:
    """Bin means of every pass over a lobe, pass after pass, in order of bins. Shape (n,) each.

    `deg`: crank degrees from overlap TDC; `lift_mm` raw, growing as the valve opens; `speed` deg/s; `n` readings; `scatter2` (mm^2):
    variance of the readings about their bin's mean (0 for one); `usual`: the local mean count (`local_mean_count`); `pass_`: number
    of the pass from 0 on; `bin`: number from the start of the window, the same place in every pass.
    """

    deg: Floats
    lift_mm: Floats
    speed: Floats
    n: Floats
    scatter2: Floats
    usual: Floats
    pass_: Ints
    bin: Ints

    def without_lag(self, lag_s: float) -> Points:
        """The points where the crank was `lag_s` seconds earlier, at the speed that it had."""
        return replace(self, deg=self.deg - lag_s * self.speed)


def bin_width(cpr: int) -> int:
    """Counts a bin, so that whole bins fill a turn where that is possible."""
    widest = max(1, int(BIN_DEG * cpr / 360.0))
    return next(width for width in range(widest, 0, -1) if cpr % width == 0)


def profile(readings: Readings, forward: int, keep: Bools, cpr: int) -> Profile:
    """The kept readings (shape (m,)) over the cycle. `forward`: sign of counting in the direction of rotation."""
    width = bin_width(cpr)
    bins = 2 * cpr // width
    at = np.floor(forward * readings.position[keep] / width).astype(np.int64) % bins
    n = np.bincount(at, minlength=bins).astype(np.float64)
    return Profile(cpr, width, np.bincount(at, weights=readings.lift_mm[keep], minlength=bins) / np.maximum(n, 1.0), n)


def upright(seen: Profile) -> tuple[Profile, bool]:
    """The profile with lift growing as the valve opens, and whether it had to be turned round.

    The base circle takes up most of the cycle: if most of the cycle is high, the sign is wrong.
    """
    lift = seen.lift_mm[seen.n > 0]
    low, middle, high = np.quantile(lift, (0.02, 0.5, 0.98))
    if lift.size < 0.6 * seen.n.size or high - middle >= middle - low:
        return seen, False
    return replace(seen, lift_mm=-seen.lift_mm), True


def peak_position(seen: Profile) -> float:
    """Position (counts in the direction of rotation, of one cycle) of the highest lift, from the mean over five degrees.

    Raises DataError if the indicator hardly moved.
    """
    reach = max(1, round(PEAK_DEG * seen.cpr / 360.0 / seen.width)) | 1
    kernel = np.ones(reach)

    def around(values: Floats) -> Floats:
        return np.convolve(np.concatenate((values[-reach:], values, values[:reach])), kernel, mode="same")[reach:-reach]

    share = around((seen.n > 0).astype(np.float64))
    smooth = np.where(share > 0, around(seen.lift_mm) / np.maximum(share, 1e-9), -np.inf)
    moved = float(np.ptp(smooth[np.isfinite(smooth)]))
    if moved < LEAST_LIFT_MM:
        raise DataError(
            f"the indicator moved by {moved:.2f} mm only: it does not stand on a valve that opens",
            do="Set it on the valve or the lifter, along its travel, with enough preload",
        )
    # A nose is level to within the rounding of sums: the middle of all that ties, or the machine's arithmetic chooses one.
    top, half = int(np.argmax(smooth)), smooth.size // 2
    level = np.flatnonzero(np.roll(smooth, half - top) >= smooth[top] - TIE * moved)
    return float((top + level.mean() - half + 0.5) * seen.width)


def points_around(
    readings: Readings, forward: int, sign: int, keep: Bools, cpr: int, *, peak_deg: float, overlap_tdc: float
) -> Points:
    """The bin means of the kept readings (shape (m,)) in every pass over a lobe, over a turn before and after its peak.

    `forward`: sign of counting in the direction of rotation; `sign`: of the lift as the valve opens. `overlap_tdc`: position (counts
    in the direction of rotation), in any cycle, of the overlap TDC from which angles count; `peak_deg`: roughly, that of the peak.
    """
    width = bin_width(cpr)
    start = int(np.floor((overlap_tdc + (peak_deg / 360.0 - 1.0) * cpr) / width))
    order, within, first, pass_, bin_ = _in_bins(forward * readings.position[keep], cpr, width, start)
    order = np.flatnonzero(keep)[order]
    n = np.diff(first, append=order.size).astype(np.float64)

    def mean(values: Floats) -> Floats:
        return np.asarray(np.add.reduceat(values, first) / n)

    lift = sign * readings.lift_mm[order]
    lift_mm = mean(lift)
    return Points(
        deg=(mean(within) + (start * width - overlap_tdc)) * 360.0 / cpr,
        lift_mm=lift_mm,
        speed=mean(forward * readings.speed[order]) * 360.0 / cpr,
        n=n,
        scatter2=np.maximum(mean(lift * lift) - lift_mm * lift_mm, 0.0),
        usual=local_mean_count(n, pass_),
        pass_=pass_,
        bin=bin_,
    )


def _in_bins(position: Floats, cpr: int, width: int, start: int) -> tuple[Ints, Floats, Ints, Ints, Ints]:
    """Readings in order of time laid out by run, window and bin. `position`: counts in the direction of rotation, shape (m,); one
    window of a cycle begins with bin `start`.

    Returns in what order they lie bin after bin, and the position of each within its window (counts), shape (m,); then for each bin
    with readings, shape (n,), its first in that order, the number of its pass and its number in the window.
    """
    run = np.cumsum(np.diff(position, prepend=position[:1]) < -RUN_DEG * cpr / 360.0)
    bin_ = np.floor(position / width).astype(np.int64) - start
    order = np.lexsort((bin_, run))  # nearly as they come
    run, bin_ = run[order], bin_[order]
    window = bin_ // (2 * cpr // width)
    within = position[order] - (start * width + window * (2 * cpr))
    changes = (np.diff(run, prepend=run[:1]) != 0) | (np.diff(window, prepend=window[:1]) != 0)
    first = np.flatnonzero(changes | (np.diff(bin_, prepend=bin_[:1] - 1) != 0))
    return order, within, first, np.cumsum(changes)[first], bin_[first] % (2 * cpr // width)


def each_pass(pass_: Ints) -> Iterator[slice]:
    """The rows of each pass that has any, in order, by the numbers of passes in growing order, shape (n,)."""
    if pass_.size:
        bounds = (0, *(1 + np.flatnonzero(np.diff(pass_))).tolist(), pass_.size)
        yield from (slice(start, stop) for start, stop in pairwise(bounds))


def local_mean_count(n: Floats, pass_: Ints) -> Floats:
    """How many readings a bin has hereabouts: the mean over the bins next to it in its pass. Shape of `n` and `pass_`, (n,).

    Latched by time, a bin has a reading more or less by where in it the crank was at a sample, and that goes with the error of
    its edges. Bins that count alike then lean to one side, by a twentieth of a sample's period; readings that count alike
    do not.
    """
    found = np.empty_like(n)
    for rows in each_pass(pass_):
        padded = np.pad(n[rows], LOCAL_BINS // 2, mode="edge")
        found[rows] = np.convolve(padded, np.full(LOCAL_BINS, 1 / LOCAL_BINS), mode="valid")
    return found


def noise_of(points: Points) -> float:
    """Scatter (mm) of single points, from how far each lies off the middle of its neighbours: the curve hardly bends in between."""
    if points.lift_mm.size < 3:
        return 0.0
    bend = np.diff(points.lift_mm, 2)
    return float(np.median(np.abs(bend))) / (0.6745 * float(np.sqrt(6.0)))
