"""`lobetrace analyze`: captures in, sheet or JSON out."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from acquire.cli import say
from analysis.capture import load
from analysis.decision.cylinders import at_cylinder, measure_cylinders
from analysis.job import Job, load_job
from analysis.job.folder import captures_in
from analysis.lobe.result import Measurement
from analysis.report.budget import budget_json, budget_text
from analysis.report.json import result_json
from analysis.report.sheet import sheet

CANNOT_TELL = 2


def run(job_path: Path, captures: Sequence[Path], as_json: bool, budget: bool = False) -> int:
    """Print a sheet for each cylinder that was swept, or the result as JSON; with `budget` the table behind every number as well.

    The exit code: 2 if a lobe that was swept could not be measured, else 0.
    """
    found = measured_jobs(job_path, captures)
    if as_json:
        first, *others = (_json(measured, budget) for _, measured in found)
        say.result_json(first | ({"others": others} if others else {}))
        return _exit(found)
    for job, measured in found:
        say.result(sheet(measured, job).rstrip("\n"))
        if budget:
            say.result("\n" + budget_text(measured).rstrip("\n"))
        if measured is not found[-1][1]:
            say.result("\n")
    return _exit(found)


def _exit(found: Sequence[tuple[Job, Measurement]]) -> int:
    return CANNOT_TELL if any(measured.refused for _, measured in found) else 0


def _json(measured: Measurement, budget: bool) -> dict[str, Any]:
    return result_json(measured) | ({"budget": budget_json(measured)} if budget else {})


def analyzed(job_path: Path, captures: Sequence[Path] = ()) -> tuple[Job, Measurement]:
    """The job and what its captures (or those given) come to, of its own cylinder. UsageError if there are none."""
    return measured_jobs(job_path, captures)[0]


def measured_jobs(job_path: Path, captures: Sequence[Path] = ()) -> list[tuple[Job, Measurement]]:
    """The job as of each cylinder that was swept, its own first, and what its captures come to."""
    job = load_job(job_path)
    found = measure_cylinders(job, [load(file) for file in list(captures) or captures_in(job_path)])
    return [(at_cylinder(job, cylinder), measured) for cylinder, measured in found.items()]
