"""A job with its captures, as commands read them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from analysis.base.samples import Capture
from analysis.capture import load
from analysis.job import Job, load_job
from analysis.job.folder import captures_in


def read_job(job_path: Path, captures: Sequence[Path] = ()) -> tuple[Job, list[Capture]]:
    """A job with its captures, or with those given. UsageError if there are none, CaptureError if one cannot be read."""
    return load_job(job_path), [load(file) for file in list(captures) or captures_in(job_path)]
