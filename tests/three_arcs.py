"""A cam whose lift has a closed form: three circular arcs under a flat-faced follower. An outside judge for motion laws."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from analysis.base.samples import Floats


@dataclass(frozen=True)
class ThreeArcLobe:
    """A cam of three circular arcs (base circle, two flanks, nose) under a flat-faced follower.

    Base radius, nose radius and nose-center distance in mm; `action_deg` is the cam angle from the flank's foot to the nose.
    Classical convex-flank geometry: flank radius R = (r1^2 + q^2 - 2 r1 q cos a - r2^2) / (2 (r1 - r2 - q cos a)).
    """

    base_mm: float
    nose_mm: float
    center_mm: float
    action_deg: float

    @property
    def span_deg(self) -> tuple[float, float]:
        """See `acquire.simulator.cam.Lobe`."""
        return -self.action_deg, self.action_deg

    @cached_property
    def flank_mm(self) -> float:
        """Radius of the flank."""
        r1, r2, q, cosine = self.base_mm, self.nose_mm, self.center_mm, np.cos(np.radians(self.action_deg))
        return float((r1**2 + q**2 - 2 * r1 * q * cosine - r2**2) / (2 * (r1 - r2 - q * cosine)))

    @cached_property
    def flank_deg(self) -> float:
        """Cam angle over which the follower stands on the flank."""
        sine = self.center_mm * np.sin(np.radians(self.action_deg)) / (self.flank_mm - self.nose_mm)
        return float(np.degrees(np.arcsin(sine)))

    @property
    def peak_deg(self) -> float:
        """See `acquire.simulator.cam.Lobe`: the nose itself."""
        return 0.0

    def lift(self, cam_deg: npt.ArrayLike) -> Floats:
        """See `acquire.simulator.cam.Lobe`."""
        distance = np.abs((np.asarray(cam_deg, dtype=np.float64) + 180.0) % 360.0 - 180.0)
        foot = self.action_deg - distance
        flank = (self.flank_mm - self.base_mm) * (1 - np.cos(np.radians(foot)))
        nose = self.nose_mm - self.base_mm + self.center_mm * np.cos(np.radians(distance))
        return np.select([foot <= 0, foot <= self.flank_deg], [np.zeros_like(foot), flank], nose)
