"""A piston stop in the plug hole, and the slider-crank it stands on. Crank degrees from true top dead center, mm below it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq

from analysis.base.errors import UsageError
from analysis.base.samples import Floats


@dataclass(frozen=True)
class SliderCrank:
    """Crank throw (half the stroke), rod length, and offset of the pin or bore towards the side the crank pin goes to after TDC.

    J. B. Heywood, Internal Combustion Engine Fundamentals (1988), sec. 2.2, extended by the offset.
    """

    throw_mm: float = 43.0
    rod_mm: float = 143.0
    offset_mm: float = 0.0

    @property
    def tdc_deg(self) -> float:
        """Crank-arm angle (from the cylinder axis) at which the piston is highest."""
        return float(np.degrees(np.arcsin(self.offset_mm / (self.throw_mm + self.rod_mm))))

    @property
    def stroke_mm(self) -> float:
        """Piston travel between the dead centers."""
        r, rod, e = self.throw_mm, self.rod_mm, self.offset_mm
        return float(np.sqrt((rod + r) ** 2 - e**2) - np.sqrt((rod - r) ** 2 - e**2))

    def travel(self, arm_deg: npt.ArrayLike) -> Floats:
        """Piston below its highest place, mm, at crank-arm angles from the cylinder axis."""
        r, rod, e, arm = self.throw_mm, self.rod_mm, self.offset_mm, np.radians(np.asarray(arm_deg, dtype=np.float64))
        height = r * np.cos(arm) + np.sqrt(rod**2 - (r * np.sin(arm) - e) ** 2)
        return np.asarray(np.sqrt((r + rod) ** 2 - e**2) - height)

    def below_top(self, crank_deg: npt.ArrayLike) -> Floats:
        """Piston below its highest place, mm, at crank degrees from true TDC."""
        return self.travel(np.asarray(crank_deg, dtype=np.float64) + self.tdc_deg)

    def contacts(self, depth_mm: float) -> tuple[float, float]:
        """Crank degrees from true TDC, before and after it, at which the piston is `depth_mm` below top."""
        if not 0 < depth_mm < 0.98 * self.stroke_mm:
            raise UsageError(f"a stop {depth_mm} mm below top never meets the piston", do="Give a depth within the stroke.")

        def gap(crank: float) -> float:
            return float(self.below_top(crank)) - depth_mm

        return float(brentq(gap, -179.0, 0.0, xtol=1e-12)), float(brentq(gap, 0.0, 179.0, xtol=1e-12))


@dataclass(frozen=True)
class Stop:
    """A piston stop. At each touch the crank goes on by a random `give_deg` at most, as the stop and the bar give way."""

    depth_mm: float = 10.0
    give_deg: float = 0.03

    def gives(self, touches: int, rng: np.random.Generator) -> Floats:
        """Shape (2, touches), degrees: how far each contact gives way."""
        return rng.uniform(0.0, self.give_deg, (2, touches))
