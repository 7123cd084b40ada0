"""Readings laid around the cycle as they come: what the live trace draws, what has been covered, where it is flat."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.base.samples import Bools, Floats, Ints
from analysis.curve.points import RUN_DEG

CELLS: Final = 1440  # half degrees of the 720 degree cycle
_DEGREES: Final = 720
_BRIDGE: Final = 5.0  # degrees between two readings that a curve bridges
# A level longer than this is the base circle: a nose is level over thirty degrees at most, a base circle over two hundred (common
# practice).
BASE_CIRCLE_DEG: Final = 45.0
_FLAT_DEG: Final = 15
_LEVEL_MM: Final = 0.03
_FOOT_MM: Final = 0.1  # what is lifted further belongs to the lobe, as for the passes of a result


@dataclass(frozen=True)
class Trace:
    """What has been read around the cycle. Cells begin at position 0 of the count in direction of rotation.

    `low`, `high`: least and greatest reading by half degree, mm as the indicator gave them, NaN where none; shape (1440,).
    `covered`: by degree, shape (720,). `flat_deg`: degrees of level reading, `zero_mm` their level (NaN without).
    `swing_mm`: from the level to the reading furthest from it, with its sign. `passes`: how often the whole lobe was gone over, from
    foot to foot; 0 until there are a base circle and a lobe.
    """

    low: Floats
    high: Floats
    covered: Bools
    flat_deg: float
    zero_mm: float
    swing_mm: float
    passes: int = 0

    @property
    def covered_deg(self) -> float:
        """Degrees covered."""
        return float(self.covered.sum())


class Profile:
    """Sums by cell. Adding costs what the block costs; memory is fixed."""

    def __init__(self, cpr: int, step_mm: float) -> None:
        self._per_count = 360.0 / cpr
        self._tolerance = max(3 * step_mm, _LEVEL_MM)
        self._low = np.full(CELLS, np.inf)
        self._high = np.full(CELLS, -np.inf)
        self._sum = np.zeros(_DEGREES)
        self._n = np.zeros(_DEGREES)
        self._covered = np.zeros(_DEGREES, np.bool_)
        self._gone_over: list[tuple[float, float]] = []  # degrees, not wrapped: ways without a hole, sweep after sweep
        self._sweep_from = 0  # which of them belong to the present sweep
        self._last = np.nan  # degrees of the last reading that counted

    def add(self, position: Ints, lift_mm: Floats, usable: Bools) -> None:
        """Readings of a block: position (counts in direction of rotation), lift as read, and which of them count. Shape (n,) each."""
        if not usable.any():
            return
        deg: Floats = position[usable].astype(np.float64) * self._per_count
        lift = lift_mm[usable]
        half = np.floor(deg * 2).astype(np.int64) % CELLS
        np.minimum.at(self._low, half, lift)
        np.maximum.at(self._high, half, lift)
        whole = half // 2
        self._sum += np.bincount(whole, weights=lift, minlength=_DEGREES)
        self._n += np.bincount(whole, minlength=_DEGREES)
        self._cover(deg)

    def trace(self) -> Trace:
        """Everything so far, as a copy."""
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = self._sum / self._n
        flat = self._flat(mean)
        flat_deg = float(flat.sum())
        zero = float(mean[flat].mean()) if flat.any() else float("nan")
        seen = mean[self._n > 0] - zero
        swing = float(seen[np.argmax(np.abs(seen))]) if flat.any() and seen.size else 0.0
        none = self._low > self._high
        low, high = np.where(none, np.nan, self._low), np.where(none, np.nan, self._high)
        passes = self._passes(mean, flat_deg, zero)
        return Trace(low, high, self._covered.copy(), flat_deg, zero, swing, passes)

    def _passes(self, mean: Floats, flat_deg: float, zero_mm: float) -> int:
        """How many lobes, from foot to foot, lie whole in what was gone over without a hole."""
        seen = np.flatnonzero(self._n > 0)
        lobe = seen[np.abs(mean[seen] - zero_mm) > max(_FOOT_MM, self._tolerance)]
        if flat_deg < BASE_CIRCLE_DEG or not lobe.size:
            return 0
        # Its feet lie at the ends of the longest way without lift, around the end of the cycle too.
        gaps = np.diff(lobe, append=lobe[0] + _DEGREES)
        widest = int(np.argmax(gaps))
        low, high = lobe[(widest + 1) % lobe.size], lobe[widest] + 1
        high += _DEGREES * (high <= low)
        return sum(
            max(0, math.floor((last - high) / _DEGREES) - math.ceil((first - low) / _DEGREES) + 1)
            for first, last in self._gone_over
        )

    def _cover(self, deg: Floats) -> None:
        """Cells from each reading to the next, where they lie near enough."""
        ends = np.floor(deg).astype(np.int64)
        starts = np.concatenate(([np.floor(self._last)] if np.isfinite(self._last) else [ends[0]], ends[:-1])).astype(np.int64)
        step = np.diff(deg, prepend=self._last if np.isfinite(self._last) else deg[0])
        near = np.abs(step) <= _BRIDGE
        for back in range(int(_BRIDGE) + 1):
            cell = np.where(near & (ends - back >= starts), ends - back, ends)
            self._covered[cell % _DEGREES] = True
        breaks = np.flatnonzero(~near)
        for first, last in zip([0, *breaks], [*breaks, deg.size], strict=True):
            if last > first:
                self._go_over(float(deg[first:last].min()), float(deg[first:last].max()), anew=not np.isfinite(self._last))
                self._last = float(deg[last - 1])

    def _go_over(self, first: float, last: float, *, anew: bool) -> None:
        """Add a way without a hole to what was gone over. Turned back further than `RUN_DEG`, it is another sweep of the same."""
        if anew or first < self._last - RUN_DEG:
            self._sweep_from = len(self._gone_over)
        kept = []
        for low, high in self._gone_over[self._sweep_from :]:
            if low <= last + _BRIDGE and high >= first - _BRIDGE:
                first, last = min(low, first), max(high, last)
            else:
                kept.append((low, high))
        self._gone_over[self._sweep_from :] = [*kept, (first, last)]

    def _flat(self, mean: Floats) -> Bools:
        """Degrees that lie in a level stretch, at the level that most of them share; around the end of the cycle too.

        A stretch counts if it was read at both its ends. Of two levels the longer one is the base circle, once it is long enough.
        """
        around = np.concatenate((mean, mean[: _FLAT_DEG - 1]))
        window = np.lib.stride_tricks.sliding_window_view(around, _FLAT_DEG)
        filled = ~np.isnan(window)
        high = np.where(filled, window, -np.inf).max(axis=1)
        low = np.where(filled, window, np.inf).min(axis=1)
        third = _FLAT_DEG // 3
        read = (filled.sum(axis=1) >= third) & filled[:, :third].any(axis=1) & filled[:, -third:].any(axis=1)
        starts = np.flatnonzero(read & (high - low <= self._tolerance))
        flat = np.zeros(_DEGREES, np.bool_)
        for k in range(_FLAT_DEG):
            flat[(starts + k) % _DEGREES] = True
        flat &= ~np.isnan(mean)
        if flat.any():
            flat &= np.abs(mean - np.median(mean[flat])) <= max(2 * self._tolerance, 0.1)
        return flat
