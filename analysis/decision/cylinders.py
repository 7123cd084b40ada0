"""Cylinder against cylinder: each measured from its own top dead center, as the firing order places it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.base.errors import DataError
from analysis.base.quantity import Quantity
from analysis.base.samples import Capture
from analysis.decision.verdict import Verdict, judge_lateness
from analysis.diagnosis.examine import examine
from analysis.job import Job
from analysis.lobe.result import Lobe, Measurement
from analysis.tdc.carrying import fires_after, found_on


@dataclass(frozen=True)
class Spacing:
    """How late one cylinder's centerline of a valve stands against the first cylinder's, crank degrees; ideally 0."""

    cylinder: int
    against: int
    valve: str
    late: Quantity
    u95: float
    verdict: Verdict
    doubts: tuple[str, ...] = ()


def swept_cylinders(job: Job, captures: Sequence[Capture]) -> tuple[int, ...]:
    """The cylinders that were swept, the job's own first if it is among them."""
    found = {c.header.cylinder for c in captures if c.header.step == "sweep"}
    known = [cylinder for cylinder in job.engine.firing_order if cylinder in found]
    return tuple(sorted(known, key=lambda cylinder: (cylinder != job.measure.cylinder, cylinder)))


def measure_each(job: Job, captures: Sequence[Capture]) -> tuple[dict[int, Measurement], dict[int, DataError]]:
    """The measurement of each swept cylinder, the job's own first, and of those without one why there is none.

    Raises the first refusal if no cylinder can be measured.
    """
    found: dict[int, Measurement] = {}
    refused: dict[int, DataError] = {}
    for cylinder in swept_cylinders(job, captures) or (job.measure.cylinder,):
        try:
            found[cylinder] = measure_cylinder(job, captures, cylinder)
        except DataError as error:
            refused[cylinder] = error
    if not found:
        raise next(iter(refused.values()))
    return found, refused


def measure_cylinders(job: Job, captures: Sequence[Capture]) -> dict[int, Measurement]:
    """The cylinders of `measure_each` that can be measured. Raises DataError as that does."""
    return measure_each(job, captures)[0]


def measure_cylinder(job: Job, captures: Sequence[Capture], cylinder: int | None = None) -> Measurement:
    """One cylinder's measurement, with TDC from the cylinder on which it was found; the first of `swept_cylinders` if not said.

    Captures of a cylinder that the engine does not have are taken as of the job's. Raises DataError as `examine`.
    """
    swept = swept_cylinders(job, captures) or (job.measure.cylinder,)
    cylinder = swept[0] if cylinder is None else cylinder
    if cylinder not in swept:
        raise DataError(f"cylinder {cylinder} was not swept", do=f"Swept were: {', '.join(map(str, swept))}")
    mine = [c for c in captures if c.header.step != "sweep" or c.header.cylinder not in {*swept} - {cylinder}]
    return examine(at_cylinder(job, cylinder), mine, after_deg=fires_after(job, cylinder, found_on(job, captures)))


def at_cylinder(job: Job, cylinder: int) -> Job:
    """The same job with the indicator on another cylinder."""
    return job.model_copy(update={"measure": job.measure.model_copy(update={"cylinder": cylinder})})


def swept_valves(captures: Sequence[Capture], cylinder: int, measured: Measurement) -> frozenset[str]:
    """The valves on which an indicator stood while a cylinder was swept, as the captures say and as its curves show."""
    said = {on for c in captures if c.header.step == "sweep" and c.header.cylinder == cylinder for on in c.header.channels}
    return frozenset(said & {"intake", "exhaust"} | {lobe.valve for lobe in measured.lobes})


def spacings(job: Job, measured: dict[int, Measurement]) -> tuple[Spacing, ...]:
    """Every cylinder's centerlines against those of the first that has the valve. They share their TDC, whose error drops out."""
    found: list[Spacing] = []
    for valve in ("intake", "exhaust"):
        lobes = [(cylinder, lobe) for cylinder, each in measured.items() if (lobe := each.lobe(valve))]
        found += [_spacing(job, valve, lobes[0], other) for other in lobes[1:]]
    order = list(measured)
    return tuple(sorted(found, key=lambda spacing: order.index(spacing.cylinder)))


def _spacing(job: Job, valve: str, base: tuple[int, Lobe], other: tuple[int, Lobe]) -> Spacing:
    late = (other[1].centerline - base[1].centerline).labelled("deg", "late")
    return Spacing(other[0], base[0], valve, late, late.u95, judge_lateness(job, late))
