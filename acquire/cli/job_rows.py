"""The unit of work on an archive: one job, read, measured and made into rows. The same on this machine and on a cluster's workers."""

from __future__ import annotations

from collections.abc import Sequence

from acquire.cli import crash
from acquire.cli.job_files import Address, JobFiles, read
from analysis.archive.rows import JobRows, as_columns, broken_rows, identity, job_key, measured_rows, profiles
from analysis.base.errors import DataError, LobetraceError
from analysis.base.finding import refused
from analysis.base.foreign import shown
from analysis.base.version import version
from analysis.capture import parse
from analysis.decision.decide import decide
from analysis.decision.refusal import causes_of_refusal
from analysis.diagnosis.examine import diagnose_captures
from analysis.job import FILE_NAME, parse_job
from analysis.job.folder import CAPTURES


def job_rows(job: Address) -> JobRows:
    """What a job adds to the tables. Whatever keeps it from being measured is part of that, and so is a failure of our own."""
    try:
        files = read(job)
    except (OSError, LobetraceError) as error:
        return JobRows(job.name, version(), unread=_words(error))
    key = _key(files)
    try:
        return _rows(job.name, key, files)
    except Exception as error:
        told = str(error) if isinstance(error, LobetraceError) else crash.told(error, f"at {shown(job.name)}")
        rows = broken_rows(identity(key, job.name), len(files.captures), told)
        return JobRows(job.name, version(), key, as_columns(rows))


def job_keys(jobs: Sequence[Address]) -> list[str]:
    """The key of each job; "" for one that cannot be read."""
    return [_key_of(job) for job in jobs]


def _key_of(job: Address) -> str:
    try:
        return _key(read(job))
    except (OSError, LobetraceError):
        return ""


def _key(files: JobFiles) -> str:
    return job_key(files.job_toml, files.captures.values())


def _words(error: OSError | LobetraceError) -> str:
    return str(error) if isinstance(error, LobetraceError) else f"it cannot be read ({error.strerror or error})"


def _rows(name: str, key: str, files: JobFiles) -> JobRows:
    """Raises LobetraceError for a job file or a capture that is not what it must be."""
    job = parse_job(files.job_toml, where=f"{name}/{FILE_NAME}")
    captures = [parse(data, f"{name}/{CAPTURES}/{file}") for file, data in files.captures.items()]
    own = identity(key, name, job, captures)
    try:
        decision = decide(job, captures)
    except DataError as error:
        found = (refused(error), *diagnose_captures(job, captures), *causes_of_refusal(job, captures, error))
        return JobRows(name, version(), key, as_columns(broken_rows(own, len(captures), str(error), found)))
    rows = as_columns(measured_rows(own, len(captures), decision))
    return JobRows(name, version(), key, rows, profiles(key, decision))
