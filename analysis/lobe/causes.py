"""What can be wrong with what a sweep shows, as effects over the crank's angle. Every number read from a sweep asks these.

An error is either of the angle (TDC, lag of the indicator, encoder off center) or of the lift (zero, the indicator itself and its
lean, a cam that runs out). On a flank each shows as the other: an angle read too far by e shows a lift that is wrong by -slope e.
So a `Cause` needs to say only what it is and what it does at an angle; what that comes to in an event, a peak, a centroid or a lift
is worked out where they are. What two numbers share has one `Source`, and drops out of their difference by itself.

Lifts are at the indicator, angles in crank degrees from the lobe's overlap TDC.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import Final, Literal

import numpy as np

from analysis.base.quantity import Quantity, Source, linear_combination
from analysis.base.samples import Floats
from analysis.curve.base_circle import BaseCircle
from analysis.curve.lift_curve import Curve
from analysis.curve.sweep import Sweep, Swept
from analysis.job import Rig
from analysis.lobe.rocker import HIDDEN_STEPS

Kind = Literal["tdc", "lag", "encoder", "zero", "indicator", "runout"]
OF_ANGLE: Final[tuple[Kind, ...]] = ("tdc", "lag", "encoder")
OF_LIFT: Final[tuple[Kind, ...]] = ("zero", "indicator", "runout")


@dataclass(frozen=True)
class Place:
    """Where a sweep is looked at: angles (deg), what the indicator shows there (mm), its slope (mm/deg), how fast the crank went
    (deg/s). Numbers, or arrays of shape (n,).
    """

    deg: Floats
    lift_mm: Floats
    slope: Floats
    speed: Floats

    @classmethod
    def on(cls, curve: Curve, deg: Floats | float) -> Place:
        """Angles on a curve."""
        at = np.asarray(deg, dtype=np.float64)
        return cls(at, curve.spline.value(at), curve.spline.value(at, 1), curve.speed_at(at))

    @classmethod
    def at_lift(cls, lift_mm: float) -> Place:
        """A lift, wherever it is: for causes that ask for no more."""
        none = np.zeros(())
        return cls(none, np.asarray(lift_mm), none, none)


@dataclass(frozen=True)
class Cause:
    """An error of a sweep: what is known of it (`quantity`, most are zero but for their uncertainty), and what one unit of it does:
    by how many degrees an angle is read too far, or by how many millimetres too much lift is shown, as its kind says.
    """

    kind: Kind
    quantity: Quantity
    effect: Callable[[Place], Floats]

    def on_angle(self, at: Place) -> Floats:
        """By how many degrees one unit makes the angle of a lift be read too far, on a flank. Shape of the place."""
        return self.effect(at) if self.kind in OF_ANGLE else -self.effect(at) / at.slope

    def on_lift(self, at: Place) -> Floats:
        """By how many millimetres one unit makes the lift of an angle show too high. Shape of the place."""
        return -at.slope * self.effect(at) if self.kind in OF_ANGLE else self.effect(at)


@dataclass(frozen=True)
class Causes:
    """All that can be wrong with one lobe's sweep.

    `name` sets its sources apart from another lobe's. `step_mm`: the indicator's step, `by_edge`: whether samples are latched on the
    encoder's edges (`events.lift_u` asks for both). `peak_deg`: about where the lobe peaks. `in_zero_mm`: standard uncertainty of
    that part of the cam's runout which the zero took up.
    """

    name: str
    step_mm: float
    by_edge: bool
    peak_deg: float
    in_zero_mm: float
    each: tuple[Cause, ...]

    def __iter__(self) -> Iterator[Cause]:
        return iter(self.each)

    def of(self, *kinds: Kind) -> tuple[Cause, ...]:
        """The causes of some kinds."""
        return tuple(cause for cause in self.each if cause.kind in kinds)

    @property
    def tdc(self) -> Quantity:
        """By how many degrees TDC lies further on than it was taken to."""
        return self.of("tdc")[0].quantity

    @property
    def zero_u_mm(self) -> float:
        """Standard uncertainty of the zero."""
        return self.of("zero")[0].quantity.u

    def off_angle(self, at: Place, kinds: Iterable[Kind] = OF_ANGLE + OF_LIFT) -> Quantity:
        """By how many degrees the angle of a lift is read too far, at one place."""
        return linear_combination(*((float(cause.on_angle(at)), cause.quantity) for cause in self.of(*kinds)))

    def off_lift(self, at: Place, kinds: Iterable[Kind] = OF_ANGLE + OF_LIFT) -> Quantity:
        """By how many millimetres the lift of an angle shows too high, at one place."""
        return linear_combination(*((float(cause.on_lift(at)), cause.quantity) for cause in self.of(*kinds)))


def causes_of(rig: Rig, swept: Swept) -> Causes:
    """What the job's bounds, TDC and the sweep itself say of the errors of a lobe."""
    sweep, curve = swept.sweep, swept.curve
    name, step, tdc = f"{swept.valve} lobe{_of_cylinder(sweep)}", sweep.step_mm, sweep.tdc
    runout, in_zero = _runout(rig, curve.base, step)
    hidden_mm = -math.inf if in_zero else HIDDEN_STEPS * step
    zero = curve.base.mean_zero_u_mm(step, curve.noise_mm)
    own = rig.indicator_error_mm / math.sqrt(3)
    lean = (1.0 - math.cos(math.radians(rig.indicator_tilt_deg))) / math.sqrt(3)
    lag = curve.lag.source(f"latency of the indicator, {name}")

    def about_zero(what: str, u: float, unit: str, shape: str = "rectangular") -> Quantity:
        return Quantity(0.0).with_part(Source(f"{what}, {name}", distribution=shape, u=u, unit=unit), u)

    each = (
        Cause("tdc", linear_combination((sweep.forward * 360.0 / sweep.cpr, sweep.tdc_count)).moved(0.0), _everywhere),
        Cause("lag", Quantity(0.0).with_part(lag, curve.lag.u), _speed),
        Cause("encoder", tdc.sine, partial(_encoder_sine, tdc.after_deg)),
        Cause("encoder", tdc.cosine, partial(_encoder_cosine, tdc.after_deg, tdc.contact_deg)),
        Cause("zero", about_zero("zero on the base circle", zero, "mm"), _everywhere),
        Cause("indicator", about_zero("indicator's own error", own, "mm"), _everywhere),
        Cause("indicator", about_zero("indicator off the valve's axis", lean, "of lift"), _lean),
        Cause(
            "runout",
            about_zero("runout of the cam, across", runout, "mm", "normal"),
            partial(_runout_across, swept.peak_deg, hidden_mm),
        ),
        Cause(
            "runout",
            about_zero("runout of the cam, along", runout, "mm", "normal"),
            partial(_runout_along, swept.peak_deg, hidden_mm, in_zero),
        ),
    )
    return Causes(name, step, sweep.header.board.latch == "edge", swept.peak_deg, runout * in_zero, each)


def on_one_shaft(quantity: Quantity, lobes: Iterable[Causes]) -> Quantity:
    """A quantity with the runout of all of its lobes as one cause: a camshaft that is bent moves both valves at once. How their
    followers stand to each other is not known; at the worst all of it adds up.
    """
    runouts = [[source for cause in causes.of("runout") for source in cause.quantity.parts] for causes in lobes]
    together = sum(math.hypot(*(quantity.parts.get(source, 0.0) for source in sources)) for sources in runouts)
    rest = {source: part for source, part in quantity.parts.items() if not any(source in sources for sources in runouts)}
    return Quantity(quantity.value, rest).with_part(Source("runout of the camshaft under both valves"), together)


def _of_cylinder(sweep: Sweep) -> str:
    """Sets the sources of a cylinder apart from those of the one on which TDC was found."""
    return f" of cylinder {sweep.header.cylinder}" if sweep.tdc.after_deg else ""


def _runout(rig: Rig, base: BaseCircle, step: float) -> tuple[float, float]:
    """Standard uncertainty of each part of the cam's runout at the indicator (mm), and how much of its cosine part the zero
    took up.

    What the base circle shows is an amplitude (two thirds of what half a cam turn shows from peak to peak); what is only stated
    is a bound of one. Lash keeps the base circle from the indicator: then the zero knows nothing of the runout.
    """
    ratio = rig.rocker_ratio if rig.indicator_at == "valve" else 1.0
    hidden = rig.indicator_at == "valve" and rig.lash_mm > 0
    seen = max(base.runout_mm - step, 0.0) / 1.5 / math.sqrt(2)
    # Mean of the cosine over the half of a cam turn opposite the lobe: -2/pi.
    return max(seen, ratio * rig.cam_runout_mm / math.sqrt(6)), 0.0 if hidden else 2 / math.pi


def _everywhere(at: Place) -> Floats:
    return np.ones_like(at.deg)


def _speed(at: Place) -> Floats:
    """A reading that lags by a second longer than was taken out belongs so much further back."""
    return at.speed


def _encoder_sine(after_deg: float, at: Place) -> Floats:
    """An encoder off center reads too far by sine sin + cosine cos of the angle from the TDC that was found, which this lobe's comes
    `after_deg` behind.
    """
    return np.asarray(np.sin(np.radians(at.deg + after_deg)))


def _encoder_cosine(after_deg: float, contact_deg: float, at: Place) -> Floats:
    """TDC was read where the cosine had its value at the contacts, `contact_deg` to either side of it."""
    return np.asarray(np.cos(np.radians(at.deg + after_deg)) - math.cos(math.radians(contact_deg)))


def _lean(at: Place) -> Floats:
    """An indicator off the valve's axis shows the less of a lift, the more of it there is."""
    return -at.lift_mm


def _runout_across(peak_deg: float, hidden_mm: float, at: Place) -> Floats:
    """Once a cam turn, counted from the peak. Where there is lash the cam does not move a valve that is closed (`hidden_mm`)."""
    return np.asarray(np.sin(np.radians(at.deg - peak_deg) / 2) * (at.lift_mm > hidden_mm))


def _runout_along(peak_deg: float, hidden_mm: float, in_zero: float, at: Place) -> Floats:
    return np.asarray((np.cos(np.radians(at.deg - peak_deg) / 2) + in_zero) * (at.lift_mm > hidden_mm))
