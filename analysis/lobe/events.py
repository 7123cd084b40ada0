"""From a lift curve to events and what lies between them, each with what is uncertain about it.

All lifts in this module are at the indicator; angles in crank degrees from overlap TDC.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from analysis.base.errors import DataError
from analysis.base.quantity import NOTHING, Quantity, Source, combine
from analysis.base.quantization import harmonic
from analysis.base.samples import Floats
from analysis.curve.lift_curve import Curve

OPENING, CLOSING = -1, 1
# Beyond this no reading has a say in the curve (deg); harmonics of the rounding error that are looked at.
KERNEL_DEG, LOCKING = 60.0, (1, 2, 3)
# Kernel half-width over which a single pass is compared with the curve, degrees.
PASS_WINDOW_DEG = 10.0


@dataclass(frozen=True)
class Systematics:
    """What every event of a lobe has in common, as quantities or bounds.

    `tdc_deg`: uncertainty of TDC, in degrees, about zero. `sine`, `cosine`: parts of the encoder's once-a-turn error (deg) from the
    TDC that was found, `contact_deg` the half-angle from it to where it was taken, and `after_deg` by how much this lobe's TDC
    comes after it. `error_mm`: bound of the indicator's own error; `tilt`: bound
    of its relative error from leaning. `by_edge`: whether samples are latched on the encoder's edges. `name` sets one lobe's
    sources apart from another's. `runout_u_mm`: standard uncertainty of each part of the cam's runout (once a cam turn, counted from
    the peak at `peak_deg`) at the indicator; `runout_in_zero`: how much of its cosine part the zero took up.
    """

    name: str
    tdc_deg: Quantity
    step_mm: float
    by_edge: bool
    zero_u_mm: float = 0.0
    error_mm: float = 0.0
    tilt: float = 0.0
    sine: Quantity = NOTHING
    cosine: Quantity = NOTHING
    contact_deg: float = 0.0
    after_deg: float = 0.0
    runout_u_mm: float = 0.0
    runout_in_zero: float = 0.0
    peak_deg: float = 0.0

    def off_center(self, deg: Floats | float) -> Floats:
        """By how much (deg) the encoder reads too far at angles from the lobe's own TDC, for one degree of its error's sine part and
        of its cosine part: it has both from the TDC that was found, which was read where the cosine had its value at the contacts.
        Shape (2, n).
        """
        at = np.radians(np.asarray(deg) + self.after_deg)
        return np.stack((np.sin(at), np.cos(at) - math.cos(math.radians(self.contact_deg))))


@dataclass(frozen=True)
class Crossing:
    """Where a flank crosses a lift: angle, slope (mm/deg) there, and how far each pass lies from the common curve (deg, NaN
    where it has no readings).
    """

    deg: Quantity
    slope: float
    of_pass: Floats


def crossing(curve: Curve, lift: Quantity, flank: int, peak_deg: float, common: Systematics) -> Crossing:
    """Where the curve crosses a lift (mm) before (`OPENING`) or after (`CLOSING`) the peak. A lift that is itself uncertain moves the
    flanks against each other.

    Raises DataError if the sweep ends before it, or the peak is lower.
    """
    s, lift_mm = curve.spline, lift.value
    word = "opening" if flank == OPENING else "closing"
    top = float(s.value(peak_deg))
    if top <= lift_mm:
        raise DataError(
            f"the lobe peaks at {top:.2f} mm, below the checking lift of {lift_mm:.2f} mm at the indicator",
            do="Choose a lower lift",
        )
    found = s.crossings(lift_mm)
    beyond = found[flank * (found - peak_deg) > 0]
    if beyond.size == 0:
        raise DataError(
            f"the sweep does not cover the lobe: its {word} at {lift_mm:.2f} mm is missing",
            do="Sweep from well before the valve opens until it is closed again",
        )
    deg = float(beyond[np.argmin(np.abs(beyond - peak_deg))])
    slope = float(s.value(deg, 1))
    if slope * flank >= 0:
        raise DataError(f"the lift stands still at {lift_mm:.2f} mm on the {word} flank", do="Choose another checking lift")
    where = f"{common.name} {word} {lift_mm:.3f}"
    within = lift_u(curve, deg, common)
    quantity = Quantity(deg).with_part(Source(f"scatter within passes, {where}", u=within, unit="mm"), within / slope)
    of_pass = _of_passes(curve, deg)
    quantity = _with_between(quantity, of_pass, where)
    quantity = with_systematics(quantity, curve, slope, lift_mm, common)
    return Crossing(combine((1.0, quantity), (1.0 / slope, lift.moved(0.0))), slope, of_pass)


def lift_u(curve: Curve, deg: float, common: Systematics, level: bool = False) -> float:
    """Standard uncertainty of the curve's lift (mm) from scatter, and from the indicator's step where the encoder's edges lock
    to it, or the lift is level (`level`) and rounds alike however it is read.
    """
    locked = float(locked_variance(curve, np.array([deg]), common)[0]) if common.by_edge or level else 0.0
    return math.sqrt(float(curve.spline.error(deg)) ** 2 + locked)


def locked_variance(curve: Curve, deg: Floats, common: Systematics, derivative: int = 0) -> Floats:
    """Variance that the indicator's step gives the curve or its `derivative` at angles beyond what white noise would, in the square
    of their unit (mm, mm/deg). Shape (m,), that of `deg`, which lie near each other.

    Rounding errors repeat with the lift's phase within a step: q/(pi k) sin(2 pi k y/q) for each harmonic k. What the fit makes
    of them is the sum over its own weights; where slope x encoder step is a simple fraction of the step they add up instead of
    averaging out. Noise blurs the phase and damps the harmonics (Widrow & Kollar, Quantization Noise, 2008; from memory).
    """
    q = common.step_mm
    near = (curve.pooled_deg > deg.min() - KERNEL_DEG) & (curve.pooled_deg < deg.max() + KERNEL_DEG)
    x = curve.pooled_deg[near]
    weight = curve.spline.weights(deg, x, curve.pooled_weight[near], derivative)
    first = np.exp(2j * np.pi / q * curve.fitted[near])
    white = np.sum(weight * weight, axis=1)
    waves = np.abs(weight @ first[:, None] ** LOCKING) ** 2 - white[:, None]
    return np.asarray(np.maximum(waves, 0.0) @ [harmonic(q, curve.noise_mm, k) for k in LOCKING])


def _of_passes(curve: Curve, deg: float) -> Floats:
    """By how many degrees each pass runs late against the common curve around `deg`. Shape (passes,), NaN where a pass has too
    little there.
    """
    near = [np.abs(x - deg) < PASS_WINDOW_DEG for x in curve.pass_deg]
    number = np.repeat(np.arange(len(near)), [int(mine.sum()) for mine in near])
    pull, away = (np.concatenate([of[k][mine] for of, mine in zip(curve.along, near, strict=True)]) for k in (0, 1))
    count, against, power = (np.bincount(number, weights=w, minlength=len(near)) for w in (None, pull * away, pull * pull))
    seen = (count >= 4) & (power > 0)
    return np.where(seen, -against / np.where(seen, power, 1.0), np.nan)


def _with_between(quantity: Quantity, of_pass: Floats, where: str) -> Quantity:
    """Adds what passes differ by beyond their own scatter: analysis of variance with passes as days (JCGM 100 H.5)."""
    late = of_pass[~np.isnan(of_pass)]
    m = late.size
    if m < 2:
        return quantity
    between = float(np.var(late, ddof=1))
    within = quantity.u**2 * m
    extra = max(between - within, 0.0) / m
    # Only a spread that chance would show less than one time in forty is taken as real.
    if between <= within * (1 + 2.0 * math.sqrt(2 / (m - 1))):
        extra = 0.0
    return quantity.with_part(Source(f"spread between passes, {where}", dof=m - 1), math.sqrt(extra))


def with_systematics(
    quantity: Quantity,
    curve: Curve,
    slope: float,
    lift_mm: float,
    common: Systematics,
    turn: tuple[float, float] | None = None,
) -> Quantity:
    """Adds what the lobe's events share, with the sign that it has here. `slope` in mm/deg; infinite for angles that no lift
    error moves. `turn`: by how much the encoder's error of sine and of cosine shape moves the angle; as it does at the angle itself
    (`Systematics.off_center`) if not given.
    """
    deg = quantity.value
    if curve.latency is not None:
        lag = curve.latency.source(f"latency of the indicator, {common.name}")
        quantity = quantity.with_part(lag, -curve.speed_at(deg) * curve.latency.u)
    if math.isfinite(slope):
        zero, own, lean = lift_sources(common)
        quantity = quantity.with_part(zero, common.zero_u_mm / slope)
        quantity = quantity.with_part(own, common.error_mm / math.sqrt(3) / slope)
        quantity = quantity.with_part(lean, -lift_mm * common.tilt / math.sqrt(3) / slope)
        half = math.radians(deg - common.peak_deg) / 2  # cam angle from the peak
        across, along = runout_sources(common)
        quantity = quantity.with_part(across, -common.runout_u_mm * math.sin(half) / slope)
        quantity = quantity.with_part(along, -common.runout_u_mm * (math.cos(half) + common.runout_in_zero) / slope)
    by_sine, by_cosine = common.off_center(deg).tolist() if turn is None else turn
    turned = combine((1.0, quantity), (-1.0, common.tdc_deg), (-by_sine, common.sine), (-by_cosine, common.cosine))
    return turned.moved(deg - by_sine * common.sine.value - by_cosine * common.cosine.value)


def runout_sources(common: Systematics) -> tuple[Source, Source]:
    """The two parts of a once-a-cam-turn error of lift: sine and cosine of the cam angle from the peak."""
    across, along = (
        Source(f"runout of the cam, {way}, {common.name}", u=common.runout_u_mm, unit="mm") for way in ("across", "along")
    )
    return across, along


def on_one_shaft(quantity: Quantity, lobes: Iterable[Systematics]) -> Quantity:
    """A quantity with the runout of all of its lobes as one cause: a camshaft that is bent moves both valves at once. How their
    followers stand to each other is not known; at the worst all of it adds up.
    """
    pairs = [runout_sources(common) for common in lobes]
    together = sum(math.hypot(*(quantity.parts.get(source, 0.0) for source in pair)) for pair in pairs)
    rest = {source: part for source, part in quantity.parts.items() if not any(source in pair for pair in pairs)}
    return Quantity(quantity.value, rest).with_part(Source("runout of the camshaft under both valves"), together)


def lift_sources(common: Systematics) -> tuple[Source, Source, Source]:
    """What makes a lift wrong: the zero, the indicator's own error, its leaning (relative). Each lobe has its own of them, since the
    indicator is set anew for it.
    """
    zero = Source(f"zero on the base circle, {common.name}", shape="rectangular", u=common.zero_u_mm, unit="mm")
    own = Source(f"indicator's own error, {common.name}", shape="rectangular", u=common.error_mm / math.sqrt(3), unit="mm")
    lean = Source(
        f"indicator off the valve's axis, {common.name}", shape="rectangular", u=common.tilt / math.sqrt(3), unit="of lift"
    )
    return zero, own, lean


def midpoint(opens: Crossing, closes: Crossing) -> Quantity:
    """Middle between two crossings."""
    return combine((0.5, opens.deg), (0.5, closes.deg))
