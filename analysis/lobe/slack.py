"""Slack between crank and valve: how far the crank turns back before the valve follows (the reversal value of ISO 230-2)."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.base.errors import DataError
from analysis.base.quantity import NOTHING, Quantity, Source, linear_combination
from analysis.base.samples import Bools, Floats, Ints
from analysis.base.selection import only
from analysis.crank.motion import Motion, follow, usable_forward
from analysis.crank.readings import read_channel, without_spikes
from analysis.curve.lag_estimate import CLUSTER_DEG
from analysis.curve.lift_curve import Curve
from analysis.curve.sweep import Sweep, Swept
from analysis.job import Rig
from analysis.lobe.causes import OF_ANGLE, Causes, Place
from analysis.tdc.carrying import carry_tdc
from analysis.tdc.stop import TdcFound

# Only flanks this steep, against the steepest, say where the cam stands; at the lift of an event, where that is asked for, less will
# do.
STEEP, STEEP_AT_EVENT = 0.4, 0.2
# Readings this near to the end of the curve could be moved off it by the slack itself.
MOST_DEG = 8.0
CELL_DEG = 10.0
LEAST_READINGS = 4


@dataclass(frozen=True)
class Backward:
    """Readings while the crank was turned back: `deg` from overlap TDC with the indicator's lag taken out, `lift_mm` above the base
    circle, `speed` deg/s, below zero, `carried_u` what the angle is unsure by (deg) where it was carried over from another count.
    Shape (n,) each.
    """

    deg: Floats
    lift_mm: Floats
    speed: Floats
    carried_u: Floats


@dataclass(frozen=True)
class SlackByAngle:
    """Slack as a function of the crank's angle: ISO 230-2's B_i at m positions. `deg`, `slack_deg`, its standard error `u_deg`
    (scatter, and whatever else moves `find_slack`, as it does here): shape (m,).
    """

    deg: Floats
    slack_deg: Floats
    u_deg: Floats

    @property
    def largest(self) -> float:
        """B of ISO 230-2: the largest of all positions."""
        return float(np.max(np.abs(self.slack_deg)))

    @property
    def mean(self) -> float:
        """The mean over the positions."""
        return float(np.mean(self.slack_deg))


@dataclass(frozen=True)
class Position:
    """A target position: where the lift of an event stands on one flank. `flank`: "opening" or "closing"; `deg` on the curve."""

    flank: str
    lift_mm: float
    at: str
    deg: float


@dataclass(frozen=True)
class Reversal:
    """ISO 230-2's B_i at the lift of an event, crank degrees: by how much further back the crank stands at that lift when it is
    turned backward than when it is turned forward.
    """

    position: Position
    value: Quantity


def backward_readings(rig: Rig, sweep: Sweep, swept: Swept) -> Backward:
    """The backward motion in a capture, which may be another than that of the curve, and on another count; empty without such
    motion.
    """
    s, cpr, curve = sweep.capture.samples, sweep.cpr, swept.curve
    allowance = rig.slack_allowance_deg * cpr / 360.0
    back = usable_forward(s.crank, -sweep.forward, allowance) & (s.origin == s.origin[0]) & ~s.still
    if not back.any():
        return Backward(np.zeros(0), np.zeros(0), np.zeros(0), np.zeros(0))
    motion, _ = follow(sweep.capture, sweep.forward, allowance)
    backward = Motion(motion.time_s, motion.position, back, motion.forward)
    lag = curve.lag.seconds
    readings = read_channel(sweep.capture, sweep.channel, backward, rig.indicator_sign, lag)
    mine = readings.usable & without_spikes(readings.lift_mm, sweep.step_mm)
    moved = _moved(swept, sweep)
    lift = (-1.0 if swept.flipped else 1.0) * readings.lift_mm[mine]
    speed = sweep.forward * readings.speed[mine] * 360.0 / cpr
    # Another count is known to whole turns, a cycle has two: the lobe itself tells which.
    turns = (0,) if sweep is swept.sweep else (0, 1)
    tdc = (swept.overlap_tdc + sweep.forward * moved.value + turn * cpr for turn in turns)
    laid = [
        _laid(curve, (sweep.forward * readings.position[mine] - at) * 360.0 / cpr, lift, speed, moved.u * 360.0 / cpr)
        for at in tdc
    ]
    return min(laid, key=lambda backward: _away(curve, backward))


def _moved(swept: Swept, sweep: Sweep) -> Quantity:
    """By how many counts, but for whole turns, TDC lies higher in another capture than in that of the curve."""
    if sweep is swept.sweep:
        return NOTHING
    try:
        return carry_tdc(TdcFound(NOTHING, sweep.cpr, "carried"), swept.sweep.capture, sweep.capture)[0]
    except DataError:  # no count and no pulse in common: each has its own way from where TDC was found
        return sweep.tdc_count - swept.sweep.tdc_count


def _laid(curve: Curve, deg: Floats, lift: Floats, speed: Floats, u_deg: float) -> Backward:
    """Readings at angles of any cycle, laid about the curve and above its own zero. Shape (n,) each."""
    center = (curve.spline.low + curve.spline.high) / 2
    deg = (deg - center + 360.0) % 720.0 - 360.0 + center
    return Backward(deg, lift - curve.base.zero_of_all(deg), speed, np.full(deg.shape, u_deg))


def _away(curve: Curve, backward: Backward) -> float:
    """Mean square (mm^2) of how far readings lie off the curve, which is level beyond its ends."""
    s = curve.spline
    inside = (backward.deg > s.low) & (backward.deg < s.high)
    lift = np.where(inside, s.value(np.clip(backward.deg, s.low, s.high)), 0.0)
    return float(np.mean((backward.lift_mm - lift) ** 2)) if lift.size else 0.0


def slack_by_angle(curve: Curve, backward: Backward, whole: float, causes: Causes) -> SlackByAngle | None:
    """Slack by cells of ten degrees on both flanks, around the `whole` (deg) of `find_slack`. None if no cell holds enough readings.

    Forward is the curve itself, whose passes have been laid over each other; backward is where the curve has the lift that was read.
    """
    seen = only(backward, _on_a_flank(curve, backward.deg, whole))
    cell = np.floor(seen.deg / CELL_DEG)
    number, count = np.unique(cell, return_counts=True)
    seen = only(seen, np.isin(cell, number[count >= LEAST_READINGS]))
    if not seen.deg.size:
        return None
    cell = np.unique(np.floor(seen.deg / CELL_DEG), return_inverse=True)[1]
    found = list(_of_cells(curve, seen, cell, whole, causes))
    u = np.array([math.hypot(each.u, each.systematic.u) for each in found])
    return SlackByAngle(np.array([each.deg for each in found]), np.array([each.slack for each in found]), u)


def reversal_values(
    curve: Curve, backward: Backward, whole: float, positions: Sequence[Position], causes: Causes
) -> tuple[Reversal, ...]:
    """The reversal value at each position that backward motion went over, around the `whole` (deg) of `find_slack`: from the
    readings that lie nearest to it, five degrees off at most.
    """
    seen = only(backward, _on_a_flank(curve, backward.deg, whole, STEEP_AT_EVENT))
    if not positions or not seen.deg.size:
        return ()
    away = np.abs(seen.deg[:, None] + whole - np.array([each.deg for each in positions]))
    nearest = np.argmin(away, axis=1)
    number, count = np.unique(nearest[away.min(axis=1) < CELL_DEG / 2], return_counts=True)
    kept = number[count >= LEAST_READINGS]
    mine = np.isin(nearest, kept) & (away.min(axis=1) < CELL_DEG / 2)
    if not mine.any():
        return ()
    cells = _of_cells(curve, only(seen, mine), np.searchsorted(kept, nearest[mine]), whole, causes)
    return tuple(_reversal(positions[k], cell, causes) for k, cell in zip(kept.tolist(), cells, strict=True))


def _reversal(position: Position, cell: _Cell, causes: Causes) -> Reversal:
    # Positions share the curve and how it was smoothed, whose error changes but slowly with the angle: their mean does not average
    # it down. (As independent ones, the mean's interval held the truth in 87 of 100.)
    scatter = Source(f"scatter of the reversal, {causes.name}", dof=cell.dof)
    return Reversal(position, (cell.systematic.moved(cell.slack)).with_part(scatter, cell.u).labelled("deg"))


@dataclass(frozen=True)
class _Cell:
    """The slack (deg) that the readings of one cell tell, about `deg`: its standard error by scatter, and what else moves it."""

    deg: float
    slack: float
    u: float
    dof: int
    systematic: Quantity


def _of_cells(curve: Curve, seen: Backward, cell: Ints, whole: float, causes: Causes) -> Iterator[_Cell]:
    """Cell by cell, numbered from 0. `cell`: shape (n,)."""
    slope, misfit = _against(curve, seen, whole)
    off = np.bincount(cell, weights=slope * misfit) / np.bincount(cell, weights=slope**2)
    # A cell has too few clusters to tell its scatter: that of a cluster's mean lift (mm) is taken to be the same in all.
    cluster = _clusters(seen.deg)
    free = int(cluster.max() - cell.max())
    away = np.bincount(cluster, weights=misfit - slope * off[cell] * (free > 0)) / np.bincount(cluster)
    scatter = float(np.linalg.norm(away)) / math.sqrt(free or away.size)
    for k in range(off.size):
        m = cell == k
        u = scatter / math.sqrt(float(np.mean(slope[m] ** 2)) * np.unique(cluster[m]).size)
        moved = _systematic(curve, only(seen, m), slope[m], whole, causes)
        yield _Cell(float(seen.deg[m].mean()), whole + float(off[k]), u, free or away.size, moved)


def find_slack(curve: Curve, backward: Backward, causes: Causes) -> Quantity | None:
    """Slack in crank degrees from readings of backward motion laid on the forward curve. None if they do not cover enough of a
    flank.
    """
    seen = only(backward, _on_a_flank(curve, backward.deg))
    if seen.deg.size < 20 or np.ptp(seen.deg) < 10.0:
        return None
    slack = 0.0
    for _ in range(8):
        slope, misfit = _against(curve, seen, slack)
        move = float(np.sum(slope * misfit) / np.sum(slope * slope))
        slack += move
        if abs(move) < 1e-6:
            break
    # Scatter hangs together over a few degrees (chain links, teeth): cells count, not readings (White, Econometrica 48 (1980) 817).
    number = _clusters(seen.deg)
    cells = max(2, int(number.max()) + 1)
    pulled = np.bincount(number, weights=slope * misfit)
    u = float(np.linalg.norm(pulled) / np.sum(slope * slope)) * math.sqrt(cells / (cells - 1))
    found = Quantity(slack).with_part(Source(f"scatter of the slack, {causes.name}", dof=cells - 1), u)
    return found + _systematic(curve, seen, slope, slack, causes)


def _systematic(curve: Curve, seen: Backward, slope: Floats, slack: float, causes: Causes) -> Quantity:
    """What moves the slack that these readings tell, by other than scatter (deg).

    What makes an angle be read too far matters as far as it does so otherwise going forward than going back: the lag moves both
    directions apart, by the sum of their speeds, and an encoder off center reads the same slack differently all round. The zero,
    which may have wandered between the two as far as it did in the forward sweep, moves the flanks against each other and drops out
    as far as both were read.
    """
    base, weight = curve.base, slope**2
    forward = Place(seen.deg + slack, seen.lift_mm, slope, np.full(slope.shape, curve.flank_speed))
    backward = Place(seen.deg, seen.lift_mm, slope, seen.speed)
    apart = (
        (-float(np.average(cause.effect(forward) - cause.effect(backward), weights=weight)), cause.quantity)
        for cause in causes.of(*OF_ANGLE)
    )
    u_mm = math.hypot(base.mean_zero_u_mm(causes.step_mm, curve.noise_mm), base.drift_mm)
    zero = Source(f"zero of the backward motion, {causes.name}", u=u_mm, unit="mm")
    carried = Source(f"index pulse carried over to the backward motion, {causes.name}", distribution="triangular")
    found = linear_combination(*apart).with_part(carried, float(np.average(seen.carried_u, weights=weight)))
    return found.with_part(zero, float(np.sum(slope) / np.sum(weight)) * u_mm)


def _against(curve: Curve, seen: Backward, slack: float) -> tuple[Floats, Floats]:
    """The curve's slope (mm/deg) where the cam stood, and how far readings lie above the curve there (mm). Shape (n,) each."""
    at = seen.deg + slack
    return np.asarray(curve.spline.value(at, 1)), np.asarray(seen.lift_mm - curve.spline.value(at))


def _clusters(deg: Floats) -> Ints:
    """Number, from 0, of the cell over which scatter hangs together. Shape of `deg`."""
    return np.asarray(np.unique(np.floor(deg / CLUSTER_DEG), return_inverse=True)[1])


def _on_a_flank(curve: Curve, deg: Floats, slack: float = 0.0, steep: float = STEEP) -> Bools:
    """Which backward readings lie where the curve, that much further on, is `steep` against the steepest. Shape of `deg`."""
    s = curve.spline
    steepest = float(np.abs(s.value(np.arange(s.low, s.high, 1.0), 1)).max())
    inside = (deg > s.low) & (deg < s.high - MOST_DEG)
    return np.asarray(inside & (np.abs(s.value(np.clip(deg + slack, s.low, s.high), 1)) > steep * steepest))
