"""A job's folder: job.toml and captures/, with the names that captures get."""

from __future__ import annotations

import re
from pathlib import Path

from analysis.errors import UsageError
from analysis.job import FILE_NAME

CAPTURES = "captures"
SUFFIX = ".csv"


def folder_of(job_path: Path) -> Path:
    """The folder of a job that was named by it or by its job.toml."""
    return job_path if job_path.is_dir() else job_path.parent


def captures_of(folder: Path) -> list[Path]:
    """Every capture of the job, by name."""
    return sorted((folder / CAPTURES).glob(f"*{SUFFIX}"))


def next_capture(folder: Path, stem: str) -> Path:
    """A name that is not taken: captures/STEM-01.csv, -02 and so on. Makes captures/ if it is not there."""
    captures = folder / CAPTURES
    try:
        captures.mkdir(exist_ok=True)
    except OSError as error:
        raise UsageError(
            f"it cannot be made ({error.strerror})", where=str(captures), do="Choose a job you may write to"
        ) from None
    numbers = [int(match[1]) for path in captures_of(folder) if (match := re.fullmatch(rf"{re.escape(stem)}-(\d+)", path.stem))]
    return captures / f"{stem}-{max(numbers, default=0) + 1:02d}{SUFFIX}"


def make_job(folder: Path, text: str) -> Path:
    """`folder` with `text` as its job.toml and an empty captures/; the job file's path. UsageError if there is a job already."""
    file = folder / FILE_NAME
    try:
        (folder / CAPTURES).mkdir(parents=True, exist_ok=True)
        with file.open("x", encoding="utf-8", newline="\n") as out:
            out.write(text)
    except FileExistsError:
        raise UsageError("it exists and is not overwritten", where=str(file), do="Choose another folder") from None
    except OSError as error:
        raise UsageError(
            f"the job cannot be written ({error.strerror})", where=str(file), do="Choose a folder you may write to"
        ) from None
    return file
