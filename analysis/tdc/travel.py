"""True top dead center from an indicator on the piston: the slider-crank laid through the piston's travel.

The dead spot itself tells nothing: 0.01 mm is 1 degree there. The flanks do. Beside TDC the fit can tell an encoder that sits
off center (an error once a turn), as far as the travel covers enough of the turn; what is known beforehand enters as
observations with their own uncertainty. Each pass has a height of its own: the indicator drifts from one to the next.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.base.errors import DataError, placed
from analysis.base.quantity import Quantity, Source, correlated, linear_combination
from analysis.base.samples import Bools, Capture, Floats, Ints
from analysis.crank.lag import stated_lag
from analysis.crank.motion import follow
from analysis.crank.readings import Readings, read_channel, without_spikes
from analysis.job import Rig
from analysis.tdc.slider_crank import SliderCrank
from analysis.tdc.stop import TdcFound

CELL_DEG = 1.0
LEAST_DEG = 20.0  # travel on each side of the top
LOOSE_BOUND_DEG = 0.3  # an encoder further off center than this shows to the eye
ROUGH_DEG = 30.0  # the rough top is no further off
# Columns of the fit, beside each pass's height.
TDC, LAG, SINE, COSINE, SCALE = range(5)
FREE = 3  # of them the data alone tell about so many
# The lag is found in rounds, each placing the readings by the last: where the hand's speed changes within the lag, the first is off
# by a tenth of it. In seconds: what is left no longer counts.
ROUNDS, SETTLED_S = 6, 1e-5


@dataclass(frozen=True)
class Travel:
    """Cell means of the piston's travel in forward motion. Shape (n,): `deg` from the rough top, speed deg/s, height mm, and the
    number of the pass, from 0 without gaps; rough top as a position (counts).
    """

    deg: Floats
    speed: Floats
    height_mm: Floats
    visit: Ints
    top: float


@dataclass(frozen=True)
class Prior:
    """Standard uncertainties known before the data: indicator's lag (s, about `lag`), off-center error (deg, each part),
    relative scale of the indicator.
    """

    lag_s: float
    lag_u: float
    offcenter_u: float
    scale_u: float


@dataclass(frozen=True)
class TravelFit:
    """TDC as a position (counts in the direction of rotation), the off-center parts (deg; error = sine sin + cosine cos), scatter
    of a cell (mm).
    """

    tdc: Quantity
    sine: Quantity
    cosine: Quantity
    scatter_mm: float
    lag_s: float


def gather_travel(readings: Readings, good: Bools, forward: int, cpr: int) -> Travel:
    """Means of the good forward readings by pass and degree. Raises DataError if the piston did not pass its top with enough travel
    on both sides.
    """
    use = readings.usable & good
    position = forward * readings.position[use]
    height, speed = readings.lift_mm[use], forward * readings.speed[use] * 360.0 / cpr
    how = "Turn forward through top dead center from 40 degrees before to 40 degrees after, several times"
    if position.size < 50 or np.ptp(height) < 1.0:
        raise DataError("the indicator on the piston did not move enough", do=how)
    if (
        np.median(height) > np.mean((height.min(), height.max()))
        and height[0] > np.median(height)
        and height[-1] > np.median(height)
    ):
        height = -height
    inside = ~_at_the_end(height)
    position, height, speed = position[inside], height[inside], speed[inside]
    top = _rough_top(position, height, cpr)
    deg = ((position - top) * 360.0 / cpr + 180.0) % 360.0 - 180.0
    turn = np.floor((position - top) / cpr + 0.5).astype(np.int64)
    visit = np.concatenate(([0], np.cumsum(np.diff(position) < -LEAST_DEG * cpr / 360.0)))
    key = (turn - turn.min()) * (visit.max() + 1) + visit
    cell = key * 360 + np.floor(deg / CELL_DEG).astype(np.int64) + 180
    each, inverse, count = np.unique(cell, return_inverse=True, return_counts=True)

    def mean(values: Floats) -> Floats:
        return np.asarray(np.bincount(inverse, weights=values) / count)

    _, number = np.unique(each // 360, return_inverse=True)
    travel = Travel(mean(deg), mean(speed), mean(height), number, top)
    if travel.deg.min() > -LEAST_DEG or travel.deg.max() < LEAST_DEG:
        raise DataError(
            f"the piston was followed from {travel.deg.min():.0f} to {travel.deg.max():+.0f} degrees about its top only",
            do=how,
        )
    return travel


def _at_the_end(height: Floats) -> Bools:
    """Readings at the end of the indicator's range: the plunger hangs free once the piston has gone down further than it
    reaches. Shape (n,).
    """
    low = height <= height.min() + 0.02 * np.ptp(height)
    return np.asarray(low) if low.mean() > 0.03 else np.zeros(height.shape, dtype=bool)


def _rough_top(position: Floats, height: Floats, cpr: int) -> float:
    """Middle of the positions of the upper part of the travel, around the circle."""
    high = height > height.max() - 0.3 * np.ptp(height)
    phase = np.exp(2j * np.pi * position[high] / cpr)
    return float(np.angle(phase.mean()) / (2 * np.pi) * cpr % cpr)


def fit_travel(travel: Travel, geometry: SliderCrank, prior: Prior, cpr: int) -> TravelFit:
    """Least squares with the prior as further observations (Gauss-Newton). Uncertainties from the cells (Type A), robust
    against what all passes over a degree have in common (White, Econometrica 48 (1980) 817): the indicator rounds them alike.
    """
    known = np.array([0.0, prior.lag_s, 0.0, 0.0, 1.0])
    width = np.array(
        [ROUGH_DEG, prior.lag_u, max(prior.offcenter_u, 1e-6), max(prior.offcenter_u, 1e-6), max(prior.scale_u, 1e-7)]
    )
    at = known.copy()
    scatter = 0.01
    told_by = max(travel.deg.size - FREE - int(travel.visit.max()) - 1, 1)
    columns = np.empty((travel.deg.size, at.size))
    for _ in range(30):
        residual, columns = _left(travel, geometry, at)
        scatter = max(float(np.sqrt(np.sum(residual**2) / told_by)), 1e-7)
        normal = columns.T @ columns / scatter**2 + np.diag(1 / width**2)
        right = columns.T @ residual / scatter**2 + (known - at) / width**2
        step = np.linalg.solve(normal, right)
        at += step
        if abs(step[TDC]) < 1e-9 and abs(step[LAG]) < 1e-9:
            break
    told = [TDC, SINE, COSINE]
    inverse = np.linalg.inv(columns.T @ columns / scatter**2 + np.diag(1 / width**2))
    residual, columns = _left(travel, geometry, at)
    _, degree = np.unique(np.floor(travel.deg / CELL_DEG), return_inverse=True)
    pulled = columns * residual[:, None] / scatter**2
    score = np.column_stack([np.bincount(degree, weights=column) for column in pulled.T])
    degrees = score.shape[0]
    covariance = inverse @ (score.T @ score * degrees / (degrees - FREE - 1) + np.diag(1 / width**2)) @ inverse
    parts = correlated(at[told].tolist(), np.asarray(covariance[np.ix_(told, told)], dtype=np.float64), "piston travel")
    return TravelFit(
        tdc=(parts[0] * (cpr / 360.0)) + travel.top,
        sine=parts[1],
        cosine=parts[2],
        scatter_mm=scatter,
        lag_s=float(at[LAG]),
    )


def _left(travel: Travel, geometry: SliderCrank, at: Floats) -> tuple[Floats, Floats]:
    """What the parameters leave of the cells' heights, and the heights' derivatives by them, both less each pass's mean: that is
    least squares with a free height for each pass (Frisch & Waugh, Econometrica 1 (1933) 387). Shapes (n,), (n, 5).
    """
    read = travel.deg - at[TDC] - at[LAG] * travel.speed
    t = np.radians(read)
    deg = read - at[SINE] * np.sin(t) - at[COSINE] * (np.cos(t) - 1.0)
    arm = deg + geometry.tdc_deg
    below = geometry.travel(arm)
    small = 1e-3
    slope = at[SCALE] * (geometry.travel(arm + small) - geometry.travel(arm - small)) / (2 * small)
    columns = (slope, slope * travel.speed, slope * np.sin(t), slope * (np.cos(t) - 1.0), -below)
    left = [_less_own_mean(values, travel.visit) for values in (travel.height_mm + at[SCALE] * below, *columns)]
    return left[0], np.column_stack(left[1:])


def _less_own_mean(values: Floats, visit: Ints) -> Floats:
    """Values less the mean of their pass. Shape (n,)."""
    return np.asarray(values - (np.bincount(visit, weights=values) / np.bincount(visit))[visit])


def by_travel(capture: Capture, rig: Rig, geometry: SliderCrank, forward: int) -> TdcFound:
    """TDC from a capture of the piston's travel. Raises DataError if it holds no piston channel or too little travel."""
    header = capture.header
    if "piston" not in header.channels:
        raise DataError("the capture holds no indicator on the piston", where=capture.path, do="Record it with: --step travel")
    channel = header.channels.index("piston")
    cpr, step = header.board.cpr, header.board.steps_mm[channel]
    motion, _ = follow(capture, forward, rig.slack_allowance_deg * cpr / 360.0)
    # What the travel itself can tell of an encoder off center is worth more than the bound that was stated.
    offcenter = offcenter_prior(max(rig.encoder_offcenter_deg, LOOSE_BOUND_DEG))
    scale = max(1.0 - math.cos(math.radians(rig.indicator_tilt_deg)), 1e-4)
    lag, fit, stated = 0.0, None, stated_lag(rig)
    for _ in range(ROUNDS):
        readings = read_channel(capture, channel, motion, rig.indicator_sign, lag)
        with placed(capture.path):
            travel = gather_travel(readings, without_spikes(readings.lift_mm, step), forward, cpr)
        prior = Prior(stated.seconds - lag, stated.u, offcenter, scale)
        fit = fit_travel(travel, geometry, prior, cpr)
        lag += fit.lag_s
        if abs(fit.lag_s) < SETTLED_S:
            break
    assert fit is not None
    width = 0.0 if header.board.latch == "edge" else 0.1 / math.sqrt(3)
    edges = Source("TDC: place of the encoder's edges", distribution="rectangular")
    count = linear_combination((float(forward), fit.tdc)).with_part(edges, width)
    return TdcFound(count, cpr, "travel", sine=fit.sine, cosine=fit.cosine)


def offcenter_prior(bound_deg: float) -> float:
    """Standard uncertainty of each part of an off-center error whose amplitude is anywhere up to a bound and whose phase is
    unknown.
    """
    return bound_deg / math.sqrt(6)
