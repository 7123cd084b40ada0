"""A job's folder, opened: what a Python session and a notebook begin with."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from glob import glob
from os import PathLike
from pathlib import Path
from typing import Any

from analysis.base.errors import DataError, UsageError
from analysis.base.samples import Capture
from analysis.capture import load
from analysis.decision.cylinders import measure_cylinder, swept_cylinders
from analysis.job import FILE_NAME, Job, load_job
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


@dataclass(frozen=True, repr=False)
class OpenJobs:
    """Several jobs. As a table it has a row for each number of each job and cylinder that could be measured; whatever reads Arrow
    takes it without copying: `pandas.DataFrame.from_arrow(jobs)`, `polars.DataFrame(jobs)`, duckdb.
    """

    jobs: tuple[OpenJob, ...]

    def __repr__(self) -> str:
        return f"<{len(self)} jobs, {len(self.refused)} of them without a number>"

    def __len__(self) -> int:
        return len(self.jobs)

    def __iter__(self) -> Iterator[OpenJob]:
        return iter(self.jobs)

    @cached_property
    def _measured(self) -> tuple[list[tuple[OpenJob, int, Measurement]], dict[str, DataError]]:
        found, refused = [], {}
        for job in self.jobs:
            for cylinder in job.cylinders or (job.job.measure.cylinder,):
                try:
                    found.append((job, cylinder, job.measure(cylinder if job.cylinders else None)))
                except DataError as error:
                    refused[f"{job.folder} cylinder {cylinder}"] = error
        return found, refused

    @property
    def measured(self) -> list[tuple[OpenJob, int, Measurement]]:
        """Every measurement with its job and cylinder."""
        return self._measured[0]

    @property
    def refused(self) -> dict[str, DataError]:
        """Why there is no number, by job and cylinder."""
        return self._measured[1]

    def to_arrow(self) -> Any:
        """All numbers as an Arrow table. Raises UsageError without pyarrow.

        >>> import analysis
        >>> jobs = analysis.open_jobs("sample-captures/cl*n")
        >>> table = jobs.to_arrow()
        >>> table.num_rows > 30, table.column("path")[1].as_py()
        (True, 'intake.events.0.5.opens')
        """
        try:
            import pyarrow as pa
        except ImportError as error:
            raise UsageError("Arrow tables need pyarrow", do="Install it with: pip install 'lobetrace[archive]'") from error
        rows = [
            {
                "job": job.folder.name,
                "cylinder": cylinder,
                "camshaft": job.job.record.camshaft,
                "camshaft_serial": job.job.record.camshaft_serial,
                "engine_number": job.job.record.engine_number,
                "operator": job.job.record.operator,
                "started": min((c.header.started for c in job.captures if c.header.started), default=""),
                "path": entry.path,
                "valve": entry.valve,
                "kind": entry.kind,
                "lift_mm": entry.lift_mm,
                "value": entry.quantity.value,
                "u95": entry.quantity.u95,
                "u": entry.quantity.u,
                "dof": entry.quantity.dof,
                "unit": entry.quantity.unit,
                "place": entry.quantity.place,
            }
            for job, cylinder, found in self.measured
            for entry in found.entries()
        ]
        return pa.Table.from_pylist(rows)

    def __arrow_c_stream__(self, requested_schema: object = None) -> object:
        """The Arrow PyCapsule interface."""
        return self.to_arrow().__arrow_c_stream__(requested_schema)


def open_jobs(pattern: str | PathLike[str]) -> OpenJobs:
    """Open every job whose folder a pattern names ("jobs/*"), in the order of their names.

    Raises UsageError if there is none, or as `open_job`.

    >>> import analysis
    >>> [job.folder.name for job in analysis.open_jobs("sample-captures/cl*n")]
    ['clean']
    """
    folders = sorted(path for path in map(Path, glob(str(pattern))) if (path / FILE_NAME).is_file())
    if not folders:
        raise UsageError("no job is named by this", where=str(pattern), do='Give a pattern of job folders: "jobs/*"')
    return OpenJobs(tuple(open_job(folder) for folder in folders))


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
