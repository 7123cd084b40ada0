"""A job's folder: job.toml and captures/."""

from __future__ import annotations

import glob
import itertools
import logging
import os
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from analysis.base.errors import CaptureError, UsageError
from analysis.job import FILE_NAME
from analysis.job.shipped import SCHEMA_NAME, shipped_schema

_log = logging.getLogger(__name__)

CAPTURES = "captures"
SUFFIX = ".csv"
UNFINISHED = "unfinished"  # folder in captures/ of what was begun and not ended
BEFORE = "before"  # folders in captures/ of sweeps from before the timing set was moved: "before-1", "before-2"


@dataclass(frozen=True, slots=True)
class FoundJob:
    """A job, and what it is called wherever its results are kept: its folder as seen from the current directory, or from beside the
    root below which it was found. With "/" on every system, so that the name stays the same from run to run.
    """

    path: Path
    name: str


def jobs_in(roots: Iterable[Path]) -> Iterator[FoundJob]:
    """The jobs that the roots name, root after root, each sorted by name.

    A job's folder or its job.toml is itself; another folder is searched for job.toml, in hidden folders and behind links to
    folders no further; a pattern stands for what it matches, where no shell has seen to that; a file that is no .toml is passed
    over, as a shell's pattern brings it along. A root that holds no job is given as one, so that whoever opens it says so. Raises
    UsageError if nothing is left.
    """
    found = False
    for root in (match for given in roots for match in _matches(given)):
        if root.is_file() and root.suffix != ".toml":
            continue
        for path in _below(root):
            found = True
            yield FoundJob(path, _name(path, root))
    if not found:
        raise UsageError("there is no job among these files", do="Name a job's folder, or a folder of jobs")


def _matches(root: Path) -> list[Path]:
    if root.exists() or not glob.has_magic(str(root)):
        return [root]
    return [Path(match) for match in sorted(glob.glob(str(root), recursive=True))] or [root]


def _below(root: Path) -> Iterator[Path]:
    """The root if it is a job or holds none, else the jobs below it."""
    if not root.is_dir() or (root / FILE_NAME).is_file():
        yield root
        return
    found = False
    for folder, names, _ in os.walk(root, onerror=_unreadable):
        names.sort()
        inside = [Path(folder) / name for name in names if not name.startswith(".")]
        jobs = [path for path in inside if (path / FILE_NAME).is_file()]
        names[:] = [path.name for path in inside if path not in jobs]
        found = found or bool(jobs)
        yield from jobs
    if not found:
        yield root


def _unreadable(error: OSError) -> None:
    do = "Check that you may read it, or name the jobs one by one"
    raise UsageError(f"the folder cannot be searched ({error.strerror})", where=str(error.filename), do=do) from None


def _name(path: Path, root: Path) -> str:
    here = Path.cwd()
    folder, beside = _absolute(path), _absolute(root).parent
    seen_from = here if folder.is_relative_to(here) and folder != here else beside
    return folder.relative_to(seen_from).as_posix()


def _absolute(path: Path) -> Path:
    """The job's folder; a link keeps its own name."""
    return Path(os.path.abspath(path.parent if path.name == FILE_NAME else path))


def folder_of(job_path: Path) -> Path:
    """The folder of a job that was named by it or by its job.toml."""
    return job_path if job_path.is_dir() else job_path.parent


def captures_of(folder: Path) -> list[Path]:
    """Every capture of the job, in the order of the numbers that their names begin with; those without one come first.

    None where there is no captures/ yet. CaptureError if it may not be read.
    """
    return _captures(folder / CAPTURES)


def _captures(folder: Path) -> list[Path]:
    try:
        found = [path for path in folder.iterdir() if path.match(f"*{SUFFIX}")]  # glob would hide what went wrong
    except FileNotFoundError:
        return []
    except OSError as error:
        raise CaptureError(
            f"the captures cannot be read ({error.strerror})",
            where=str(folder),
            do="Check that it is a folder you may read",
        ) from error
    _log.debug("%d captures in %s", len(found), folder / CAPTURES)
    return sorted(found, key=lambda path: as_recorded(path.name))


def as_recorded(name: str) -> tuple[int, str]:
    """What captures are sorted by: the number that a name begins with, then the name."""
    found = re.match(r"\d+", name)
    return (int(found[0]) if found else -1), name


def captures_in(job_path: Path) -> list[Path]:
    """The captures of a job that was named by its folder or its job.toml. UsageError if there are none; else as `captures_of`."""
    found = captures_of(folder_of(job_path))
    if not found:
        raise UsageError(
            "there are no captures",
            where=str(folder_of(job_path)),
            do="Record some: lobetrace capture JOB --step stop, then sweep",
        )
    return found


def has_job(path: Path) -> bool:
    """Whether a job file is there, or in the folder there; not whether it may be read."""
    return os.path.isfile(path) or os.path.exists(path / FILE_NAME)


def refuse_where_none_can_be_made(folder: Path) -> None:
    """UsageError if `make_job` could not make a job there: said before somebody enters one."""
    if has_job(folder):
        raise UsageError("it exists and is not overwritten", where=str(folder / FILE_NAME), do="Choose another folder")
    there = next(each for each in (folder, *folder.absolute().parents) if os.path.exists(each))
    if not os.path.isdir(there) or not os.access(there, os.W_OK | os.X_OK):
        raise UsageError("no job can be made there", where=str(there), do="Choose a folder you may write to")


def make_job(folder: Path, text: str) -> Path:
    """`folder` with `text` as its job.toml, the schema that its first line names for editors, and an empty captures/.

    Returns the job file's path. UsageError if there is a job already.
    """
    file = folder / FILE_NAME
    try:
        (folder / CAPTURES).mkdir(parents=True, exist_ok=True)
        with file.open("x", encoding="utf-8", newline="\n") as out:
            out.write(text)
        (folder / SCHEMA_NAME).write_text(shipped_schema(), encoding="utf-8", newline="\n")
    except FileExistsError:
        raise UsageError("it exists and is not overwritten", where=str(file), do="Choose another folder") from None
    except OSError as error:
        raise UsageError(
            f"the job cannot be written ({error.strerror})", where=str(file), do="Choose a folder you may write to"
        ) from None
    _log.info("wrote %s", file)
    return file


def put_aside(capture: Path) -> Path:
    """Move an unfinished capture to where no result is made of it, over no other; its new path. CaptureError if that fails."""
    aside = capture.parent / UNFINISHED
    try:
        aside.mkdir(exist_ok=True)
        return capture.rename(free(aside / capture.name))
    except OSError as error:
        raise CaptureError(
            f"it is unfinished and could not be put aside ({error.strerror})",
            where=capture.name,
            do="Leave it out when you analyze",
        ) from error


def keep_as_before(folder: Path, captures: Sequence[Path]) -> None:
    """Move captures of a job to where they are kept from before the timing set was moved. CaptureError if that fails."""
    try:
        before = folder / CAPTURES / f"{BEFORE}-{len(_befores(folder)) + 1}"
        before.mkdir()
        for capture in captures:
            capture.rename(before / capture.name)
    except OSError as error:
        raise CaptureError(
            f"the sweeps from before cannot be put away ({error.strerror})",
            where=str(folder / CAPTURES),
            do="Check that you may write there, then say again that the timing set was moved",
        ) from error


def captures_before(folder: Path) -> list[Path]:
    """The captures from before the timing set was moved last, as `captures_of`."""
    befores = _befores(folder)
    return _captures(befores[-1]) if befores else []


def _befores(folder: Path) -> list[Path]:
    found = [path for path in (folder / CAPTURES).glob(f"{BEFORE}-*") if path.name.removeprefix(f"{BEFORE}-").isdecimal()]
    return sorted(found, key=lambda path: int(path.name.removeprefix(f"{BEFORE}-")))


def free(path: Path) -> Path:
    """The path, or the same with the first number from 2 up that is not taken: "demo-job-3", "01-stop-2.csv"."""
    numbered = (path.with_stem(f"{path.stem}-{n}") for n in itertools.count(2))
    return next(each for each in itertools.chain([path], numbered) if not each.exists())
