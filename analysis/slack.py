"""Slack between crank and valve: how far the crank turns back before the valve follows (the reversal value of ISO 230-2)."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.budget import Quantity, Source
from analysis.curve import Curve
from analysis.samples import Floats

# Only flanks this steep, against the steepest, say where the cam stands.
STEEP = 0.4
# Readings this near to the end of the curve could be moved off it by the slack itself.
MOST_DEG = 8.0
CELL_DEG = 10.0
LEAST_READINGS = 4


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


def slack_by_angle(curve: Curve, deg: Floats, lift_mm: Floats) -> SlackByAngle | None:
    """Slack by cells of ten degrees on both flanks; parameters as `find_slack`. None if no cell holds enough readings.

    Forward is the curve itself, whose passes have been laid over each other; backward is where the curve has the lift that was read.
    """
    s = curve.spline
    whole = find_slack(curve, deg, lift_mm, "")
    if whole is None:
        return None
    inside = (deg > s.low) & (deg < s.high - MOST_DEG)
    deg, lift_mm = deg[inside], lift_mm[inside]
    slope = s.value(deg + whole.value, 1)
    steep = np.abs(slope) > STEEP * float(np.abs(s.value(np.arange(s.low, s.high, 1.0), 1)).max())
    deg, slope = deg[steep], slope[steep]
    own = whole.value + (lift_mm[steep] - s.value(deg + whole.value)) / slope
    cell = np.floor(deg / CELL_DEG)
    found = []
    for k in np.unique(cell):  # one round a cell
        mine = cell == k
        if mine.sum() >= LEAST_READINGS:
            weight = slope[mine] ** 2
            mean = float(np.average(own[mine], weights=weight))
            scatter = float(np.sqrt(np.average((own[mine] - mean) ** 2, weights=weight)))
            found.append((float(deg[mine].mean()), mean, scatter / math.sqrt(int(mine.sum()))))
    if not found:
        return None
    columns = np.array(found).T
    return SlackByAngle(columns[0], columns[1], columns[2])


def find_slack(curve: Curve, deg: Floats, lift_mm: Floats, name: str) -> Quantity | None:
    """Slack in crank degrees from readings of backward motion laid on the forward curve. None if they do not cover enough of a
    flank.

    `deg`: angles of the backward readings with the indicator's lag taken out; `lift_mm` above the base circle. Shape (n,).
    """
    s = curve.spline
    inside = (deg > s.low) & (deg < s.high - MOST_DEG)
    deg, lift_mm = deg[inside], lift_mm[inside]
    steepest = float(np.abs(s.value(np.arange(s.low, s.high, 1.0), 1)).max())
    steep = np.abs(s.value(deg, 1)) > STEEP * steepest
    deg, lift_mm = deg[steep], lift_mm[steep]
    if deg.size < 20 or np.ptp(deg) < 10.0:
        return None
    slack = 0.0
    for _ in range(8):
        slope = s.value(deg + slack, 1)
        misfit = lift_mm - s.value(deg + slack)
        move = float(np.sum(slope * misfit) / np.sum(slope * slope))
        slack += move
        if abs(move) < 1e-6:
            break
    late = misfit / slope
    # Scatter hangs together over a few degrees (chain links, teeth): count cells, not readings.
    cells = max(2, int(np.unique(np.floor(deg / 5.0)).size))
    return Quantity(slack).with_part(
        Source(f"scatter of the slack, {name}", dof=cells - 1), float(np.std(late)) / math.sqrt(cells)
    )
