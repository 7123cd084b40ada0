"""Crank angle over time as a polyline, and the play of a drive along it. All below the hand is computed from this, exactly."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from analysis.base.samples import Floats, Ints


@dataclass(frozen=True, eq=False)
class Motion:
    """`angle` in crank degrees (unwrapped, from overlap TDC) at the instants `time` in seconds; straight in between.

    Both of shape (k,); `time` grows strictly.
    """

    time: Floats
    angle: Floats

    def at(self, time: npt.ArrayLike) -> Floats:
        """Crank degrees at `time`; held before the first and after the last instant."""
        return np.asarray(np.interp(np.asarray(time, dtype=np.float64), self.time, self.angle))

    @cached_property
    def turns(self) -> Ints:
        """Indices of the knots that begin a stretch of one direction (standing still belongs to the stretch before it)."""
        direction = np.sign(np.diff(self.angle))
        moving = np.flatnonzero(direction)
        changes = moving[1:][direction[moving[1:]] != direction[moving[:-1]]]
        return np.concatenate([[0], changes]).astype(np.int64)

    def with_knots(self, time: npt.ArrayLike) -> Motion:
        """The same motion with further knots."""
        knots = np.union1d(self.time, np.clip(time, self.time[0], self.time[-1]))
        return Motion(knots, self.at(knots))

    def when(self, angle: float) -> float | None:
        """The first instant at which the crank stands at `angle`, or None."""
        above = self.angle >= angle
        hits = np.flatnonzero((above[1:] != above[:-1]) | (self.angle[1:] == angle))
        if hits.size == 0:
            return None
        k = int(hits[0])
        rise = self.angle[k + 1] - self.angle[k]
        return float(self.time[k] + (0.0 if rise == 0 else (angle - self.angle[k]) / rise * (self.time[k + 1] - self.time[k])))


@dataclass(frozen=True, eq=False)
class Play:
    """A drive with `slack` degrees of play: what is driven stands between the driver's angle and that plus `slack`.

    Forward the driver pushes (driven = driver); backward it takes the driven part along only `slack` later. `start` is where the
    driven part stands at the first knot. (The play operator of hysteresis theory; here exact at any time, because between two
    turning points it is a maximum or a minimum.)
    """

    motion: Motion
    slack: float
    start: float | None = None

    @cached_property
    def _at_turns(self) -> Floats:
        angle, y = self.motion.angle, self.motion.angle[0] if self.start is None else self.start
        y = min(max(y, angle[0]), angle[0] + self.slack)
        held = []
        for last in np.append(self.motion.turns[1:], angle.size - 1):
            held.append(y)
            y = min(max(y, angle[last]), angle[last] + self.slack)
        return np.array([*held, y])

    def at(self, time: npt.ArrayLike) -> Floats:
        """Driven angle at `time`."""
        t = np.asarray(time, dtype=np.float64)
        stretch = np.clip(np.searchsorted(self.motion.time[self.motion.turns], t, side="right") - 1, 0, None)
        angle = self.motion.at(t)
        return np.clip(self._at_turns[stretch], angle, angle + self.slack)

    @property
    def end(self) -> float:
        """Driven angle at the last knot."""
        return float(self._at_turns[-1])
