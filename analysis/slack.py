"""Slack between crank and valve: how far the crank turns back before the valve follows (the reversal value of ISO 230-2)."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.budget import Quantity, Source
from analysis.curve import CLUSTER_DEG, Curve
from analysis.samples import Bools, Floats

# Only flanks this steep, against the steepest, say where the cam stands.
STEEP = 0.4
# Readings this near to the end of the curve could be moved off it by the slack itself.
MOST_DEG = 8.0
CELL_DEG = 10.0
LEAST_READINGS = 4


@dataclass(frozen=True)
class Backward:
    """Readings while the crank was turned back: `deg` from overlap TDC with the indicator's lag taken out, `lift_mm` above the base
    circle, `speed` deg/s, below zero. Shape (n,) each.
    """

    deg: Floats
    lift_mm: Floats
    speed: Floats

    def only(self, mine: Bools) -> Backward:
        """Some of the readings. Shape (n,)."""
        return Backward(self.deg[mine], self.lift_mm[mine], self.speed[mine])


@dataclass(frozen=True)
class SlackByAngle:
    """Slack as a function of the crank's angle: ISO 230-2's B_i at m positions. `deg`, `slack_deg`, its standard error `u_deg` from
    scatter: shape (m,).
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


def slack_by_angle(curve: Curve, backward: Backward, whole: float) -> SlackByAngle | None:
    """Slack by cells of ten degrees on both flanks, around the `whole` (deg) of `find_slack`. None if no cell holds enough readings.

    Forward is the curve itself, whose passes have been laid over each other; backward is where the curve has the lift that was read.
    """
    s = curve.spline
    seen = backward.only(_on_a_flank(curve, backward.deg, whole))
    slope = s.value(seen.deg + whole, 1)
    own = whole + (seen.lift_mm - s.value(seen.deg + whole)) / slope
    cell = np.floor(seen.deg / CELL_DEG)
    found = []
    for k in np.unique(cell):  # one round a cell
        mine = cell == k
        if mine.sum() >= LEAST_READINGS:
            weight = slope[mine] ** 2
            mean = float(np.average(own[mine], weights=weight))
            scatter = float(np.sqrt(np.average((own[mine] - mean) ** 2, weights=weight)))
            found.append((float(seen.deg[mine].mean()), mean, scatter / math.sqrt(int(mine.sum()))))
    if not found:
        return None
    columns = np.array(found).T
    return SlackByAngle(columns[0], columns[1], columns[2])


def find_slack(curve: Curve, backward: Backward, step_mm: float, name: str) -> Quantity | None:
    """Slack in crank degrees from readings of backward motion laid on the forward curve. None if they do not cover enough of a
    flank.

    What is left of the lag moves both directions apart, by the sum of their speeds. The zero, which may have wandered between the two
    as far as it did in the forward sweep, moves the flanks against each other and drops out as far as both were read.
    """
    s = curve.spline
    seen = backward.only(_on_a_flank(curve, backward.deg))
    if seen.deg.size < 20 or np.ptp(seen.deg) < 10.0:
        return None
    slack = 0.0
    for _ in range(8):
        slope = s.value(seen.deg + slack, 1)
        misfit = seen.lift_mm - s.value(seen.deg + slack)
        move = float(np.sum(slope * misfit) / np.sum(slope * slope))
        slack += move
        if abs(move) < 1e-6:
            break
    # Scatter hangs together over a few degrees (chain links, teeth): cells count, not readings (White, Econometrica 48 (1980) 817).
    number = np.unique(np.floor(seen.deg / CLUSTER_DEG), return_inverse=True)[1]
    cells = max(2, int(number.max()) + 1)
    pulled = np.bincount(number, weights=slope * misfit)
    u = float(np.linalg.norm(pulled) / np.sum(slope * slope)) * math.sqrt(cells / (cells - 1))
    found = Quantity(slack).with_part(Source(f"scatter of the slack, {name}", dof=cells - 1), u)
    lag = curve.latency.source(f"latency of the indicator, {name}")
    apart = curve.flank_speed - float(np.average(seen.speed, weights=slope**2))
    found = found.with_part(lag, -apart * curve.latency.u)
    u_mm = math.hypot(curve.base.mean_zero_u_mm(step_mm, curve.noise_mm), curve.base.drift_mm)
    zero = Source(f"zero of the backward motion, {name}", u=u_mm, unit="mm")
    return found.with_part(zero, float(np.sum(slope) / np.sum(slope * slope)) * u_mm)


def _on_a_flank(curve: Curve, deg: Floats, slack: float = 0.0) -> Bools:
    """Which backward readings lie where the curve, that much further on, is steep. Shape of `deg`."""
    s = curve.spline
    steepest = float(np.abs(s.value(np.arange(s.low, s.high, 1.0), 1)).max())
    inside = (deg > s.low) & (deg < s.high - MOST_DEG)
    return np.asarray(inside & (np.abs(s.value(np.clip(deg + slack, s.low, s.high), 1)) > STEEP * steepest))
