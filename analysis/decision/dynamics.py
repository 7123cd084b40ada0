"""What the valve train does at a speed: lift, velocity, acceleration and jerk at the valve from the measured curve, what the
spring has left of its force, and what the curve says of the camshaft's harmonics.

The follower is taken to stay on the cam and nothing to bend: this is the motion that the lobe asks for, not what an engine does at
speed. Crank degrees from overlap TDC; SI units beside millimetres.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import BSpline
from scipy.linalg import cho_solve_banded

from analysis.base.errors import DataError
from analysis.base.quantity import Quantity, Source
from analysis.base.samples import Floats
from analysis.curve.lift_curve import Curve
from analysis.curve.penalized import DEGREE
from analysis.decision.spring import loads
from analysis.decision.valve_lift import valve_lift
from analysis.job import Job
from analysis.lobe.causes import Place
from analysis.lobe.result import Lobe
from analysis.lobe.rocker import ratio_of

GRID_DEG = 0.5
# Lift at the valve (mm) below which seat and lash shape the motion more than the lobe does.
FOOT_MM = 0.05
ORDERS = 80
# A harmonic that is larger than so many standard uncertainties is told.
TOLD = 2.0
# A spectrum has zeros: so many orders in a row below that end what is known. Over so many degrees a lift may run out to nothing
# beyond an end of the curve.
SILENT, FADES_DEG = 4, 10.0
ORDER_NAMES = ("lift", "velocity", "acceleration", "jerk")
UNITS = ("mm", "m/s", "m/s2", "m/s3")


@dataclass(frozen=True)
class Harmonics:
    """Amplitudes (mm, at the valve) of the lift's harmonics over a turn of the camshaft, orders 1 to n, and their standard
    uncertainty from scatter; shape (n,) each. `knows_to`: the highest order that the curve tells from nothing.
    """

    amplitude_mm: Floats
    u_mm: Floats

    @property
    def knows_to(self) -> int:
        """The last order that stands out of the scatter before `SILENT` in a row do not; 0 if none does."""
        told = np.concatenate((self.amplitude_mm > TOLD * self.u_mm, np.zeros(SILENT, dtype=np.bool_)))
        silent = np.lib.stride_tricks.sliding_window_view(~told, SILENT).all(axis=1)
        return int(np.argmax(silent))


@dataclass(frozen=True)
class ForceMargin:
    """What the spring has left of its force (N) over the angle, where the lobe lets the valve train be thrown off: `least` of it, at
    `at_deg`, and the crank speed at which nothing would be left.
    """

    margin_n: Floats
    least: Quantity
    at_deg: float
    float_rpm: Quantity


@dataclass(frozen=True)
class Dynamics:
    """A lobe's motion at `rpm` of the crank. `value` and `u`: lift (mm), velocity (m/s), acceleration (m/s2), jerk (m/s3) at the
    valve and their standard uncertainties over `deg`; shape (4, k). `force`: None without the spring's data. `natural_hz` of
    the spring.
    """

    valve: str
    cylinder: int
    rpm: float
    deg: Floats
    value: Floats
    u: Floats
    harmonics: Harmonics
    force: ForceMargin | None
    natural_hz: float | None

    @property
    def cam_hz(self) -> float:
        """Turns of the camshaft a second."""
        return self.rpm / 120.0

    @property
    def knows_to_hz(self) -> float:
        """From here on the curve says nothing."""
        return (self.harmonics.knows_to + 1) * self.cam_hz

    @property
    def surge_order(self) -> float | None:
        """The harmonic that meets the spring's natural frequency."""
        return None if self.natural_hz is None else self.natural_hz / self.cam_hz

    def extreme(self, order: int, sign: int) -> tuple[Quantity, float]:
        """The greatest (`sign` 1) or least (-1) of one row, and at how many degrees."""
        k = int(np.argmax(sign * self.value[order]))
        u = {Source("all causes"): float(self.u[order, k])}
        return Quantity(float(self.value[order, k]), u, UNITS[order]), float(self.deg[k])


def dynamics(job: Job, lobe: Lobe, rpm: float) -> Dynamics:
    """A lobe's motion at a crank speed. Raises DataError if too little of it is off its seat."""
    curve, rig = lobe.swept.curve, lobe.job.rig
    spline = curve.spline
    first, last = math.ceil(spline.low / GRID_DEG), math.floor(spline.high / GRID_DEG)
    deg = GRID_DEG * np.arange(first, last + 1, dtype=np.float64)
    lift = valve_lift(lobe, rig, deg)
    deg, lift = deg[lift > FOOT_MM], lift[lift > FOOT_MM]
    if deg.size < 100:
        raise DataError("too little of the lobe is off its seat", do="Sweep the whole lobe")
    factor = rig.rocker_ratio if rig.indicator_at == "lobe" else 1.0
    scale = np.array([factor * (6.0 * rpm) ** k * (1e-3 if k else 1.0) for k in range(4)])
    value = np.array([scale[k] * spline.value(deg, k) for k in range(4)])
    value[0] = lift
    ratio = ratio_of(rig).u / rig.rocker_ratio if rig.indicator_at == "lobe" else 0.0
    squares = [(scale[k] * spline.error(deg, k)) ** 2 + (ratio * value[k]) ** 2 for k in range(4)]
    for effect in _effects(lobe, deg):
        for k in range(4):
            squares[k] = squares[k] + (scale[k] * effect) ** 2
            effect = np.gradient(effect, deg)
    u = np.sqrt(np.array(squares))
    return Dynamics(
        lobe.valve,
        lobe.cylinder,
        rpm,
        deg,
        value,
        u,
        _harmonics(curve, factor),
        _force(job, lobe, rpm, deg, value, u),
        job.spring.of(lobe.valve).natural_hz,
    )


def _effects(lobe: Lobe, deg: Floats) -> Iterator[Floats]:
    """What the standard uncertainty of each cause does to the lift at the indicator (mm). Shape (k,) each. A lag acts by the mean
    speed: the hand's wavering is in the scatter.
    """
    curve = lobe.swept.curve
    there = Place.on(curve, deg)
    at = Place(there.deg, there.lift_mm, there.slope, np.full_like(deg, curve.flank_speed))
    for cause in lobe.causes:
        does = np.asarray(cause.on_lift(at))
        yield from (does * part for part in cause.quantity.parts.values())


def _harmonics(curve: Curve, factor: float) -> Harmonics:
    """Fourier coefficients of the lift over 720 crank degrees, exact in the spline's coefficients but for the grid; how the lift runs
    out beyond the ends of the curve nobody knows, and counts as uncertain.
    """
    spline = curve.spline
    deg = np.linspace(spline.low, spline.high, 4 * int(spline.high - spline.low) + 1)
    orders = np.arange(1, ORDERS + 1)
    turn = np.exp(-1j * np.pi / 360.0 * np.outer(deg, orders))
    width = np.full(deg.size, deg[1] - deg[0])
    width[[0, -1]] /= 2
    weight = 2.0 / 720.0 * factor * width[:, None] * turn
    basis = BSpline.design_matrix(deg.clip(spline.low, spline.high - 1e-9), spline.function.t, DEGREE)
    through = basis.T @ weight
    amplitude = np.abs(through.T @ spline.function.c)
    parts = np.concatenate((through.real, through.imag), axis=1)
    variance = spline.sigma2 * np.sum(parts * cho_solve_banded((spline.factor, True), parts), axis=0)
    ends = factor * (abs(float(spline.value(spline.low))) + abs(float(spline.value(spline.high))))
    step = ends * np.minimum(1.0 / (np.pi * orders), 2.0 / 720.0 * FADES_DEG)
    return Harmonics(amplitude, np.sqrt((variance[:ORDERS] + variance[ORDERS:]) / 2 + step**2))


def _force(job: Job, lobe: Lobe, rpm: float, deg: Floats, value: Floats, u: Floats) -> ForceMargin | None:
    """What is left of the spring's force once the mass is decelerated as the lobe asks: seat load + rate x lift + mass x acceleration
    (which is negative there). None without loads and mass.
    """
    spring, found = job.spring.of(lobe.valve), loads(job, lobe)
    rate, grams = spring.rate_n_per_mm, spring.moving_mass_g
    if found is None or rate is None or grams is None:
        return None
    mass = grams * 1e-3
    force = found.seat_n + rate * value[0]
    margin = force + mass * value[2]
    thrown = np.flatnonzero(value[2] < 0.0)
    k = int(thrown[np.argmin(margin[thrown])])
    least = Quantity(
        float(margin[k]), {Source("acceleration"): mass * float(u[2, k]), Source("lift"): rate * float(u[0, k])}, "N"
    )
    share = force[thrown] / (-mass * value[2, thrown])
    j = int(thrown[np.argmin(share)])
    at = rpm * math.sqrt(float(share.min()))
    relative = math.hypot(float(u[2, j] / value[2, j]), rate * float(u[0, j]) / float(force[j])) / 2
    return ForceMargin(margin, least, float(deg[k]), Quantity(at, {Source("acceleration and lift"): at * relative}))
