"""`lobetrace analyze`: captures in, sheet or JSON out."""

from __future__ import annotations

from collections.abc import Sequence
from glob import has_magic
from pathlib import Path

from acquire.cli import say
from acquire.cli.every_cylinder import every_cylinder
from acquire.cli.read_job import read_job
from analysis.job import FILE_NAME


def run(job_path: Path, captures: Sequence[Path], as_json: bool, budget: bool = False) -> int:
    """Print a sheet for each cylinder that was swept, or the result as JSON; with `budget` the table behind every number as well.

    Of several cylinders a table of all lobes follows. What follows the job may be further jobs instead of captures, and the job a
    folder of jobs: then each is told as it is done, in order. The exit code: 2 if a lobe that was swept could not be measured,
    else 0.
    """
    if _several(job_path, captures):
        from acquire.cli import analyze_several  # only there are processes needed

        return analyze_several.run((job_path, *captures), as_json, budget)
    done = every_cylinder(*read_job(job_path, captures))
    if as_json:
        say.result_json(done.tree(budget))
    else:
        say.result(done.text(budget))
    return done.code


def _several(job_path: Path, captures: Sequence[Path]) -> bool:
    """Whether these are jobs, and not one with captures of it."""
    searched = not job_path.exists() and has_magic(str(job_path))
    searched = searched or (job_path.is_dir() and not (job_path / FILE_NAME).is_file())
    return searched or any(path.is_dir() or path.name == FILE_NAME for path in captures)
