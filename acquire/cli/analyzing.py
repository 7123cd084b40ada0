"""`lobetrace analyze`: captures in, sheet or JSON out."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from acquire.cli import say
from acquire.cli.job_folder import captures_in
from analysis.capture import load
from analysis.job import Job, load_job
from analysis.measure import Measured, measure_all
from analysis.report.budget import budget_json, budget_text
from analysis.report.json import result_json
from analysis.report.text import sheet
from analysis.results import Result


def run(job_path: Path, captures: Sequence[Path], as_json: bool, budget: bool = False) -> None:
    """Print the sheet, or the result as JSON; with `budget` the table behind every number as well."""
    job, measured = measured_job(job_path, captures)
    result, quantities = measured.result, measured.quantities
    if as_json:
        say.result_json(result_json(result) | ({"budget": budget_json(quantities)} if budget else {}))
        return
    say.result(sheet(result, job).rstrip("\n"))
    if budget:
        say.result("\n" + budget_text(quantities).rstrip("\n"))


def analyzed(job_path: Path, captures: Sequence[Path] = ()) -> tuple[Job, Result]:
    """The job and what its captures (or those given) come to. UsageError if there are none."""
    job, measured = measured_job(job_path, captures)
    return job, measured.result


def measured_job(job_path: Path, captures: Sequence[Path] = ()) -> tuple[Job, Measured]:
    """The same with the quantities behind the numbers."""
    job = load_job(job_path)
    return job, measure_all(job, [load(file) for file in list(captures) or captures_in(job_path)])
