"""A job's folder, opened: what a Python session and a notebook begin with."""

from __future__ import annotations

from dataclasses import dataclass
from os import PathLike
from pathlib import Path

from analysis.base.samples import Capture
from analysis.capture import load
from analysis.decision.cylinders import measure_cylinder, swept_cylinders
from analysis.job import Job, load_job
from analysis.job.folder import captures_in
from analysis.lobe.result import Measurement


@dataclass(frozen=True, repr=False)
class OpenJob:
    """A job and its captures, in the order in which they were recorded."""

    folder: Path
    job: Job
    captures: tuple[Capture, ...]

    def __repr__(self) -> str:
        return f"<job {self.folder}: {self.job.engine.name or 'engine without a name'}, {len(self.captures)} captures>"

    @property
    def cylinders(self) -> tuple[int, ...]:
        """The cylinders that were swept, the job's own first."""
        return swept_cylinders(self.job, self.captures)

    def measure(self, cylinder: int | None = None) -> Measurement:
        """Everything that the captures say of one cylinder: the first of `cylinders`, or another of them.

        Raises DataError if they cannot answer: no TDC, no sweep of it, a sweep that does not cover the lobe.

        >>> import analysis
        >>> found = analysis.open_job("sample-captures/clean").measure()
        >>> print(found.intake.centerline)
        106.9... ATDC +/-0...
        >>> [finding.code for finding in found.findings]
        []
        """
        return measure_cylinder(self.job, self.captures, cylinder)


def open_job(folder: str | PathLike[str]) -> OpenJob:
    """Open a job by its folder or its job.toml, and read its captures.

    Raises UsageError if job.toml is not what it must be or there is no capture, CaptureError if one cannot be read.

    >>> import analysis
    >>> job = analysis.open_job("sample-captures/clean")
    >>> [capture.header.step for capture in job.captures]
    ['stop', 'sweep', 'sweep']
    """
    path = Path(folder)
    job = load_job(path)
    return OpenJob(path, job, tuple(load(file) for file in captures_in(path)))
