"""Whether a lift depends on when it was read and not only on where: a lifter that bleeds down, an indicator that creeps.

The crank is turned by hand, so that passes over a lobe take their time differently. What a lift loses with the time since its pass
began shows beside what slope and speed make of the lag, and a zero of each pass's own, by least squares over all passes; what all
passes have in common at an angle is the curve's and is taken off first (Frisch & Waugh, Econometrica 1 (1933) 387).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.base.samples import Floats, Ints
from analysis.curve.sweep import Swept

# Readings above this share of the peak lift are on the lobe; what passes have in common is told over cells of this width (deg), and
# scatter is taken to hang together over cells of a pass of this width.
ON_LOBE, CELL_DEG, CLUSTER_DEG = 0.03, 1.0, 6.0
# Slower than this does no harm; so many standard uncertainties are asked for; and what is left may be so many times the scatter from
# one reading to the next.
LEAST_MM_S, SURE, LEFT = 0.0015, 5.0, 2.0


@dataclass(frozen=True)
class Rate:
    """By how many mm/s a lift grows with time, with its standard uncertainty; `explains`: whether it leaves no more than the scatter
    of single readings, so that nothing else need be wrong.
    """

    mm_s: float
    u: float
    explains: bool = True

    @property
    def told(self) -> bool:
        """Whether it is one: clearly, by enough to matter, and sufficient."""
        return self.explains and abs(self.mm_s) > max(LEAST_MM_S, SURE * self.u)


def rate_on_lobe(swept: Swept) -> Rate | None:
    """How fast the lift changes with the time since a pass came to the lobe; None with a single pass."""
    r, spline, forward = swept.readings, swept.curve.spline, swept.sweep.forward
    kept, deg, number = _on_lobe(swept)
    if not kept.size or number.max() < 1:
        return None
    time_s, speed = r.time_s[kept], forward * r.speed[kept] * 360.0 / swept.sweep.cpr
    began = np.full(int(number.max()) + 1, np.inf)
    np.minimum.at(began, number, time_s)
    since = time_s - began[number]
    slope = spline.looked_up(deg, 1)
    left = (-1.0 if swept.flipped else 1.0) * r.lift_mm[kept] - spline.looked_up(deg)
    cell = np.unique(np.floor(deg / CELL_DEG), return_inverse=True)[1]
    table = _less_common(np.column_stack((since, -slope * speed, left)), number, cell)
    design, y = table[:, :2], table[:, 2]
    inverse = np.linalg.pinv(design.T @ design)
    found = inverse @ design.T @ y
    rest = y - design @ found
    cluster = np.unique(number * 1000 + np.floor((deg - deg.min()) / CLUSTER_DEG).astype(np.int64), return_inverse=True)[1]
    score = np.column_stack([np.bincount(cluster, weights=column * rest) for column in design.T])
    covariance = inverse @ (score.T @ score) @ inverse
    hurried = float(np.median(np.abs(np.diff(rest)))) / 0.954  # of two readings next to each other: sqrt(2) x 0.6745
    explains = float(np.median(np.abs(rest))) / 0.6745 <= LEFT * max(hurried, swept.sweep.step_mm / np.sqrt(12))
    return Rate(float(found[0]), float(np.sqrt(covariance[0, 0])), explains)


def _on_lobe(swept: Swept) -> tuple[Ints, Floats, Ints]:
    """The good readings on the lobe: which they are, where (crank degrees from overlap TDC), and the number of their pass from 0 on.
    Shape (k,) each.
    """
    spline = swept.curve.spline
    kept = np.flatnonzero(swept.readings.usable & swept.good)
    turned = (swept.sweep.forward * swept.readings.position[kept] - swept.overlap_tdc) * 360.0 / swept.sweep.cpr
    cycle = np.floor((turned - swept.peak_deg + 360.0) / 720.0)
    deg = turned - 720.0 * cycle
    inside = np.flatnonzero((deg > spline.low) & (deg < spline.high))
    inside = inside[spline.looked_up(deg[inside]) > ON_LOBE * float(swept.curve.fitted.max())]
    return kept[inside], deg[inside], np.unique(cycle[inside], return_inverse=True)[1]


def _less_common(values: Floats, pass_: Ints, cell: Ints) -> Floats:
    """Values, shape (n, k), less what a level for each pass and one for each cell, both numbered from 0 without gaps, make of them:
    least squares by the normal equations of the passes, of which there are few, in which the cells are solved for.
    """
    passes, cells = int(pass_.max()) + 1, int(cell.max()) + 1
    met = np.bincount(pass_ * cells + cell, minlength=passes * cells).reshape(passes, cells).astype(np.float64)
    share = met / met.sum(axis=0)
    # Levels are told but for a constant, which what is taken off does not depend on: a little on the diagonal settles it.
    normal = np.diag(met.sum(axis=1) * (1.0 + 1e-9)) - met @ share.T
    of_pass, of_cell = (
        np.column_stack([np.bincount(number, weights=column, minlength=size) for column in values.T])
        for number, size in ((pass_, passes), (cell, cells))
    )
    own = np.linalg.solve(normal, of_pass - share @ of_cell)
    level = of_cell / met.sum(axis=0)[:, None] - share.T @ own
    return np.asarray(values - level[cell] - own[pass_])


def rate_on_base_circle(swept: Swept) -> Rate | None:
    """How fast the zero changes with time, from the level of each visit to the base circle; None with fewer than three."""
    base, r = swept.curve.base, swept.readings
    use = r.usable & swept.good
    turned = (swept.sweep.forward * r.position[use] - swept.overlap_tdc) * 360.0 / swept.sweep.cpr - swept.peak_deg
    away = np.abs((turned + 360.0) % 720.0 - 360.0)
    flat = away > max(abs(base.after_deg - swept.peak_deg), abs(base.before_deg - swept.peak_deg), 200.0) - 30.0
    if not flat.any():
        return None
    visit = np.round((turned[flat] - 360.0) / 720.0).astype(np.int64)
    number = np.unique(visit, return_inverse=True)[1]
    if number.max() < 2:
        return None
    count = np.bincount(number)
    lift = (-r.lift_mm if swept.flipped else r.lift_mm)[use][flat]
    level, when = (np.bincount(number, weights=each) / count for each in (lift, r.time_s[use][flat]))
    (rate, start), *_ = np.linalg.lstsq(np.column_stack((when, np.ones_like(when))), level, rcond=None)
    rest = level - rate * when - start
    # A zero is rounded to the indicator's step; visits are few.
    spread = np.hypot(np.std(rest, ddof=0) * np.sqrt(when.size / max(when.size - 2, 1)), swept.sweep.step_mm / np.sqrt(12))
    return Rate(float(rate), float(spread / np.sqrt(np.sum((when - when.mean()) ** 2))))
