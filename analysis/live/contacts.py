"""Contacts with the piston stop as they happen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.base.errors import DataError
from analysis.base.samples import Ints
from analysis.diagnosis.contact_rules import WIDE_CONTACTS_DEG
from analysis.tdc.stop import LEAVE_DEG, are_contacts, stop_contacts, turning_points

_MANY: Final = 4096  # corners of the motion that are kept


@dataclass(frozen=True)
class Contacts:
    """Contacts so far: counts on the side of the lower and of the higher count, in order. `spread_deg` of each side.

    `tdc`: middle of the arc that was not swept, a count; NaN until there are contacts on both sides. `why`: what is wrong, if
    anything.
    """

    low: tuple[int, ...] = ()
    high: tuple[int, ...] = ()
    spread_deg: tuple[float, float] = (0.0, 0.0)
    tdc: float = float("nan")
    unswept_deg: float = 0.0
    why: str = ""

    @property
    def agree(self) -> bool:
        """Whether the contacts of each side lie together."""
        return bool(self.low and self.high) and max(self.spread_deg) <= WIDE_CONTACTS_DEG and not self.why


class ContactWatch:
    """Keeps the corners of the motion only. A contact counts once the crank has left it again: until then it may go further."""

    def __init__(self, cpr: int) -> None:
        self._cpr = cpr
        self._corners = np.zeros(0, np.int64)

    def add(self, crank: Ints) -> None:
        """Counts of a block, shape (n,)."""
        motion = np.concatenate((self._corners, crank))
        self._corners = motion[_corners(motion)]
        if self._corners.size > _MANY:  # a count that flickers: only what swings wide stays
            lows, highs = turning_points(self._corners, LEAVE_DEG * self._cpr / 360.0)
            kept = np.unique(np.concatenate((lows, highs, [0, self._corners.size - 1])))
            self._corners = self._corners[kept]

    def contacts(self) -> Contacts:
        """The contacts so far."""
        per_count = 360.0 / self._cpr
        lows, highs = turning_points(self._corners, LEAVE_DEG / per_count)
        last = max((int(ends[-1]) for ends in (lows, highs) if ends.size), default=-1)
        low, high = (self._corners[ends[ends < last]] for ends in (lows, highs))
        low, high = (
            side[are_contacts(side, outward, 1.0 / per_count)] if side.size else side for side, outward in ((low, -1), (high, 1))
        )
        spread = tuple(float(np.ptp(side)) * per_count if side.size else 0.0 for side in (low, high))
        tdc, unswept, why = float("nan"), 0.0, ""
        if self._corners.size and np.ptp(self._corners) >= self._cpr:
            why = _why(self._corners, self._cpr)
        elif low.size and high.size:
            unswept = 360.0 - float(high.mean() - low.mean()) * per_count
            tdc = float(low.mean() + high.mean() + 1 + self._cpr) / 2
            why = _why(self._corners[: last + 1], self._cpr)
        return Contacts(tuple(low.tolist()), tuple(high.tolist()), (spread[0], spread[1]), tdc, unswept, why)


def _why(crank: Ints, cpr: int) -> str:
    try:
        stop_contacts(crank, cpr)
    except DataError as error:
        return str(error)
    return ""


def _corners(motion: Ints) -> Ints:
    """Indices of the ends and of every reversal. Shape (k,)."""
    step = np.sign(np.diff(motion))
    moves = np.flatnonzero(step)
    if not moves.size:
        return np.arange(min(motion.size, 1))
    flips = moves[:-1][np.diff(step[moves]) != 0] + 1
    return np.concatenate(([0], flips, [motion.size - 1]))
