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
# Fewer readings do not tell, nor over fewer degrees how fast they grow.
LEAST, RUSH_DEG = 12, 2.0


@dataclass(frozen=True)
class Corner:
    """Where a level is left, `deg`; the velocity there at once, mm/deg, 0 if it begins at rest; by how many times worse a course that
    begins at rest fits (residual sums of squares); `level` of the readings before, mm. `rush`: the acceleration that it takes to be
    so fast so near the level from rest, mm/deg^2 (v^2 = 2 a s), 0 where too few readings tell.
    """

    deg: float
    velocity: float
    worse: float
    level: float
    rush: float


def corner(deg: Floats, lift_mm: Floats, step_mm: float, level_mm: float) -> Corner | None:
    """How readings leave a level near `level_mm` as angles grow. `deg` growing, `lift_mm` above the level going up: shape (n,).
    None if they do not, or too few tell.
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
    at_once, found = _fits(x, y, places, (1, 2))
    best, rest = int(np.argmin(at_once)), float(_fits(x, y, places, (2, 3))[0].min())
    floor = x.size * step_mm**2 / 48  # what rounding alone leaves, taken low
    return Corner(
        float(places[best]),
        max(float(found[best, 1]), 0.0),
        (rest + floor) / (float(at_once[best]) + floor),
        float(found[best, 0]),
        _rush(x[x > leaves], y[x > leaves] - float(found[best, 0])),
    )


def _rush(x: Floats, above: Floats) -> float:
    """From readings behind the place where a level is left, as `Corner` says."""
    if np.ptp(x) < RUSH_DEG:
        return 0.0
    velocity, height = float(np.polyfit(x, above, 1)[0]), float(above.mean())
    return velocity**2 / (2.0 * height) if velocity > 0.0 and height > 0.0 else 0.0


def _fits(x: Floats, y: Floats, places: Floats, powers: tuple[int, int]) -> tuple[Floats, Floats]:
    """For each place where a level may be left, by two powers of the way: residual sum of squares, shape (k,), and the level and both
    coefficients, shape (k, 3).
    """
    behind = np.maximum(x - places[:, None], 0.0)
    first, second = (behind**power for power in powers)
    # The level drops out about the means; where too few readings lie behind to tell the powers apart, the second has no say.
    a, b, c = (each - each.mean(axis=-1, keepdims=True) for each in (first, second, y))
    aa, bb, ab, ac, bc = ((one * other).sum(axis=-1) for one, other in ((a, a), (b, b), (a, b), (a, c), (b, c)))
    apart = aa * bb - ab * ab
    told = apart > 1e-9 * aa * bb
    v = np.where(told, (aa * bc - ab * ac) / np.where(told, apart, 1.0), 0.0)
    u = (ac - ab * v) / np.maximum(aa, 1e-300)
    left = c - u[:, None] * a - v[:, None] * b
    level = y.mean() - u * first.mean(axis=-1) - v * second.mean(axis=-1)
    return np.einsum("ki,ki->k", left, left), np.column_stack((level, u, v))
