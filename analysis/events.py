"""From a lift curve to events, durations, peak and the four centerlines, each with what is uncertain about it.

All lifts in this module are at the indicator; angles in crank degrees from overlap TDC.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from analysis.budget import NOTHING, Quantity, Source, combine
from analysis.curve import Curve
from analysis.errors import DataError
from analysis.rounding import harmonic
from analysis.samples import Floats
from analysis.spline import Spline, loosened

GRID_DEG = 0.25
OPENING, CLOSING = -1, 1
# No nose is level over more than this to either side, degrees; a dwell may be (common practice).
LEVEL_DEG = 60.0
NORMAL_95 = 1.96
# Kernel half-width over which a single pass is compared with the curve, degrees.
PASS_WINDOW_DEG = 10.0


@dataclass(frozen=True)
class Systematics:
    """What every event of a lobe has in common, as quantities or bounds.

    `tdc_deg`: uncertainty of TDC, in degrees, about zero. `sine`, `cosine`: parts of the encoder's once-a-turn error (deg), and
    `contact_deg` the half-angle from TDC to where TDC was taken. `error_mm`: bound of the indicator's own error; `tilt`: bound
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
    runout_u_mm: float = 0.0
    runout_in_zero: float = 0.0
    peak_deg: float = 0.0


@dataclass(frozen=True)
class Crossing:
    """Where a flank crosses a lift: angle, slope (mm/deg) there, and how far each pass lies from the common curve (deg, NaN
    where it has no readings).
    """

    deg: Quantity
    slope: float
    of_pass: Floats


def peak_of(curve: Curve) -> tuple[float, float]:
    """Angle (deg) of peak lift, the middle of what is level to within the scatter, and the lift (mm) of the highest point.

    Raises DataError if the highest point is at the end of what was swept.
    """
    (low, high), lift = level_top(curve)
    return (low + high) / 2, lift


def level_top(curve: Curve) -> tuple[tuple[float, float], float]:
    """Between which angles (deg) around the highest point its slope cannot be told from zero (95 %), and that point's lift (mm).

    The angles that a test of "the peak is here" would not refuse: right also where the nose is so flat, or has a dwell, that
    slope error over curvature means nothing (Fieller, J. R. Statist. Soc. B 16 (1954) 175). Raises as `peak_of`.
    """
    s = curve.spline
    grid = np.arange(s.low, s.high, GRID_DEG)
    lift = s.value(grid)
    top = int(np.argmax(lift))
    if top in (0, grid.size - 1):
        raise DataError(
            f"the sweep does not cover the lobe: the lift is still growing at {grid[top]:.0f} degrees, where the readings end",
            do="Sweep on until the valve is closed again",
        )
    deg = float(grid[top])
    for _ in range(8):
        bend = float(s.value(deg, 2))
        if bend >= 0:
            break
        deg -= float(np.clip(s.value(deg, 1) / bend, -GRID_DEG, GRID_DEG))
    return (_end_of_level(s, deg, -1), _end_of_level(s, deg, 1)), float(s.value(deg))


def _end_of_level(s: Spline, deg: float, side: int) -> float:
    """How far from `deg` on one side the slope cannot be told from zero, deg."""
    reach = min(LEVEL_DEG, (s.high - deg) if side > 0 else (deg - s.low))
    for looked in (min(LEVEL_DEG / 6, reach), reach):  # most noses end soon, and standard errors cost time
        grid = deg + side * np.arange(0.0, looked, GRID_DEG)
        told = np.abs(s.value(grid, 1)) - NORMAL_95 * s.error(grid, 1)
        steep = np.flatnonzero(told[1:] > 0)
        if steep.size:
            break
    if steep.size == 0:
        return float(grid[-1])
    k = int(steep[0])
    share = float(np.clip(-told[k] / (told[k + 1] - told[k]), 0.0, 1.0))
    return deg + side * (k + share) * GRID_DEG


def crossing(curve: Curve, lift_mm: float, flank: int, peak_deg: float, common: Systematics) -> Crossing:
    """Where the curve crosses `lift_mm` before (`OPENING`) or after (`CLOSING`) the peak.

    Raises DataError if the sweep ends before it, or the peak is lower.
    """
    s = curve.spline
    end = s.low if flank == OPENING else s.high
    grid = np.arange(peak_deg, end, flank * GRID_DEG)
    lift = s.value(grid)
    below = np.flatnonzero(lift < lift_mm)
    word = "opening" if flank == OPENING else "closing"
    if lift[0] <= lift_mm:
        raise DataError(
            f"the lobe peaks at {lift[0]:.2f} mm, below the checking lift of {lift_mm:.2f} mm at the indicator",
            do="Choose a lower lift",
        )
    if below.size == 0:
        raise DataError(
            f"the sweep does not cover the lobe: its {word} at {lift_mm:.2f} mm is missing",
            do="Sweep from well before the valve opens until it is closed again",
        )
    deg = float(grid[below[0]])
    for _ in range(10):
        slope = float(s.value(deg, 1))
        if slope == 0.0:
            break
        move = float(np.clip((lift_mm - s.value(deg)) / slope, -GRID_DEG, GRID_DEG))
        deg += move
        if abs(move) < 1e-9:
            break
    slope = float(s.value(deg, 1))
    if slope * flank >= 0:
        raise DataError(f"the lift stands still at {lift_mm:.2f} mm on the {word} flank", do="Choose another checking lift")
    where = f"{common.name} {word} {lift_mm:.3f}"
    within = _within(curve, deg, common)
    quantity = Quantity(deg).with_part(Source(f"scatter within passes, {where}", u=within, unit="mm"), within / slope)
    of_pass = _of_passes(curve, deg)
    quantity = _with_between(quantity, of_pass, where)
    return Crossing(with_systematics(quantity, curve, slope, lift_mm, common), slope, of_pass)


def _within(curve: Curve, deg: float, common: Systematics) -> float:
    """Standard uncertainty of the curve's lift (mm) from scatter, and from the indicator's step where the encoder's edges lock
    to it.
    """
    scatter = float(curve.spline.error(deg))
    locked = _locked_step(curve, deg, common) if common.by_edge else 0.0
    return math.hypot(scatter, locked)


def _locked_step(curve: Curve, deg: float, common: Systematics) -> float:
    """What the indicator's step does to the value at `deg` beyond white noise, mm.

    Rounding errors repeat with the lift's phase within a step: q/(pi k) sin(2 pi k y/q) for each harmonic k. What the fit makes
    of them is the sum over its own weights; where slope x encoder step is a simple fraction of the step they add up instead of
    averaging out. Noise blurs the phase and damps the harmonics (Widrow & Kollar, Quantization Noise, 2008; from memory).
    """
    q = common.step_mm
    near = np.abs(curve.pooled_deg - deg) < 60.0
    x = curve.pooled_deg[near]
    weight = curve.spline.weights(deg, x, curve.pooled_weight[near])
    phase = 2 * np.pi * curve.spline.value(x) / q
    white = float(np.sum(weight * weight))
    total = 0.0
    for k in (1, 2, 3):
        coherent = abs(np.sum(weight * np.exp(1j * k * phase))) ** 2
        total += harmonic(q, curve.noise_mm, k) * max(coherent - white, 0.0)
    return math.sqrt(total)


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
    error moves. `turn`: by how much a once-a-turn error of sine and of cosine shape moves the angle; their values at the angle
    itself if not given.
    """
    deg = quantity.value
    if curve.latency is not None:
        lag = Source(f"latency of the indicator, {common.name}", dof=curve.latency.dof, u=curve.latency.u, unit="s")
        quantity = quantity.with_part(lag, -curve.speed_at(deg) * curve.latency.u)
    if math.isfinite(slope):
        zero, own, lean = _lift_sources(common)
        quantity = quantity.with_part(zero, common.zero_u_mm / slope)
        quantity = quantity.with_part(own, common.error_mm / math.sqrt(3) / slope)
        quantity = quantity.with_part(lean, -lift_mm * common.tilt / math.sqrt(3) / slope)
        half = math.radians(deg - common.peak_deg) / 2  # cam angle from the peak
        across, along = runout_sources(common)
        quantity = quantity.with_part(across, -common.runout_u_mm * math.sin(half) / slope)
        quantity = quantity.with_part(along, -common.runout_u_mm * (math.cos(half) + common.runout_in_zero) / slope)
    # The encoder reads angle + sine sin + cosine cos; TDC was read where the cosine had its value at the contacts.
    at = math.radians(deg)
    by_sine, by_cosine = (math.sin(at), math.cos(at)) if turn is None else turn
    by_cosine -= math.cos(math.radians(common.contact_deg))
    turned = combine((1.0, quantity), (-1.0, common.tdc_deg), (-by_sine, common.sine), (-by_cosine, common.cosine))
    return turned.moved(deg - by_sine * common.sine.value - by_cosine * common.cosine.value)


def runout_sources(common: Systematics) -> tuple[Source, Source]:
    """The two parts of a once-a-cam-turn error of lift: sine and cosine of the cam angle from the peak."""
    across, along = (
        Source(f"runout of the cam, {way}, {common.name}", u=common.runout_u_mm, unit="mm") for way in ("across", "along")
    )
    return across, along


def _lift_sources(common: Systematics) -> tuple[Source, Source, Source]:
    """What makes a lift wrong: the zero, the indicator's own error, its leaning (relative)."""
    zero = Source(f"zero on the base circle, {common.name}", shape="rectangular", u=common.zero_u_mm, unit="mm")
    own = Source("indicator's own error", shape="rectangular", u=common.error_mm / math.sqrt(3), unit="mm")
    lean = Source("indicator off the valve's axis", shape="rectangular", u=common.tilt / math.sqrt(3), unit="of lift")
    return zero, own, lean


def peak_quantities(curve: Curve, common: Systematics) -> tuple[Quantity, Quantity]:
    """Angle of peak lift (deg) and peak lift (mm, at the indicator)."""
    (low, high), lift = level_top(curve)
    deg = (low + high) / 2
    angle = Quantity(deg).with_part(Source(f"scatter at the peak, {common.name}"), (high - low) / 2 / NORMAL_95)
    # A nose that bends otherwise before its peak than behind it is smoothed over, and the peak of what is smooth lies elsewhere.
    loose = loosened(curve.spline, curve.pooled_deg, curve.pooled_lift, curve.pooled_weight)
    (loose_low, loose_high), _ = level_top(replace(curve, spline=loose))
    by_smoothing = Source(f"smoothing over the peak, {common.name}")
    angle = angle.with_part(by_smoothing, (loose_low + loose_high) / 2 - deg)
    angle = with_systematics(angle, curve, math.inf, lift, common)
    height = Quantity(lift).with_part(Source(f"scatter of the peak lift, {common.name}"), _within(curve, deg, common))
    zero, own, lean = _lift_sources(common)
    height = height.with_part(zero, -common.zero_u_mm)
    _, along = runout_sources(common)
    height = height.with_part(along, common.runout_u_mm * (1 + common.runout_in_zero))
    height = height.with_part(own, -common.error_mm / math.sqrt(3))
    return angle, height.with_part(lean, lift * common.tilt / math.sqrt(3))


def midpoint(opens: Crossing, closes: Crossing) -> Quantity:
    """Middle between two crossings."""
    return combine((0.5, opens.deg), (0.5, closes.deg))
