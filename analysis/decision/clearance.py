"""Piston to valve over the overlap, from the crank mechanism, the valve's angle, the lift curve and a clearance that was measured.

Along the valve's axis the gap is c + k x - s: c between valve and piston with the valve closed at TDC, x the piston's travel below
its top (slider-crank), k what a millimetre of it opens along the valve's axis, s the valve's lift. Only c has to be measured: from
a drop of the valve at any angle, or from clay, which shows the least gap of all. Lash and lifter are those that were in while
measuring.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import optimize

from analysis.base.finding import DOUBT, Finding
from analysis.base.quantity import NOTHING, Quantity, Source, linear_combination
from analysis.base.samples import Floats
from analysis.base.words import Units, sentence_in
from analysis.decision.valve_lift import lift_at, valve_lift
from analysis.decision.verdict import Verdict, judge
from analysis.job import Job, Rig
from analysis.job.clearance_keys import Drop, ValveClearance
from analysis.lobe.result import Lobe
from analysis.tdc.slider_crank import SliderCrank, slider_crank

REACH_DEG = 60.0  # the least gap lies well within this of TDC
ADVANCE_DEG = 12.0  # how far the gap is followed over the camshaft's advance, each way
_STEP_DEG = 0.5


@dataclass(frozen=True)
class Gap:
    """The gap of one valve. `closed` is c; `axial` is k; all along the valve's axis."""

    valve: str
    closed: Quantity
    axial: float
    crank: SliderCrank
    lobe: Lobe
    rig: Rig

    def piston(self, deg: Floats | float) -> Floats:
        """By how much the gap has grown since TDC by the piston alone, mm, at crank degrees from overlap TDC."""
        return self.axial * self.crank.travel(np.asarray(deg, dtype=np.float64) + self.crank.tdc_deg)

    def without_closed(self, deg: Floats | float, advance_deg: float = 0.0) -> Floats:
        """k x - s, with the camshaft advanced against how it was measured."""
        return self.piston(deg) - valve_lift(self.lobe, self.rig, np.asarray(deg) + advance_deg)

    def over(self, deg: Floats, advance_deg: float = 0.0) -> Floats:
        """The gap in mm over crank degrees. Shape of `deg`."""
        return np.asarray(self.closed.value + self.without_closed(deg, advance_deg))

    def least(self, advance_deg: float = 0.0) -> tuple[float, Quantity]:
        """Where the gap is least (crank degrees from overlap TDC), and that gap. Raises DataError where there is no reading."""
        deg = least_at(self, advance_deg)
        lift = lift_at(self.lobe, self.rig, deg + advance_deg)
        return deg, linear_combination((1.0, self.closed), (-1.0, lift), (1.0, float(self.piston(deg))))


def least_at(gap: Gap, advance_deg: float = 0.0) -> float:
    """Crank angle of the least gap, within `REACH_DEG` of overlap TDC."""
    grid = np.arange(-REACH_DEG, REACH_DEG + _STEP_DEG, _STEP_DEG)
    near = float(grid[int(np.argmin(gap.without_closed(grid, advance_deg)))])
    found = optimize.minimize_scalar(
        lambda deg: float(gap.without_closed(deg, advance_deg)), bounds=(near - _STEP_DEG, near + _STEP_DEG), method="bounded"
    )
    return float(found.x)


@dataclass(frozen=True)
class PistonClearance:
    """What a valve's gap comes to. `at_deg`: where it is least; `keeps_deg`: from which to which advance against now it keeps its
    limit (None: nowhere; infinite if further than was looked); `how` it was found, `disagree` if its measurements do.
    """

    gap: Gap
    at_deg: float
    least: Quantity
    u95: float
    limit_mm: float
    verdict: Verdict
    advance_deg: Floats
    least_mm: Floats  # shape of advance_deg
    keeps_deg: tuple[float, float] | None
    how: str
    disagree: Finding | None = None
    doubts: tuple[str, ...] = ()

    @property
    def valve(self) -> str:
        """The valve."""
        return self.gap.valve


def piston_clearance(job: Job, lobe: Lobe, advance_deg: float = 0.0) -> PistonClearance | None:
    """The clearance of a measured valve with the camshaft advanced by so much against how it was measured.

    None if the job holds no measured clearance of it. Raises DataError if the sweep does not show the lift that it takes.
    """
    valve = lobe.swept.valve
    table = job.clearance.of(valve)
    if not table.drop and table.clay_mm is None:
        return None
    gap, disagree = _with_measured(job, table, lobe)
    at, least = gap.least(advance_deg)
    u95, limit, band = least.u95, job.clearance.limit_mm(valve), job.specification.tolerance.guard_band_factor
    advance = np.arange(-ADVANCE_DEG, ADVANCE_DEG + _STEP_DEG / 2, _STEP_DEG)
    least_mm = np.array([gap.closed.value + float(gap.without_closed(least_at(gap, a), a)) for a in advance])
    return PistonClearance(
        gap=gap,
        at_deg=at,
        least=least,
        u95=u95,
        limit_mm=limit,
        verdict=judge(least.value, u95, limit, math.inf, band),
        advance_deg=advance,
        least_mm=least_mm,
        keeps_deg=_keeps(advance, least_mm, limit + band * u95),
        how=_how(table),
        disagree=disagree,
    )


def _with_measured(job: Job, table: ValveClearance, lobe: Lobe) -> tuple[Gap, Finding | None]:
    """The gap with its closed part from every drop and from clay, and a finding if they disagree."""
    engine, valve = job.engine, lobe.swept.valve
    crank = slider_crank(engine.stroke_mm, engine.rod_mm, engine.pin_offset_mm)
    bare = Gap(valve, NOTHING, table.axial, crank, lobe, job.rig)
    found = [_from_drop(bare, drop, table.error_mm, k) for k, drop in enumerate(table.drop)]
    if table.clay_mm is not None:
        at = least_at(bare)
        clay = _measured(f"clay under the {valve} valve", table.clay_mm, table.error_mm)
        found.append(linear_combination((1.0, clay), (1.0, lift_at(lobe, job.rig, at)), (-1.0, float(bare.piston(at)))))
    closed = linear_combination(*((1 / len(found), quantity) for quantity in found))
    spread = max(q.value for q in found) - min(q.value for q in found)
    disagree = None
    if len(found) > 1 and spread > 2 * table.error_mm + max((q - closed).u95 for q in found):
        disagree = _disagree(valve, spread, job.measure.units)
    return Gap(valve, closed, table.axial, crank, lobe, job.rig), disagree


def _disagree(valve: str, spread_mm: float, units: Units) -> Finding:
    return Finding(
        "clearances-disagree",
        DOUBT,
        sentence_in(
            f"The measured clearances of the {valve} valve disagree by {spread_mm:.2f} mm once the piston's travel and the lift are "
            "taken off.",
            units,
        ),
        "The valve's angle, the piston's face or one of the drops is not as written.",
        "Check each of them.",
        frozenset({f"{valve}.clearance"}),
    )


def _measured(name: str, value_mm: float, error_mm: float) -> Quantity:
    return Quantity(value_mm).with_part(Source(name, distribution="rectangular"), error_mm / math.sqrt(3))


def _from_drop(bare: Gap, drop: Drop, error_mm: float, k: int) -> Quantity:
    dropped = _measured(f"drop {k + 1} of the {bare.valve} valve", drop.drop_mm, error_mm) - float(bare.piston(drop.at_deg))
    return dropped if drop.measured_from == "seat" else dropped + lift_at(bare.lobe, bare.rig, drop.at_deg)


def _keeps(advance: Floats, least_mm: Floats, needed: float) -> tuple[float, float] | None:
    """The stretch of advance around none (or else the nearest one) over which the limit is kept."""
    kept = least_mm >= needed
    if not kept.any():
        return None
    middle = int(np.argmin(np.where(kept, np.abs(advance), np.inf)))
    low, high = middle, middle
    while low > 0 and kept[low - 1]:
        low -= 1
    while high < advance.size - 1 and kept[high + 1]:
        high += 1
    first = -math.inf if low == 0 else _crossing(advance, least_mm, low - 1, needed)
    last = math.inf if high == advance.size - 1 else _crossing(advance, least_mm, high, needed)
    return first, last


def _crossing(advance: Floats, least_mm: Floats, k: int, needed: float) -> float:
    return float(advance[k] + (needed - least_mm[k]) / (least_mm[k + 1] - least_mm[k]) * (advance[k + 1] - advance[k]))


def _how(table: ValveClearance) -> str:
    ways = []
    if table.drop:
        ways.append(f"{len(table.drop)} drop{'s' * (len(table.drop) > 1)} of the valve")
    if table.clay_mm is not None:
        ways.append("clay")
    face = "a pocket parallel to the valve's head" if table.piston_face == "pocket" else "a flat crown"
    return f"from {' and '.join(ways)}, valve at {table.valve_angle_deg:g} degrees over {face}"
