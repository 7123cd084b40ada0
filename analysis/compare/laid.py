"""Sweeps laid on the cells of one template curve: what each shows beyond the template, how its readings scatter there, and what every
cause of error would do to it.

A cell holds the mean of what the readings show above the template. The template's own errors are the same for all sweeps and drop out
of a difference; nothing is smoothed, so cells hang together only by what is stated here. An error that acts along the whole profile
(a zero, a leaning indicator, an encoder off center) is one source with its effect on every cell: what two sweeps share drops out.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Protocol

import numpy as np

from analysis.base.errors import DataError
from analysis.base.quantity import Quantity, Source
from analysis.base.quantization import harmonic_variance
from analysis.base.samples import Floats, Ints
from analysis.curve.lift_curve import Curve
from analysis.curve.points import each_pass
from analysis.lobe.causes import Cause, Place
from analysis.lobe.result import Lobe

CELL_DEG = 4.0
LEAST_DEG = 60.0  # of a lobe that a sweep and the template must share
# A lift (mm) below which follower and seat shape the profile more than the lobe does.
FOOT_MM = 0.05
ROUNDS, SETTLED_DEG = 8, 1e-4
# Harmonics of the rounding error that a cell keeps; what is left of the scatter at least, as a share.
HARMONICS, LEAST_SHARE = (1, 2, 3), 0.1
# What no bench tells (mm): a stand of 150 mm grows by as much over 1 K (steel, 11e-6 a kelvin: common practice). A single pass,
# which no other checks, may also be off by the indicator's whole step where the crank rested, else by half of it.
LEAST_MM = 0.002
# Fewer cells that several passes met tell nothing of how passes scatter.
LEAST_CELLS = 10


class Shape(Protocol):
    """A curve of lift over crank degrees between `low` and `high`."""

    @property
    def low(self) -> float: ...  # noqa: D102

    @property
    def high(self) -> float: ...  # noqa: D102

    def value(self, deg: Floats | float, derivative: int = 0) -> Floats:
        """Lift (mm) or a derivative (mm/deg^k). Shape of `deg`."""


@dataclass(frozen=True)
class Cells:
    """A template cut into cells of equal width. `deg`: their middles, shape (k,), crank degrees as of the template."""

    shape: Shape
    deg: Floats
    width: float

    @classmethod
    def of(cls, shape: Shape, width: float = CELL_DEG) -> Cells:
        """All whole cells of a template, at multiples of the width."""
        first, last = math.ceil(shape.low / width + 0.5), math.floor(shape.high / width - 0.5)
        return cls(shape, width * np.arange(first, last + 1, dtype=np.float64), width)

    @cached_property
    def lift_mm(self) -> Floats:
        """Of the template at the cells."""
        return self.shape.value(self.deg)

    @cached_property
    def slope(self) -> Floats:
        """Of the template at the cells, mm/deg."""
        return self.shape.value(self.deg, 1)

    @property
    def peak_deg(self) -> float:
        """Where the template is highest, to a cell."""
        return float(self.deg[np.argmax(self.lift_mm)])

    def number(self, deg: Floats) -> Ints:
        """The cell that each angle falls into; -1 for none. Shape of `deg`."""
        at = np.round((deg - self.deg[0]) / self.width).astype(np.int64)
        return np.where((at < 0) | (at >= self.deg.size), -1, at)


@dataclass(frozen=True)
class Laid:
    """A sweep on the cells, or a sum of sweeps with weights.

    `later`: crank degrees by which it was turned back. `mm`: what it then shows above the template, shape (k,), NaN where it has no
    readings; `own`: covariance (mm^2) of its scatter, shape (k, k); `effects`: what each source's standard uncertainty does to it
    (mm), shape (k,). `hides_mm`: differences that the indicator may hide, or make up.
    """

    later: float
    mm: Floats
    own: Floats
    effects: Mapping[Source, Floats]
    hides_mm: float


def weighted(*terms: tuple[float, Laid]) -> Laid:
    """The sum of weight times sweep: what they share moves them together."""
    effects: dict[Source, Floats] = {}
    for weight, laid in terms:
        for source, mm in laid.effects.items():
            effects[source] = effects.get(source, 0.0) + weight * mm
    return Laid(
        later=sum(weight * laid.later for weight, laid in terms),
        mm=np.sum([weight * laid.mm for weight, laid in terms], axis=0),
        own=np.sum([weight * weight * laid.own for weight, laid in terms], axis=0),
        effects={source: mm for source, mm in effects.items() if np.any(mm)},
        hides_mm=max(laid.hides_mm for _, laid in terms),
    )


def lay(cells: Cells, lobe: Lobe) -> Laid:
    """A measured lobe on the cells, with all that can be wrong with it. Raises DataError if too little of it is there."""
    curve, causes = lobe.swept.curve, lobe.causes
    plain = lay_curve(cells, curve, causes.step_mm)
    at = Place.on(curve, cells.deg + plain.later)
    marks = marks_of(lobe)
    effects: dict[Source, Floats] = {}
    known = np.zeros_like(at.deg)
    for cause in (*causes.of("tdc", "lag", "encoder", "indicator", "runout"), *_zeros(lobe)):
        does = np.asarray(cause.on_lift(at))
        known = known + does * cause.quantity.value
        for source, part in cause.quantity.parts.items():
            named = replace(source, name=f"{source.name}; {marks[cause.kind]}")
            effects[named] = effects.get(named, 0.0) + does * part
    return replace(plain, mm=plain.mm - known, effects=effects)


def lay_curve(cells: Cells, curve: Curve, step_mm: float) -> Laid:
    """A curve alone on the cells: what its readings show above the template, and how they scatter. Raises DataError as `lay`."""
    pooled = curve.pooled
    later = _middle(curve.pooled.deg, curve.pooled.lift_mm) - _middle(cells.deg, cells.lift_mm)
    for _ in range(ROUNDS):
        cell = cells.number(pooled.deg - later)
        mine = cell >= 0
        weight = np.bincount(cell[mine], pooled.weight[mine], cells.deg.size)
        over = pooled.weight[mine] * (pooled.lift_mm[mine] - cells.shape.value(pooled.deg[mine] - later))
        mm = np.bincount(cell[mine], over, cells.deg.size) / np.where(weight > 0, weight, np.nan)
        told = (weight > 0) & (cells.lift_mm > FOOT_MM)
        if np.count_nonzero(told) * cells.width < LEAST_DEG:
            raise DataError(
                f"the sweeps have only {np.count_nonzero(told) * cells.width:.0f} degrees of the lobe in common",
                do="Sweep the whole lobe both times",
            )
        pull = (weight * cells.slope)[told]
        move = -float(pull @ mm[told]) / float(pull @ cells.slope[told])
        later += move
        if abs(move) < SETTLED_DEG:
            break
    # What the last move did to the cells, to first order.
    own = _scatter(cells, curve, later, step_mm)
    hides = step_mm / 2 if _passes(cells, curve, later) > 1 else step_mm
    return Laid(later, mm + cells.slope * move, own, {}, max(LEAST_MM, hides))


def marks_of(lobe: Lobe) -> Mapping[str, str]:
    """By the kind of a cause, what its errors belong to: two lobes with one mark share them. TDC and the encoder's mounting belong to
    the contacts that told TDC, or to the count on which the job gave it; a setting of the indicator to one connection on one valve;
    runout to a lobe of one camshaft; zero and lag to the sweep.
    """
    sweep = lobe.swept.sweep
    header, tdc = sweep.header, sweep.tdc
    count = (tdc.count.value - sweep.forward * tdc.after_deg * tdc.cpr / 360.0) % tdc.cpr
    mounting = f"TDC by {tdc.method} at {count:.3f} told by {tdc.told_by}"
    place = f"cylinder {lobe.cylinder} {lobe.valve}"
    capture = f"capture {sweep.capture.sha256[:16]} {sweep.capture.path} {place}"
    camshaft = header.identity.camshaft_serial or mounting
    return {
        "tdc": mounting,
        "encoder": mounting,
        "indicator": f"connection {header.link} {place}" if header.link else capture,
        "runout": f"camshaft {camshaft} {place}",
        "zero": capture,
        "lag": capture,
    }


def _zeros(lobe: Lobe) -> Iterable[Cause]:
    """The zeros before and behind the lobe, each wrong for itself: lift is counted from a line between them."""
    u_mm, share = zero_u_mm(lobe), lobe.swept.curve.base.share_after
    before, behind = (
        Quantity(0.0).with_part(Source(f"zero {side} the {lobe.causes.name}", u=u_mm, unit="mm"), u_mm)
        for side in ("before", "behind")
    )
    yield Cause("zero", before, lambda at: share(at.deg) - 1.0)
    yield Cause("zero", behind, lambda at: -share(at.deg))


def zero_u_mm(lobe: Lobe) -> float:
    """Standard uncertainty of the zero on one side of the lobe, mean of the passes. A zero that drifts is taken to do so evenly over
    the lobe, and does it all where the crank was left standing.
    """
    curve = lobe.swept.curve
    drifts = np.nan_to_num(curve.base.after - curve.base.before)
    rounds = curve.base.zero_u_mm(lobe.causes.step_mm, curve.noise_mm)
    return math.sqrt((rounds**2 + float(np.mean(drifts**2)) / 12) / curve.passes)


def _scatter(cells: Cells, curve: Curve, later: float, step_mm: float) -> Floats:
    """Covariance (mm^2) of the cells' means, shape (k, k): white scatter, and the harmonics of the indicator's rounding, which hang
    together wherever the lift creeps over codes. Made larger if the cells' means scatter more than that about the sweep's own curve,
    or from pass to pass. `later`: by how many degrees the sweep is turned back.
    """
    pooled, size = curve.pooled, cells.deg.size
    cell = cells.number(pooled.deg - later)
    mine = cell >= 0
    at, w = cell[mine], pooled.weight[mine]
    total = np.bincount(at, w, size)
    total = np.where(total > 0, total, np.inf)
    wave = np.exp(2j * np.pi / step_mm * curve.fitted[mine])
    covariance = np.zeros((size, size))
    diagonal = curve.spline.sigma2 / total
    for k in HARMONICS:
        variance, turned = harmonic_variance(step_mm, curve.noise_mm, k), w * wave**k
        z = (np.bincount(at, turned.real, size) + 1j * np.bincount(at, turned.imag, size)) / total
        covariance += variance * (np.outer(z.real, z.real) + np.outer(z.imag, z.imag))
        diagonal = diagonal - variance * np.bincount(at, w * w, size) / total**2
    covariance[np.diag_indices(size)] += np.maximum(diagonal, LEAST_SHARE * curve.spline.sigma2 / total)
    left = np.bincount(at, w * (pooled.lift_mm - curve.fitted)[mine], size) / total
    seen = np.isfinite(total)
    each = np.where(seen, np.diag(covariance), 1.0)
    free = np.count_nonzero(seen) - curve.spline.effective_dof(pooled.deg, pooled.weight)
    about_curve = float(np.sum(left[seen] ** 2 / each[seen])) / max(free, 0.2 * np.count_nonzero(seen))
    return np.asarray(covariance * max(1.0, about_curve, _between_passes(cells, curve, later, each)))


def _passes(cells: Cells, curve: Curve, later: float) -> float:
    """How many passes went over most of the cells."""
    cell = cells.number(curve.points.deg - later)
    met = np.unique(curve.points.pass_[cell >= 0] * cells.deg.size + cell[cell >= 0])
    return float(np.median(np.bincount(met % cells.deg.size, minlength=cells.deg.size)))


def _between_passes(cells: Cells, curve: Curve, later: float, variance: Floats) -> float:
    """By what factor passes scatter about their mean more than `variance`, shape (k,), of that mean says, once each pass's zeros and
    shift are taken off. 0 for a single pass.
    """
    points, size = curve.points, cells.deg.size
    cell = cells.number(points.deg - later)
    modes = np.column_stack((np.ones(points.deg.size), curve.base.share_after(points.deg), curve.slope))
    means = []
    for each in each_pass(points.pass_):
        left = curve.residual[each] - modes[each] @ np.linalg.lstsq(modes[each], curve.residual[each], rcond=None)[0]
        mine = cell[each] >= 0
        at, n = cell[each][mine], points.n[each][mine]
        count = np.bincount(at, n, size)
        means.append(np.bincount(at, n * left[mine], size) / np.where(count > 0, count, np.nan))
    table = np.array(means)
    seen = np.sum(~np.isnan(table), axis=0)
    many = seen >= 2
    if np.count_nonzero(many) < LEAST_CELLS:
        return 0.0
    of_mean = np.nanvar(table[:, many], axis=0, ddof=1) / seen[many]
    freed = 1.0 - modes.shape[1] / float(np.count_nonzero(many))
    return float(np.mean(of_mean / variance[many]) / freed)


def _middle(deg: Floats, lift_mm: Floats) -> float:
    """Middle of the upper half of the lobe, deg."""
    high = deg[lift_mm > 0.5 * float(lift_mm.max())]
    return float(high.min() + high.max()) / 2
