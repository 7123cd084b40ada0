"""A measured lobe against its nominal profile: the best fit in angle, the deviation over the angle, and whether it keeps within a
tolerance zone.

Terms of ISO 1101: the tolerance zone of a line profile is `t` wide and lies evenly about the theoretically exact profile, so that a
deviation may be t/2 to either side. Deviations are taken along the follower's motion, at the lobe.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.base.errors import DataError
from analysis.base.quantity import Quantity, Source
from analysis.base.samples import Floats
from analysis.compare.difference import Difference, difference
from analysis.compare.laid import FOOT_MM, Cells, Laid, lay
from analysis.compare.nominal import Nominal
from analysis.job import Rig
from analysis.job.lift_table import LiftTable
from analysis.lobe.result import Lobe
from analysis.lobe.rocker import lash_of, ratio_of

CELL_DEG = 2.0
_SCATTER = Source("scatter of the readings")


@dataclass(frozen=True)
class ProfileFit:
    """A lobe on its nominal. `turned`: crank degrees after overlap TDC at which the table's own zero lies; `zero`: by how much
    (mm, at the lobe) the whole profile was lowered to fit, None if the zero of the base circle was kept.

    Over `deg`, crank degrees of the table, shape (k,): nominal `lift_mm` at the lobe, `deviation_mm` of the measured profile, and
    that of its velocity (mm/deg), each with its standard uncertainty. `differs`: what the deviation consists of.
    """

    nominal: LiftTable
    turned: Quantity
    zero: Quantity | None
    deg: Floats
    lift_mm: Floats
    deviation_mm: Floats
    u_mm: Floats
    velocity: Floats
    u_velocity: Floats
    parts: dict[Source, Floats]
    differs: Difference

    @property
    def worst(self) -> int:
        """Where the deviation is greatest, as a place in the arrays."""
        return int(np.argmax(np.abs(self.deviation_mm)))

    def deviation(self, k: int) -> Quantity:
        """The deviation at one place, with what each cause does to it."""
        found = Quantity(float(self.deviation_mm[k]), {s: float(mm[k]) for s, mm in self.parts.items() if mm[k]}, "mm")
        rest = float(self.u_mm[k]) ** 2 - found.u**2
        return found.with_part(_SCATTER, max(rest, 0.0) ** 0.5)

    @property
    def zone(self) -> Quantity:
        """The least width of a tolerance zone that holds the measured profile: twice the greatest deviation (ISO 1101)."""
        worst = self.deviation(self.worst)
        return worst * (2.0 if worst.value >= 0 else -2.0)

    @property
    def velocity_worst(self) -> int:
        """Where the velocity deviates most."""
        return int(np.argmax(np.abs(self.velocity)))


def fit_profile(lobe: Lobe, table: LiftTable, *, fit_zero: bool = False) -> ProfileFit:
    """Turn a measured lobe onto a nominal one, and with `fit_zero` lower or raise it, and take the deviation.

    Least squares by the covariance of all that is uncertain; lifts below `FOOT_MM` at the indicator are left out. Raises DataError if
    they have too little of a lobe in common.
    """
    rig = lobe.job.rig
    nominal = Nominal.seen_on(rig, table)
    cells = Cells.of(nominal, CELL_DEG)
    laid = _at_lobe(lay(cells, lobe), cells, rig)
    seen = np.isfinite(laid.mm) & (cells.lift_mm > FOOT_MM)
    if np.count_nonzero(seen) < 2:
        raise DataError("the table and the sweep have no lobe in common", do="Check the table's angle and lift")
    slope = cells.slope[seen] / nominal.ratio
    effects = {source: mm[seen] for source, mm in laid.effects.items()}
    act = np.array([*effects.values()]).reshape(-1, slope.size)
    own = laid.own[np.ix_(seen, seen)]
    whiten = np.linalg.inv(np.linalg.cholesky(own + act.T @ act))
    design = np.column_stack((-slope, np.ones_like(slope)) if fit_zero else (-slope,))
    gain = np.linalg.pinv(whiten @ design) @ whiten
    found = gain @ laid.mm[seen]
    away = np.eye(slope.size) - design @ gain
    parts = {source: away @ mm for source, mm in effects.items()}
    covariance = away @ (own + act.T @ act) @ away.T
    turned = _quantity(gain[0], found[0], effects, own, "deg") + laid.later
    curve = lobe.swept.curve.spline
    at = cells.deg[seen] + turned.value
    return ProfileFit(
        nominal=table,
        turned=turned,
        zero=_quantity(gain[1], found[1], effects, own, "mm") if fit_zero else None,
        deg=cells.deg[seen],
        lift_mm=(cells.lift_mm[seen] + nominal.lash_mm) / nominal.ratio,
        deviation_mm=away @ laid.mm[seen],
        u_mm=np.sqrt(np.diag(covariance)),
        velocity=(curve.value(at, 1) - cells.slope[seen]) / nominal.ratio,
        u_velocity=np.hypot(curve.error(at, 1) / nominal.ratio, _slope_of(parts, cells.deg[seen])),
        parts=parts,
        differs=difference(wide := Cells.of(nominal), lay(wide, lobe)),
    )


def _slope_of(parts: dict[Source, Floats], deg: Floats) -> Floats:
    """What all causes of error together do to the velocity (mm/deg), root of the sum of squares. Shape (k,)."""
    return np.asarray(np.sqrt(np.sum([np.gradient(mm, deg) ** 2 for mm in parts.values()], axis=0)))


def _quantity(row: Floats, value: float, effects: dict[Source, Floats], own: Floats, unit: str) -> Quantity:
    parts = {source: float(row @ mm) for source, mm in effects.items()}
    return Quantity(float(value), {s: part for s, part in parts.items() if part}, unit).with_part(
        _SCATTER, float(row @ own @ row) ** 0.5
    )


def _at_lobe(laid: Laid, cells: Cells, rig: Rig) -> Laid:
    """What was seen at the valve, at the lobe: by the ratio, which with the lash is known only so well."""
    if rig.indicator_at == "lobe":
        return laid
    ratio, lash = ratio_of(rig), lash_of(rig)
    lift = (cells.lift_mm + lash.value) / ratio.value
    effects = {source: mm / ratio.value for source, mm in laid.effects.items()}
    for source, part in ratio.parts.items():
        effects[source] = -lift / ratio.value * part
    for source, part in lash.parts.items():
        effects[source] = np.full(lift.shape, part / ratio.value)
    return Laid(laid.later, laid.mm / ratio.value, laid.own / ratio.value**2, effects, laid.hides_mm / ratio.value)
