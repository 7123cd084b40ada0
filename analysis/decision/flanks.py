"""A lobe's two flanks as tables that thousands of readings a second can be taken from: what the search for a cause needs."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass

import numpy as np

from analysis.lobe.measured import BELOW_PEAK_MM
from analysis.lobe.result import Lobe
from analysis.lobe.rocker import HIDDEN_STEPS

_GRID_DEG = 0.25


@dataclass(frozen=True)
class Flanks:
    """A lobe at the indicator. Lifts (mm) grow along each table; `opens` and `closes` are crank degrees from overlap TDC.

    `stood_on`: what the indicator was said to stand on ("intake", "exhaust" or "unknown"); `shown`: what the curve looks like.
    """

    stood_on: str
    shown: str
    peak_mm: float
    open_mm: tuple[float, ...]
    opens: tuple[float, ...]
    close_mm: tuple[float, ...]
    closes: tuple[float, ...]
    floor_mm: float

    def crossing(self, lift_mm: float) -> tuple[float, float]:
        """Opening and closing at a lift; NaN where it is hidden or never reached."""
        if not self.floor_mm < lift_mm < self.peak_mm:
            return float("nan"), float("nan")
        return _between(lift_mm, self.open_mm, self.opens), _between(lift_mm, self.close_mm, self.closes)

    def centerline(self, ratio: float) -> float:
        """Middle between equal lifts near the nose, as the headline centerline is taken; `ratio` from lobe to indicator."""
        opens, closes = self.crossing(self.peak_mm - min(BELOW_PEAK_MM * ratio, 0.2 * self.peak_mm))
        return (opens + closes) / 2


def _between(lift_mm: float, lifts: tuple[float, ...], angles: tuple[float, ...]) -> float:
    """The angle of a lift below the last of `lifts`; NaN below the first. For one value, faster than arrays."""
    k = bisect_left(lifts, lift_mm)
    if k == 0:
        return float("nan")
    share = (lift_mm - lifts[k - 1]) / (lifts[k] - lifts[k - 1])
    return angles[k - 1] + share * (angles[k] - angles[k - 1])


def flanks_of(lobe: Lobe) -> Flanks:
    """The tables of a measured lobe."""
    spline = lobe.swept.curve.spline
    peak = lobe.centerlines.peak.value
    peak_mm = float(spline.value(peak))
    before, after = np.arange(spline.low, peak, _GRID_DEG), np.arange(peak, spline.high, _GRID_DEG)
    # From the nose outward the lift only falls: a wave of the base circle is no flank.
    open_mm = np.minimum.accumulate(np.append(peak_mm, spline.value(before[::-1])))[::-1]
    close_mm = np.minimum.accumulate(np.append(peak_mm, spline.value(after)))
    return Flanks(
        stood_on=lobe.swept.sweep.stood_on,
        shown=lobe.swept.valve,
        peak_mm=peak_mm,
        open_mm=tuple(open_mm.tolist()),
        opens=(*before.tolist(), peak),
        close_mm=tuple(close_mm[::-1].tolist()),
        closes=(*after[::-1].tolist(), peak),
        floor_mm=HIDDEN_STEPS * lobe.causes.step_mm,
    )
