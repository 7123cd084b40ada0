"""Readings gathered by crank position: what a sweep comes to in fixed memory, however long it lasts.

A bin is one or a few counts wide and keeps sums only, so that blocks of readings can be added as they come and never looked at
again. Within a bin the curve is straight enough for sums to lose nothing: the mean lift belongs to the mean position.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import uniform_filter1d

from analysis.base.samples import Bools, Floats, Ints
from analysis.crank.motion import Motion
from analysis.crank.readings import Readings

# Bins are about this wide at most; a coarser encoder has one count a bin.
BIN_DEG = 0.2
# A way back of more than this begins a new stretch: the same lobe is swept again.
STRETCH_DEG = 200.0
# Over so many bins the crank hardly changes its speed.
USUAL_BINS = 15


@dataclass(frozen=True)
class Stretch:
    """Sums over the bins from `start` on (bin number; a bin is `width` counts of the count in running direction). Shape (b,)
    each.

    `n` readings; sums of position within the bin (counts), of speed (counts/s), of lift (mm) and of its square.
    """

    width: int
    start: int
    n: Floats
    offset: Floats
    speed: Floats
    lift: Floats
    lift2: Floats


def bin_width(cpr: int) -> int:
    """Counts a bin, so that whole bins fill a turn where that is possible."""
    widest = max(1, int(BIN_DEG * cpr / 360.0))
    return next(width for width in range(widest, 0, -1) if cpr % width == 0)


def stretches_of(position: Floats, cpr: int) -> Ints:
    """Number of the stretch of each reading: grows by one where the crank had been turned back by more than `STRETCH_DEG`.
    Shape (m,).
    """
    if position.size == 0:
        return np.zeros(0, dtype=np.int64)
    back = np.maximum(np.diff(-position, prepend=-position[0]), 0.0)
    return np.cumsum(back > STRETCH_DEG * cpr / 360.0)


def gather(readings: Readings, motion: Motion, keep: Bools, cpr: int) -> tuple[Stretch, ...]:
    """The kept readings as sums by bin, a `Stretch` for each time the crank came this way. Positions grow in running
    direction.
    """
    forward = motion.forward
    position = forward * readings.position[keep]
    speed = forward * readings.speed[keep]
    lift = readings.lift_mm[keep]
    number = stretches_of(position, cpr)
    width = bin_width(cpr)
    found = []
    for k in range(int(number[-1]) + 1 if number.size else 0):  # one round a stretch, not a reading
        mine = number == k
        found.append(_sum_up(position[mine], speed[mine], lift[mine], width))
    return tuple(found)


def _sum_up(position: Floats, speed: Floats, lift: Floats, width: int) -> Stretch:
    number = np.floor(position / width).astype(np.int64)
    start = int(number.min())
    at = number - start
    size = int(at.max()) + 1

    def total(weights: Floats | None) -> Floats:
        return np.bincount(at, weights=weights, minlength=size).astype(np.float64)

    return Stretch(width, start, total(None), total(position - number * width), total(speed), total(lift), total(lift * lift))


@dataclass(frozen=True)
class Pass:
    """One forward pass over a lobe: the filled bins only. Shape (k,) each.

    `bin` number from the start of the window (so that passes can be laid over each other), `deg` from overlap TDC, `lift_mm` raw,
    `speed` deg/s, `n` readings, `scatter2` the variance of the readings about their bin's mean (0 for one), `usual` how many
    readings a bin has hereabouts.
    """

    bin: Ints
    deg: Floats
    lift_mm: Floats
    speed: Floats
    n: Floats
    scatter2: Floats
    usual: Floats


def usual_number(n: Floats) -> Floats:
    """How many readings a bin has hereabouts: the mean over the bins next to it. Shape of `n`.

    Latched by time, a bin has a reading more or less by where in it the crank was at a sample, and that goes with the error of
    its edges. Bins that count alike then lean to one side, by a twentieth of a sample's period; readings that count alike
    do not.
    """
    return np.asarray(uniform_filter1d(n, USUAL_BINS, mode="nearest"))


def passes_around(stretches: tuple[Stretch, ...], peak: float, tdc: float, cpr: int) -> tuple[Pass, ...]:
    """Every pass over the lobe that peaks at position `peak` (counts in running direction, any cycle), over a turn before and
    after it.

    Angles are from the overlap TDC at position `tdc` of the same cycle.
    """
    found = []
    cycle = 2 * cpr
    for s in stretches:
        bins = cycle // s.width
        low, high = s.start * s.width, (s.start + s.n.size) * s.width
        for k in range(int(np.floor((low - peak - cpr) / cycle)), int(np.ceil((high - peak + cpr) / cycle)) + 1):
            first = int(np.floor((peak + k * cycle - cpr) / s.width))
            a, b = max(first - s.start, 0), min(first + bins - s.start, s.n.size)
            if b <= a or not s.n[a:b].any():
                continue
            filled = a + np.flatnonzero(s.n[a:b])
            n = s.n[filled]
            number = filled + s.start - first
            position = (filled + s.start) * s.width + s.offset[filled] / n
            mean = s.lift[filled] / n
            found.append(
                Pass(
                    bin=number,
                    deg=(position - (tdc + k * cycle)) * 360.0 / cpr,
                    lift_mm=mean,
                    speed=s.speed[filled] / n * 360.0 / cpr,
                    n=n,
                    scatter2=np.maximum(s.lift2[filled] / n - mean * mean, 0.0),
                    usual=usual_number(n),
                )
            )
    return tuple(found)


def rough_profile(stretches: tuple[Stretch, ...], cpr: int) -> tuple[Floats, Floats]:
    """Mean raw lift by bin of the 720 degree cycle (NaN where nothing was read) and the number of readings. Shape (2 cpr /
    width,).
    """
    bins = 2 * cpr // stretches[0].width
    lift, n = np.zeros(bins), np.zeros(bins)
    for s in stretches:
        at = (s.start + np.arange(s.n.size)) % bins
        np.add.at(lift, at, s.lift)
        np.add.at(n, at, s.n)
    with np.errstate(invalid="ignore"):
        return np.where(n > 0, lift / np.maximum(n, 1), np.nan), n
