"""Corners of a lift curve, where its velocity jumps: a valve lifted off its seat by a lobe already under way, a plunger at its end.

A cam has no corner, or its follower would leave it: velocity begins with none and grows. So the readings about a place where the
lift leaves a level are held against two courses behind it: one that begins at a velocity, and one that begins at rest.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.base.samples import Floats

# Readings so far (deg) before and behind the place where the lift leaves the level, and where that is looked for.
BEFORE_DEG, BEHIND_DEG, PITCH_DEG = 12.0, 8.0, 0.1
# How far (in steps of the indicator, and mm) the lift must be off the level for that to show.
CLEAR_STEPS, CLEAR_MM = 4.0, 0.04
# Fewer readings do not tell.
LEAST = 12


@dataclass(frozen=True)
class Corner:
    """Where a level is left, `deg`; the velocity there at once, mm/deg, 0 if it begins at rest; by how many times worse a course that
    begins at rest fits (residual sums of squares); `level` of the readings before, mm.
    """

    deg: float
    velocity: float
    worse: float
    level: float


def corner(deg: Floats, lift_mm: Floats, step_mm: float, level_mm: float) -> Corner | None:
    """How readings leave a level near `level_mm` as angles grow. `deg` growing, `lift_mm` above the level going up: shape (n,). None if
    they do not, or too few tell.
    """
    clear = max(CLEAR_STEPS * step_mm, CLEAR_MM)
    below = np.flatnonzero(lift_mm < level_mm + clear)
    if not below.size or below[-1] + 1 >= deg.size:
        return None
    leaves = float(deg[below[-1]])
    near = (deg > leaves - BEFORE_DEG) & (deg < leaves + BEHIND_DEG)
    x, y = deg[near], lift_mm[near]
    if x.size < LEAST or (x < leaves - BEFORE_DEG / 2).sum() < 3 or (x > leaves).sum() < 3:
        return None
    places = np.arange(leaves - BEFORE_DEG / 2, leaves + 0.5, PITCH_DEG)
    at_once = [_fit(x, y, place, (1, 2)) for place in places]
    at_rest = [_fit(x, y, place, (2, 3)) for place in places]
    best = min(range(places.size), key=lambda k: at_once[k][0])
    rest = min(each[0] for each in at_rest)
    floor = x.size * step_mm**2 / 48  # what rounding alone leaves, taken low
    return Corner(
        float(places[best]),
        max(float(at_once[best][1][1]), 0.0),
        (rest + floor) / (at_once[best][0] + floor),
        float(at_once[best][1][0]),
    )


def _fit(x: Floats, y: Floats, place: float, powers: tuple[int, int]) -> tuple[float, Floats]:
    """Residual sum of squares, and level and the two coefficients, of a level that is left at a place by two powers of the way."""
    behind = np.maximum(x - place, 0.0)
    design = np.column_stack((np.ones_like(x), behind ** powers[0], behind ** powers[1]))
    found, *_ = np.linalg.lstsq(design, y, rcond=None)
    left = y - design @ found
    return float(left @ left), found
