"""The live trace as braille dots, drawn from arrays at once.

Why not a library's plot here: the well-kept plot widgets for Textual loop over points in Python. On a trace of 7,200 points they
stopped the event loop for 80 to 270 ms a picture (textual-plot 0.10 and textual-plotext 1.0, measured at 80x24 and 160x50), and
reached 4 to 8 pictures a second; with the data thinned beforehand still 10 to 54 ms. This draws the same trace in 2 to 4 ms, and
the loop that draws is the loop that reads the port. For the review of a curve, where zoom, pan and axes matter and nothing is live,
textual-plot is used (`acquire.dashboard.review`).
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from analysis.base.samples import Floats

_BITS: Final = np.array([[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]])  # Unicode braille patterns, dot by dot
_BLANK: Final = 0x2800


def columns(low: Floats, high: Floats, width: int) -> tuple[Floats, Floats]:
    """Least of `low` and greatest of `high` in each of `width` equal shares of the cells, NaN where all are. Shape (width,)."""
    edges = np.arange(width) * low.size // width
    return np.fmin.reduceat(low, edges), np.fmax.reduceat(high, edges)


def joined(low: Floats, high: Floats) -> tuple[Floats, Floats]:
    """Ranges stretched half way to their neighbours', so that a steep flank is a line and not a row of dots."""
    low, high = low.copy(), high.copy()
    with np.errstate(invalid="ignore"):
        up, down = low[1:] > high[:-1], high[1:] < low[:-1]
        middle = np.where(up, (low[1:] + high[:-1]) / 2, (high[1:] + low[:-1]) / 2)
    high[:-1] = np.where(up, middle, high[:-1])
    low[1:] = np.where(up, np.minimum(low[1:], middle), low[1:])
    low[:-1] = np.where(down, np.minimum(low[:-1], middle), low[:-1])
    high[1:] = np.where(down, np.maximum(high[1:], middle), high[1:])
    return low, high


def rows(low: Floats, high: Floats, width: int, height: int, bottom: float, top: float) -> list[str]:
    """`height` lines of `width` braille characters: cells from left to right, each a vertical stroke from `low` to `high`.

    `low`, `high`: shape (cells,), NaN for nothing; at least as many cells as dot columns (2 width). `bottom` and `top` are the
    values at the lower and upper edge.
    """
    low, high = joined(*columns(low, high, 2 * width))
    per_dot = (top - bottom) / (4 * height)
    with np.errstate(invalid="ignore"):
        first = np.floor((low - bottom) / per_dot)
        last = np.floor((high - bottom) / per_dot)
    level = np.arange(4 * height - 1, -1, -1)[:, None]
    dots: npt.NDArray[np.bool_] = (level >= first) & (level <= last)
    codes = (dots.reshape(height, 4, width, 2) * _BITS[None, :, None, :]).sum(axis=(1, 3)) + _BLANK
    return ["".join(map(chr, line)) for line in codes.tolist()]
