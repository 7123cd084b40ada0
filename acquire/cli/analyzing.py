"""`lobetrace analyze`: captures in, sheet or JSON out."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from acquire.cli import say
from acquire.cli.job_folder import captures_of, folder_of
from analysis.capture import load
from analysis.errors import UsageError
from analysis.job import Job, load_job
from analysis.measure import measure
from analysis.report.json import result_json
from analysis.report.text import sheet
from analysis.results import Result


def run(job_path: Path, captures: Sequence[Path], as_json: bool) -> None:
    """Print the sheet, or the result as JSON."""
    job, result = analyzed(job_path, captures)
    if as_json:
        say.result_json(result_json(result))
    else:
        say.result(sheet(result, job).rstrip("\n"))


def analyzed(job_path: Path, captures: Sequence[Path] = ()) -> tuple[Job, Result]:
    """The job and what its captures (or those given) come to. UsageError if there are none."""
    job = load_job(job_path)
    files = list(captures) or captures_of(folder_of(job_path))
    if not files:
        raise UsageError(
            "there are no captures",
            where=str(folder_of(job_path)),
            do="Record some: lobetrace capture JOB --step stop, then sweep",
        )
    return job, measure(job, [load(file) for file in files])
