"""By how many degrees one sweep of a lobe comes after another of the same lobe: a camshaft moved, a belt that jumped, a re-check."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np

from analysis.base.errors import DataError
from analysis.base.quantity import Quantity, Source, linear_combination
from analysis.base.samples import Floats
from analysis.curve.lag_estimate import CLUSTER_DEG
from analysis.curve.lift_curve import Curve
from analysis.curve.smoothing import Spline, fit_spline
from analysis.lobe.causes import Cause, Place

ROUNDS = 8
LEAST_DEG = 60.0  # of a lobe that both sweeps must have


def shift_between(
    first: Curve,
    second: Curve,
    zero_u_mm: tuple[float, float] = (0.0, 0.0),
    causes: tuple[Iterable[Cause], Iterable[Cause]] = ((), ()),
) -> Quantity:
    """Crank degrees by which `second` lies after `first`, by least squares of both on one common curve.

    Every reading of both flanks has its say, so that the result comes near the Cramer-Rao bound where single events do not, and an
    error of the zero, which moves the flanks against each other, drops out. What does not are zeros that are wrong in different ways
    before and behind the lobe: `zero_u_mm` is the standard uncertainty of either in each sweep. `causes` are what else is wrong
    with each sweep on its own; what is known of them is taken off. The uncertainty holds the scatter and both sweeps' lag as well,
    not TDC: the two are taken to share one (or the shift holds what TDC moved by). Raises DataError if they have too little of the
    lobe in common.
    """
    shift = _middle(second) - _middle(first)
    common, near = None, None
    for _ in range(ROUNDS):
        common = _Common(first, second, shift, near)
        near = common.spline.log_smoothing
        move = common.move()
        shift += move
        if abs(move) < 1e-6:
            break
    assert common is not None
    found = Quantity(shift).with_part(Source("scatter of the shift", dof=common.dof), common.u)
    sweeps = zip((first, second), (-1.0, 1.0), ("first", "second"), zero_u_mm, causes, strict=True)
    for curve, sign, word, u_mm, mine in sweeps:
        moved = ((-common.by_cause(sign, curve, cause), cause.quantity) for cause in (*_zeros(curve, u_mm, word), *mine))
        found = linear_combination((1.0, found), *moved)
        lag = curve.lag.source(f"latency of the indicator, {word} sweep")
        found = found.with_part(lag, -sign * curve.flank_speed * curve.lag.u)
    return found


def _zeros(curve: Curve, u_mm: float, word: str) -> tuple[Cause, Cause]:
    """The zeros before and behind the lobe: lift is counted from them."""
    before, behind = (
        Quantity(0.0).with_part(Source(f"zero {side} the lobe, {word} sweep", u=u_mm, unit="mm"), u_mm)
        for side in ("before", "behind")
    )
    share = curve.base.share_after
    return Cause("zero", before, lambda at: share(at.deg) - 1.0), Cause("zero", behind, lambda at: -share(at.deg))


class _Common:
    """Both sweeps on one curve, half the shift taken from each. Partial residuals (Speckman, J. R. Statist. Soc. B 50 (1988)
    413): what of the shift's effect a smooth curve can take up tells nothing.
    """

    def __init__(self, first: Curve, second: Curve, shift: float, near: float | None) -> None:
        x = np.concatenate((first.pooled.deg + shift / 2, second.pooled.deg - shift / 2))
        low = max(float(first.pooled.deg.min()) + shift / 2, float(second.pooled.deg.min()) - shift / 2)
        high = min(float(first.pooled.deg.max()) + shift / 2, float(second.pooled.deg.max()) - shift / 2)
        if high - low < LEAST_DEG:
            raise DataError(
                f"the two sweeps have only {max(high - low, 0.0):.0f} degrees of the lobe in common",
                do="Sweep the whole lobe both times",
            )
        order = np.argsort(x, kind="stable")
        order = order[(x[order] >= low) & (x[order] <= high)]
        lift = np.concatenate((first.pooled.lift_mm, second.pooled.lift_mm))[order]
        half: Floats = np.repeat((0.5, -0.5), (first.pooled.deg.size, second.pooled.deg.size))[order]
        self.x: Floats = x[order]
        self.shift = shift
        weights = [c.pooled.weight / c.spline.sigma2 for c in (first, second)]  # by each sweep's own scatter
        self.w: Floats = np.concatenate(weights)[order]
        self.spline: Spline = fit_spline(self.x, lift, self.w, low, high + 1e-9, near)
        pull = half * self.spline.value(self.x, 1)
        self.pull: Floats = pull - self.spline.smooth(self.x, pull, self.w)(self.x)
        self.residual: Floats = lift - self.spline.value(self.x)
        self.half = half
        self.cell = np.floor((self.x - low) / CLUSTER_DEG).astype(np.int64) * 2 + (half > 0)
        self.power = float(np.sum(self.w * self.pull * self.pull))

    def move(self) -> float:
        """What is still to be added to the shift, deg."""
        return float(np.sum(self.w * self.pull * self.residual)) / self.power

    def by_cause(self, sign: float, curve: Curve, cause: Cause) -> float:
        """By how much (deg) one unit of what is wrong with one sweep, whose `curve` this is, moves the shift.

        `sign` is -1 for the first sweep, 1 for the second.
        """
        mine = self.half == -0.5 * sign
        added = cause.on_lift(Place.on(curve, self.x[mine] + 0.5 * sign * self.shift))
        return float((self.w * self.pull)[mine] @ added) / self.power

    @property
    def dof(self) -> float:
        """Independent pieces of evidence less one: cells, not readings, since errors hang together over some degrees."""
        return max(1.0 / float(np.sum(self._share**2)) - 1.0, 1.0)

    @property
    def _share(self) -> Floats:
        """Each cell's share of the evidence."""
        return np.asarray(np.bincount(self.cell, weights=self.w * self.pull**2) / self.power)

    @property
    def u(self) -> float:
        """Standard uncertainty from scatter (deg), robust against scatter that hangs together (White, Econometrica 48 (1980) 817),
        and made larger by what the curve has taken of it to itself.
        """
        score = np.bincount(self.cell, weights=self.w * self.pull * (self.residual - self.move() * self.pull))
        cells = float(np.count_nonzero(self._share))
        left = max(1.0 - self.spline.effective_dof(self.x, self.w) / cells, 0.1)
        return float(np.linalg.norm(score)) / self.power / math.sqrt(left)


def _middle(curve: Curve) -> float:
    """Middle of the upper half of the lobe, deg."""
    high = curve.pooled.lift_mm > 0.5 * float(curve.pooled.lift_mm.max())
    return float((curve.pooled.deg[high].min() + curve.pooled.deg[high].max()) / 2)
