"""Slack between crank and valve: how far the crank turns back before the valve follows (the reversal value of ISO 230-2)."""

from __future__ import annotations

import math

import numpy as np

from analysis.budget import Quantity, Source
from analysis.curve import Curve
from analysis.samples import Floats

# Only flanks this steep, against the steepest, say where the cam stands.
STEEP = 0.4
# Readings this near to the end of the curve could be moved off it by the slack itself.
MOST_DEG = 8.0


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
