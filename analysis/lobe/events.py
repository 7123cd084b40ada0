"""From a lift curve to events and what lies between them, each with what is uncertain about it.

All lifts in this module are at the indicator; angles in crank degrees from overlap TDC.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.base.errors import DataError
from analysis.base.quantity import Quantity, Source, linear_combination
from analysis.base.quantization import harmonic_variance
from analysis.base.samples import Floats
from analysis.curve.lift_curve import Curve
from analysis.lobe.causes import Causes, Place

OPENING, CLOSING = -1, 1
# Beyond this no reading has a say in the curve (deg); the harmonics of the rounding error that still matter on a flank.
KERNEL_DEG, HARMONICS = 60.0, (1, 2, 3)
# Kernel half-width over which a single pass is compared with the curve, degrees.
PASS_WINDOW_DEG = 10.0


@dataclass(frozen=True)
class Crossing:
    """Where a flank crosses a lift: angle, slope (mm/deg) there, and how far each pass lies from the common curve (deg, NaN
    where it has no readings).
    """

    deg: Quantity
    slope: float
    of_pass: Floats


def crossing(curve: Curve, lift: Quantity, flank: int, peak_deg: float, causes: Causes) -> Crossing:
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
    where = f"{causes.name} {word} {lift_mm:.3f}"
    within = lift_u(curve, deg, causes)
    quantity = Quantity(deg).with_part(Source(f"scatter within passes, {where}", u=within, unit="mm"), within / slope)
    of_pass = _of_passes(curve, deg)
    quantity = _with_between(quantity, of_pass, where)
    quantity -= causes.off_angle(Place.on(curve, deg))
    return Crossing(linear_combination((1.0, quantity), (1.0 / slope, lift.moved(0.0))), slope, of_pass)


def lift_u(curve: Curve, deg: float, causes: Causes, level: bool = False) -> float:
    """Standard uncertainty of the curve's lift (mm): scatter, and coherent quantization where readings are latched on the encoder's
    edges, or where the curve is `level` and every reading rounds alike.
    """
    coherent = float(coherent_variance(curve, np.array([deg]), causes)[0]) if causes.by_edge or level else 0.0
    return math.sqrt(float(curve.spline.error(deg)) ** 2 + coherent)


def coherent_variance(curve: Curve, deg: Floats, causes: Causes, derivative: int = 0) -> Floats:
    """Variance that coherent quantization adds to the curve or its `derivative` at angles, in the square of their unit (mm, mm/deg).
    Shape (m,), that of `deg`, which lie near each other.

    Each harmonic of the rounding error (`base.quantization`) goes through the weights that the fit gives to its readings. Where slope
    x encoder step is a simple fraction of the indicator's step they add up there instead of averaging out; what white noise of the
    same size would come to is in the curve's standard error already, and is taken off.
    """
    q = causes.step_mm
    near = (curve.pooled.deg > deg.min() - KERNEL_DEG) & (curve.pooled.deg < deg.max() + KERNEL_DEG)
    x = curve.pooled.deg[near]
    weight = curve.spline.weights(deg, x, curve.pooled.weight[near], derivative)
    first = np.exp(2j * np.pi / q * curve.fitted[near])
    white = np.sum(weight * weight, axis=1)
    waves = np.abs(weight @ first[:, None] ** HARMONICS) ** 2 - white[:, None]
    return np.asarray(np.maximum(waves, 0.0) @ [harmonic_variance(q, curve.noise_mm, k) for k in HARMONICS])


def _of_passes(curve: Curve, deg: float) -> Floats:
    """By how many degrees each pass runs late against the common curve around `deg`. Shape (passes,), NaN where a pass has too
    little there.
    """
    near = np.abs(curve.points.deg - deg) < PASS_WINDOW_DEG
    number, pull, away = curve.points.pass_[near], curve.slope[near], curve.residual[near]
    passes = int(curve.points.pass_.max()) + 1
    count, against, power = (np.bincount(number, weights=w, minlength=passes) for w in (None, pull * away, pull * pull))
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
