"""Every sweep measured for itself, so that one can be laid over another."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import PurePath

from analysis.base.errors import DataError
from analysis.base.samples import Capture
from analysis.compare.overlay import Overlay, overlay
from analysis.decision.cylinders import measure_cylinders
from analysis.job import Job
from analysis.lobe.result import Lobe
from analysis.measure import forward_of


@dataclass(frozen=True)
class OneSweep:
    """What one capture says of one lobe."""

    capture: str
    lobe: Lobe

    @property
    def cylinder(self) -> int:
        """Whose lobe it is."""
        return self.lobe.cylinder

    @property
    def valve(self) -> str:
        """Which lobe it is, as its place shows."""
        return self.lobe.valve


@dataclass(frozen=True)
class Pair:
    """A sweep of a lobe against the first one of that valve."""

    against: OneSweep
    sweep: OneSweep
    overlay: Overlay


def each_sweep(job: Job, captures: Sequence[Capture]) -> tuple[tuple[OneSweep, ...], tuple[DataError, ...]]:
    """Each sweep's lobes, in the order of the captures, and why a sweep says nothing. TDC is that of `measure`.

    The direction of rotation is that of all of them: a sweep turned backward alone would pass for one turned forward.
    """
    sweeps = [c for c in captures if c.header.step == "sweep" and c.samples.crank.size]
    if sweeps:
        way = "up" if forward_of(job, sweeps) > 0 else "down"
        job = job.model_copy(update={"rig": job.rig.model_copy(update={"direction": way})})
    finders = [c for c in captures if c.header.step != "sweep"]
    found: list[OneSweep] = []
    refused: list[DataError] = []
    for capture in sweeps:
        try:
            measured = measure_cylinders(job, [*finders, capture])
        except DataError as error:
            refused.append(DataError(error.what, where=error.where or capture.path, do=error.do))
            continue
        name = PurePath(capture.path).name or "unnamed"
        found += [OneSweep(name, lobe) for one in measured.values() for lobe in one.lobes]
        refused += [each.error for one in measured.values() for each in one.refused]
    return tuple(found), tuple(refused)


def laid_over(sweeps: Sequence[OneSweep]) -> tuple[Pair, ...]:
    """Every further sweep of intake and of exhaust against the first. Raises DataError if no valve was swept twice."""
    pairs = []
    for valve in ("intake", "exhaust"):
        mine = [sweep for sweep in sweeps if sweep.valve == valve]
        pairs += [Pair(mine[0], other, overlay(mine[0].lobe, other.lobe)) for other in mine[1:]]
    if not pairs:
        raise DataError(
            "no valve has two sweeps to overlay",
            do="Sweep it again, or the same valve of another cylinder",
        )
    return tuple(pairs)
