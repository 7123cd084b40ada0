"""A nominal lobe as the indicator would see it: a spline through the rows of its table, by the rocker's ratio and less the lash."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.interpolate import BSpline, make_interp_spline

from analysis.base.samples import Floats
from analysis.job import Rig
from analysis.job.lift_table import LiftTable

# Between the rows the slope is that of a cubic: tables are rounded, and a higher degree would follow that.
_DEGREE = 3


@dataclass(frozen=True)
class Nominal:
    """A table's lobe over its own crank degrees. `ratio` and `lash_mm` come between it and the indicator; 1 and 0 at the lobe."""

    table: LiftTable
    ratio: float = 1.0
    lash_mm: float = 0.0

    @classmethod
    def seen_on(cls, rig: Rig, table: LiftTable) -> Nominal:
        """As the indicator of a rig sees it."""
        return cls(table, rig.rocker_ratio, rig.lash_mm) if rig.indicator_at == "valve" else cls(table)

    @property
    def low(self) -> float:
        """Where the table begins."""
        return self.table.crank_deg[0]

    @property
    def high(self) -> float:
        """Where it ends."""
        return self.table.crank_deg[-1]

    @cached_property
    def _spline(self) -> BSpline:
        return make_interp_spline(np.array(self.table.crank_deg), np.array(self.table.lift_mm), k=_DEGREE)

    def value(self, deg: Floats | float, derivative: int = 0) -> Floats:
        """Lift (mm) at the indicator or a derivative (mm/deg^k). Shape of `deg`; at rest outside the table."""
        at = np.asarray(deg, dtype=np.float64)
        inside = (at >= self.low) & (at <= self.high)
        lift = self.ratio * self._spline(np.clip(at, self.low, self.high)) - self.lash_mm
        if derivative == 0:
            return np.asarray(np.maximum(lift, 0.0))
        return np.where(inside & (lift > 0.0), self.ratio * self._spline(at, nu=derivative), 0.0)
