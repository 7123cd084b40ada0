"""From readings placed on the crank to `Points`: the bin means of every pass over one lobe, in one table.

Readings are first summed up by bins of the crank's position (`Bins`), one or a few counts wide, and only where the crank was, so
that neither a long sweep nor a count that jumped takes memory. Within a bin the curve is straight enough for sums to lose nothing:
the mean lift belongs to the mean position.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

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
class Bins:
    """Sums of readings by run and bin, where there are any, in order. Shape (b,) each.

    A bin is `width` counts in the direction of rotation, `bin` its number; a run ends where the crank is turned back by more than
    `RUN_DEG`. `n` readings; sums of the position within the bin (counts), of the speed (counts/s), the lift (mm) and its square.
    """

    cpr: int
    width: int
    run: Ints
    bin: Ints
    n: Floats
    offset: Floats
    speed: Floats
    lift: Floats
    lift2: Floats

    @property
    def in_cycle(self) -> int:
        """Bins of a cycle of 720 degrees."""
        return 2 * self.cpr // self.width


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


def runs_of(position: Floats, cpr: int) -> Ints:
    """Number of the run of each reading: grows by one where the crank was turned back by more than `RUN_DEG`. `position`: counts in
    the direction of rotation, in order of time, shape (m,). Shape (m,).
    """
    return np.cumsum(np.diff(position, prepend=position[:1]) < -RUN_DEG * cpr / 360.0)


def gather(readings: Readings, forward: int, keep: Bools, cpr: int) -> Bins:
    """The kept readings summed up by run and bin. `forward`: sign of counting in the direction of rotation; `keep`: shape (m,)."""
    position, speed, lift = forward * readings.position[keep], forward * readings.speed[keep], readings.lift_mm[keep]
    width, run = bin_width(cpr), runs_of(position, cpr)
    bin_ = np.floor(position / width).astype(np.int64)
    order = np.lexsort((bin_, run))  # nearly in order as they come
    run, bin_ = run[order], bin_[order]
    first = np.flatnonzero((np.diff(run, prepend=-1) != 0) | (np.diff(bin_, prepend=bin_[:1]) != 0))

    def total(values: Floats) -> Floats:
        return np.asarray(np.add.reduceat(values[order], first)) if first.size else values

    return Bins(
        cpr=cpr,
        width=width,
        run=run[first],
        bin=bin_[first],
        n=np.diff(first, append=bin_.size).astype(np.float64),
        offset=total(position - np.floor(position / width) * width),
        speed=total(speed),
        lift=total(lift),
        lift2=total(lift * lift),
    )


def profile(bins: Bins) -> tuple[Floats, Floats]:
    """Mean raw lift (mm) by bin of the cycle of 720 degrees, NaN where nothing was read, and the number of readings. Shape
    (`in_cycle`,) each.
    """
    at = bins.bin % bins.in_cycle
    n, lift = (np.asarray(np.bincount(at, of, bins.in_cycle), np.float64) for of in (bins.n, bins.lift))
    return np.where(n > 0, lift / np.maximum(n, 1.0), np.nan), n


def upright(bins: Bins) -> tuple[Bins, bool]:
    """The sums with lift growing as the valve opens, and whether they had to be turned round.

    The base circle takes up most of the cycle: if most of the cycle is high, the sign is wrong.
    """
    mean, _ = profile(bins)
    lift = mean[~np.isnan(mean)]
    low, middle, high = np.quantile(lift, (0.02, 0.5, 0.98))
    if lift.size < 0.6 * mean.size or high - middle >= middle - low:
        return bins, False
    return replace(bins, lift=-bins.lift), True


def peak_position(bins: Bins) -> float:
    """Position (counts in the direction of rotation, of one cycle) of the highest lift, from the mean over five degrees.

    Raises DataError if the indicator hardly moved.
    """
    mean, n = profile(bins)
    reach = max(1, round(PEAK_DEG * bins.cpr / 360.0 / bins.width)) | 1
    kernel = np.ones(reach)

    def around(values: Floats) -> Floats:
        return np.convolve(np.concatenate((values[-reach:], values, values[:reach])), kernel, mode="same")[reach:-reach]

    share = around((n > 0).astype(np.float64))
    smooth = np.where(share > 0, around(np.where(n > 0, mean, 0.0)) / np.maximum(share, 1e-9), -np.inf)
    moved = float(np.ptp(smooth[np.isfinite(smooth)]))
    if moved < LEAST_LIFT_MM:
        raise DataError(
            f"the indicator moved by {moved:.2f} mm only: it does not stand on a valve that opens",
            do="Set it on the valve or the lifter, along its travel, with enough preload",
        )
    # A nose is level to within the rounding of sums: the middle of all that ties, or the machine's arithmetic chooses one.
    top, half = int(np.argmax(smooth)), smooth.size // 2
    level = np.flatnonzero(np.roll(smooth, half - top) >= smooth[top] - TIE * moved)
    return float((top + level.mean() - half + 0.5) * bins.width)


def points_around(bins: Bins, peak: float, tdc: float) -> Points:
    """The means over every pass over the lobe that peaks at position `peak`, over a turn before and after it.

    `peak`, and `tdc`, the overlap TDC of the same cycle from which angles count: counts in the direction of rotation, of any cycle.
    """
    start = int(np.floor((peak - bins.cpr) / bins.width))
    cycle, number = np.divmod(bins.bin - start, bins.in_cycle)
    pass_ = np.cumsum((np.diff(bins.run, prepend=bins.run[:1]) != 0) | (np.diff(cycle, prepend=cycle[:1]) != 0))
    lift = bins.lift / bins.n
    position = bins.bin * bins.width + bins.offset / bins.n
    return Points(
        deg=(position - (tdc + cycle * (2 * bins.cpr))) * 360.0 / bins.cpr,
        lift_mm=lift,
        speed=bins.speed / bins.n * 360.0 / bins.cpr,
        n=bins.n,
        scatter2=np.maximum(bins.lift2 / bins.n - lift * lift, 0.0),
        usual=local_mean_count(bins.n, pass_),
        pass_=pass_,
        bin=number,
    )


def local_mean_count(n: Floats, pass_: Ints) -> Floats:
    """How many readings a bin has hereabouts: the mean over the bins next to it in its pass. Shape of `n` and `pass_`, (n,).

    Latched by time, a bin has a reading more or less by where in it the crank was at a sample, and that goes with the error of
    its edges. Bins that count alike then lean to one side, by a twentieth of a sample's period; readings that count alike
    do not.
    """
    first = np.searchsorted(pass_, pass_)
    last = np.searchsorted(pass_, pass_, side="right") - 1
    here, half = np.arange(n.size), LOCAL_BINS // 2
    near = (n[np.clip(here + on, first, last)] for on in range(-half, half + 1))
    return np.asarray(sum(near, np.zeros(n.size)) / LOCAL_BINS)


def noise_of(points: Points) -> float:
    """Scatter (mm) of single points, from how far each lies off the middle of its neighbours: the curve hardly bends in between."""
    if points.lift_mm.size < 3:
        return 0.0
    bend = np.diff(points.lift_mm, 2)
    return float(np.median(np.abs(bend))) / (0.6745 * float(np.sqrt(6.0)))
