"""Slider-crank with an offset pin (or bore): piston travel, and what equal heights say about top dead center.

Angles in crank degrees from the position of the crank pin in line with the bore; lengths in mm. `r` is half the throw, `rod`
the rod's length, `offset` the pin offset toward the side to which the crank pin moves after TDC. Heywood, Internal Combustion
Engine Fundamentals (1988), sec. 2.2.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import optimize

from analysis.base.samples import Floats


@dataclass(frozen=True)
class SliderCrank:
    """Half the throw of the crank, rod and pin offset in mm."""

    r: float
    rod: float
    offset: float = 0.0

    @property
    def tdc_deg(self) -> float:
        """Crank angle of true TDC: crank and rod in one line."""
        return float(np.degrees(np.arcsin(self.offset / (self.rod + self.r))))

    @property
    def bdc_deg(self) -> float:
        """Crank angle of BDC, between 90 and 270."""
        return 180.0 + float(np.degrees(np.arcsin(self.offset / (self.rod - self.r))))

    @property
    def stroke(self) -> float:
        """Travel of the piston in mm; a little more than 2 r with an offset pin."""
        return float(np.sqrt((self.rod + self.r) ** 2 - self.offset**2) - np.sqrt((self.rod - self.r) ** 2 - self.offset**2))

    def travel(self, deg: Floats | float) -> Floats:
        """Piston travel below its highest position, mm. Shape of `deg`."""
        t = np.radians(np.asarray(deg, dtype=np.float64))
        top = np.sqrt((self.rod + self.r) ** 2 - self.offset**2)
        return np.asarray(top - (self.r * np.cos(t) + np.sqrt(self.rod**2 - (self.r * np.sin(t) - self.offset) ** 2)))

    def middle_bias(self, unswept_deg: float) -> float:
        """Middle of the two angles of equal height that lie `unswept_deg` apart around the top, minus true TDC. Degrees.

        Zero without an offset: with one, the piston goes down faster on one side than it comes up on the other.
        """
        if self.offset == 0.0:
            return 0.0
        half = unswept_deg / 2

        def unequal(middle: float) -> float:
            return float(self.travel(middle + half) - self.travel(middle - half))

        guess = self.tdc_deg
        return float(optimize.brentq(unequal, guess - 10.0, guess + 10.0, xtol=1e-10)) - guess


def slider_crank(stroke: float, rod: float, offset: float = 0.0) -> SliderCrank:
    """From the stroke as a maker gives it. With an offset pin the throw that makes this stroke is solved for."""
    if offset == 0.0:
        return SliderCrank(stroke / 2, rod)
    r = optimize.brentq(lambda half: SliderCrank(half, rod, offset).stroke - stroke, stroke * 0.45, stroke * 0.5 + 1e-9)
    return SliderCrank(float(r), rod, offset)
