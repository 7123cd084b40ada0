"""Cylinder against cylinder: each measured from its own top dead center, as the firing order places it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.base.errors import DataError
from analysis.base.quantity import Quantity
from analysis.base.samples import Capture
from analysis.decision.verdict import Verdict, judge
from analysis.diagnosis.examine import examine
from analysis.job import Job
from analysis.lobe.result import Measurement
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


def measure_cylinders(job: Job, captures: Sequence[Capture]) -> dict[int, Measurement]:
    """Each swept cylinder's measurement, the job's own first. Raises DataError as `examine`."""
    cylinders = swept_cylinders(job, captures) or (job.measure.cylinder,)
    return {cylinder: measure_cylinder(job, captures, cylinder) for cylinder in cylinders}


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


def spacings(job: Job, measured: dict[int, Measurement]) -> tuple[Spacing, ...]:
    """Every other cylinder's centerlines against those of the first. They share their TDC, whose error drops out."""
    (first, base), *others = measured.items()
    tolerance = job.specification.tolerance
    found = []
    for cylinder, other in others:
        for valve in ("intake", "exhaust"):
            here, there = other.lobe(valve), base.lobe(valve)
            if here is None or there is None:
                continue
            late = (here.centerline - there.centerline).labelled("deg", "late")
            u95 = late.u95
            verdict = judge(late.value, u95, -tolerance.centerline_deg, tolerance.centerline_deg, tolerance.guard_band_factor)
            found.append(Spacing(cylinder, first, valve, late, u95, verdict))
    return tuple(found)
