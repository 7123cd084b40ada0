"""From crank motion to what an indicator's plunger feels: drive slack, rocker ratio, lash, runout, a lifter that bleeds down."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from acquire.simulator.cam import Cam
from acquire.simulator.trajectory import Play
from analysis.base.samples import Floats

_LOADED_MM = 0.05  # lobe lift from which the spring loads the lifter


@dataclass(frozen=True)
class Train:
    """The valve train of one cylinder.

    `lash_mm` counts at the valve. `slack_deg` is the play of the timing drive in crank degrees. `runout_mm` is the amplitude of a
    once-a-cam-turn error of the base circle. A hydraulic lifter (`bleed_mm` > 0) sinks by up to `bleed_mm` at the lobe, with the
    time constant `bleed_s`, while it is loaded and the crank stands still; it is full again once on the base circle.
    """

    ratio: float = 1.5
    lash_mm: float = 0.0
    slack_deg: float = 0.3
    runout_mm: float = 0.0
    runout_deg: float = 40.0
    bleed_mm: float = 0.0
    bleed_s: float = 4.0

    def valve_lift(self, lobe_mm: npt.ArrayLike) -> Floats:
        """Valve lift of a lobe lift, mm: max(0, ratio x lobe - lash)."""
        return np.maximum(0.0, self.ratio * np.asarray(lobe_mm, dtype=np.float64) - self.lash_mm)


@dataclass(frozen=True, eq=False)
class Lift:
    """Lift over time of one valve, at the "lobe" (lifter) or at the "valve", for one motion."""

    cam: Cam
    train: Train
    valve: str
    at: str
    drive: Play
    sunk_before_mm: float = 0.0

    def __call__(self, time: npt.ArrayLike) -> Floats:
        """Lift in mm at `time` in seconds, shape of `time`."""
        t = np.asarray(time, dtype=np.float64)
        crank = self.drive.at(t)
        lobe = self.cam.lift(self.valve, crank)
        if self.train.bleed_mm > 0:
            lobe = np.where(lobe > 0, np.maximum(0.0, lobe - self.sunk(t)), lobe)
        if self.train.runout_mm > 0:
            lobe = lobe + self.train.runout_mm * np.sin(np.radians(crank / 2 + self.train.runout_deg))
        return self.train.valve_lift(lobe) if self.at == "valve" else lobe

    def sunk(self, time: npt.ArrayLike) -> Floats:
        """By how much the lifter has sunk, mm. A loop over the crank's rests, of which there are few, not over samples."""
        motion = self.drive.motion
        lobe = self.cam.lift(self.valve, self.drive.at(motion.time))
        free = np.flatnonzero(lobe < _LOADED_MM)
        rests = np.flatnonzero((np.diff(motion.angle) == 0) & (lobe[:-1] >= _LOADED_MM))
        knots, values, sunk, last = [motion.time[0]], [self.sunk_before_mm], self.sunk_before_mm, -1
        for k in rests:
            if free[(free > last) & (free <= k)].size:
                refilled = motion.time[free[free > last][0]]
                knots, values, sunk = [*knots, refilled, refilled], [*values, sunk, 0.0], 0.0
            begin, end = motion.time[k], motion.time[k + 1]
            inside = np.linspace(begin, end, 33)
            deep = self.train.bleed_mm - (self.train.bleed_mm - sunk) * np.exp(-(inside - begin) / self.train.bleed_s)
            knots, values, sunk, last = [*knots, *inside], [*values, *deep], float(deep[-1]), int(k)
        later = free[free > last]
        if later.size:
            knots, values = [*knots, motion.time[later[0]], motion.time[later[0]]], [*values, sunk, 0.0]
        return np.asarray(np.interp(np.asarray(time, dtype=np.float64), knots, values))
