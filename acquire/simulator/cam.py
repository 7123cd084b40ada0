"""Lobes and where they stand on the camshaft. Cam degrees from the lobe's nose below, crank degrees from overlap TDC above."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np
import numpy.typing as npt
from scipy.interpolate import CubicSpline

from acquire.simulator.laws import Law, law_named
from analysis.base.errors import UsageError
from analysis.base.samples import Floats

_START = 0.25  # share of a ramp in which its velocity builds up
_BLEND = 0.5  # the integral of 1 - (10 x^3 - 15 x^4 + 6 x^5), how a ramp's velocity fades into the flank


class Lobe(Protocol):
    """One lobe."""

    @property
    def span_deg(self) -> tuple[float, float]:
        """Cam degrees from the nose between which the lift is not zero: (first, last)."""

    @property
    def peak_deg(self) -> float:
        """Cam degrees from the nose at which the lift is greatest (the middle of a dwell)."""

    def lift(self, cam_deg: npt.ArrayLike) -> Floats:
        """Lift above the base circle, mm, at cam degrees from the nose (opening side negative), any number of turns."""


def _turned(cam_deg: npt.ArrayLike) -> Floats:
    return (np.asarray(cam_deg, dtype=np.float64) + 180.0) % 360.0 - 180.0


@dataclass(frozen=True)
class Flank:
    """One side of a lobe: a motion law (a name or a function) over `angle_deg` cam degrees.

    Below it there may be a ramp of constant velocity, `ramp_mm` high and `ramp_deg` long, that begins and ends without a jump.
    """

    law: str | Law
    angle_deg: float
    ramp_mm: float = 0.0
    ramp_deg: float = 0.0

    @property
    def length_deg(self) -> float:
        """Cam degrees from the base circle to the nose."""
        return self.angle_deg + self.ramp_deg

    def height(self, from_foot_deg: Floats, lift_mm: float) -> Floats:
        """Lift at cam degrees from the foot of the ramp, clamped to base circle before and to `lift_mm` behind."""
        law = law_named(self.law) if isinstance(self.law, str) else self.law
        x = (from_foot_deg - self.ramp_deg) / self.angle_deg
        if self.ramp_deg == 0.0:
            return lift_mm * law(x)
        speed = self.ramp_mm / (self.ramp_deg * (1 - _START * (1 - _BLEND)))
        # The foot: velocity grows from nothing as a 3-4-5 step does, so its integral is 2.5 u^4 - 3 u^5 + u^6.
        u = np.clip(from_foot_deg / (_START * self.ramp_deg), 0.0, 1.0)
        ramp = speed * _START * self.ramp_deg * (2.5 * u**4 - 3 * u**5 + u**6)
        ramp = ramp + speed * np.clip(from_foot_deg - _START * self.ramp_deg, 0.0, (1 - _START) * self.ramp_deg)
        w = np.clip(x, 0.0, 1.0)
        fade = speed * self.angle_deg * (w - (2.5 * w**4 - 3 * w**5 + w**6))
        rest = lift_mm - self.ramp_mm - speed * self.angle_deg * _BLEND
        return np.asarray(ramp + fade + rest * law(x))


@dataclass(frozen=True)
class LawLobe:
    """A lobe from two flanks, each with its own law, angle and ramp, and a dwell, whose middle is the nose."""

    lift_mm: float
    opening: Flank
    closing: Flank
    dwell_deg: float = 0.0

    @property
    def span_deg(self) -> tuple[float, float]:
        """See `Lobe`."""
        return -self.opening.length_deg - self.dwell_deg / 2, self.closing.length_deg + self.dwell_deg / 2

    @property
    def peak_deg(self) -> float:
        """See `Lobe`: the nose itself."""
        return 0.0

    def lift(self, cam_deg: npt.ArrayLike) -> Floats:
        """See `Lobe`."""
        cam = _turned(cam_deg)
        first, last = self.span_deg
        return np.where(cam < 0, self.opening.height(cam - first, self.lift_mm), self.closing.height(last - cam, self.lift_mm))


@dataclass(frozen=True)
class TableLobe:
    """A lobe from a lift table: cam degrees from the nose, growing over at most one turn, and lift in mm.

    Between the rows a periodic cubic spline. What the table leaves out of the turn is base circle. `from_crank` takes a table in
    crank degrees.
    """

    cam_deg: tuple[float, ...]
    lift_mm: tuple[float, ...]

    @classmethod
    def from_crank(cls, crank_deg: npt.ArrayLike, lift_mm: npt.ArrayLike, nose_deg: float = 0.0) -> TableLobe:
        """From a table over crank degrees, whose row at `nose_deg` becomes cam angle 0."""
        crank = np.asarray(crank_deg, dtype=np.float64)
        return cls(tuple((crank - nose_deg) / 2), tuple(np.asarray(lift_mm, dtype=np.float64)))

    @cached_property
    def _spline(self) -> CubicSpline:
        angle, lift = np.asarray(self.cam_deg), np.asarray(self.lift_mm)
        if angle.size < 4 or angle.size != lift.size or np.any(np.diff(angle) <= 0) or angle[-1] - angle[0] > 360:
            raise UsageError(
                "a lift table needs at least four rows of growing cam angle within one turn", do="Sort it and cut it."
            )
        left = 360 - (angle[-1] - angle[0])
        if left == 0:
            return CubicSpline(angle, np.append(lift[:-1], lift[0]), bc_type="periodic")
        pitch = float(np.median(np.diff(angle)))
        filler = angle[-1] + pitch * np.arange(1, int(np.ceil(left / pitch - 1e-9)))
        angle = np.concatenate([angle, filler, [angle[0] + 360]])
        return CubicSpline(angle, np.concatenate([lift, np.zeros(filler.size), lift[:1]]), bc_type="periodic")

    @property
    def span_deg(self) -> tuple[float, float]:
        """See `Lobe`."""
        return self.cam_deg[0], self.cam_deg[-1]

    @property
    def peak_deg(self) -> float:
        """See `Lobe`."""
        turns = np.append(self._spline.derivative().roots(extrapolate=False), self.cam_deg)
        return float(turns[np.argmax(self._spline(turns))])

    def lift(self, cam_deg: npt.ArrayLike) -> Floats:
        """See `Lobe`."""
        return np.asarray(self._spline(np.asarray(cam_deg, dtype=np.float64)), dtype=np.float64)


def _is_intake(valve: str) -> bool:
    if valve not in ("intake", "exhaust"):
        raise UsageError(f"there is no valve {valve!r}", do="Say intake or exhaust.")
    return valve == "intake"


@dataclass(frozen=True)
class Cam:
    """An intake and an exhaust lobe of one cylinder.

    `separation_deg`: cam degrees between the noses. `advance_deg`: crank degrees by which the camshaft stands early. The intake
    nose is at separation - advance after overlap TDC and the exhaust nose at separation + advance before it.
    """

    intake: Lobe
    exhaust: Lobe
    separation_deg: float = 108.5
    advance_deg: float = 1.5

    def lobe(self, valve: str) -> Lobe:
        """The lobe of "intake" or "exhaust"."""
        return self.intake if _is_intake(valve) else self.exhaust

    def nose_deg(self, valve: str) -> float:
        """Crank degrees from overlap TDC at which the nose of a valve's lobe stands under the follower."""
        return self.separation_deg - self.advance_deg if _is_intake(valve) else -self.separation_deg - self.advance_deg

    def lift(self, valve: str, crank_deg: npt.ArrayLike) -> Floats:
        """Lobe lift in mm at crank degrees from overlap TDC, any number of turns."""
        return self.lobe(valve).lift((np.asarray(crank_deg, dtype=np.float64) - self.nose_deg(valve)) / 2)
