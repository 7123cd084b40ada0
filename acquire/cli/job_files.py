"""Jobs wherever they lie: in folders of this machine, or at an address that fsspec opens, such as s3://bucket/jobs."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from acquire.cli.extra import needed
from analysis.base.errors import UsageError
from analysis.base.regular import open_regular
from analysis.job import FILE_NAME
from analysis.job.folder import CAPTURES, SUFFIX, as_recorded, captures_of, folder_of, jobs_in

_SCHEME: Final = "://"


@dataclass(frozen=True, slots=True)
class Address:
    """A job: where it lies, and what it is called in every table."""

    at: str
    name: str


@dataclass(frozen=True)
class JobFiles:
    """The bytes of a job: its job.toml, and its captures by name in the order in which they were recorded."""

    job_toml: bytes
    captures: dict[str, bytes]


def addresses(roots: Sequence[str]) -> Iterator[Address]:
    """The jobs that the roots name: see `jobs_in`; then, below addresses of fsspec, every folder with a job.toml. Raises
    UsageError.
    """
    remote = [root for root in roots if _SCHEME in root]
    local = [Path(root) for root in roots if _SCHEME not in root]
    if local:
        yield from (Address(str(found.path.absolute()), found.name) for found in jobs_in(local))  # a worker stands elsewhere
    for root in remote:
        yield from _remote_jobs(root)


def read(job: Address) -> JobFiles:
    """All of a job. OSError if it cannot be read."""
    if _SCHEME in job.at:
        return _remote_files(job.at)
    folder = folder_of(Path(job.at))
    file = Path(job.at) if Path(job.at).is_file() else folder / FILE_NAME
    return JobFiles(_bytes(file), {path.name: _bytes(path) for path in captures_of(folder)})


def _bytes(path: Path) -> bytes:
    with open_regular(path) as file:
        return file.read()


def _remote_jobs(root: str) -> Iterator[Address]:
    files, path = _opened(root)
    scheme = root.partition(_SCHEME)[0]
    found = sorted(files.glob(f"{path.rstrip('/')}/**/{FILE_NAME}"))
    if not found:
        raise UsageError("there is no job below it", where=root, do="Name a folder of jobs, each with a job.toml")
    beside = path.rstrip("/").rpartition("/")[0]
    for file in found:
        folder = file.removesuffix(f"/{FILE_NAME}")
        yield Address(f"{scheme}{_SCHEME}{folder}", folder.removeprefix(beside).lstrip("/"))


def _remote_files(at: str) -> JobFiles:
    files, folder = _opened(at)
    captures = f"{folder}/{CAPTURES}"
    names = files.ls(captures, detail=False) if files.isdir(captures) else []
    ordered = sorted((path.rpartition("/")[2] for path in names if path.endswith(SUFFIX)), key=as_recorded)
    return JobFiles(files.cat_file(f"{folder}/{FILE_NAME}"), {name: files.cat_file(f"{captures}/{name}") for name in ordered})


def _opened(address: str) -> tuple[Any, str]:
    """The file system of an address, and the path there."""
    try:
        files, path = needed("fsspec.core", "addresses such as s3://bucket/jobs").url_to_fs(address)
    except (ImportError, ValueError) as error:  # a protocol that needs a package of its own, or that there is not
        raise UsageError(f"it cannot be opened ({error})", where=address, do="Check the address") from None
    return files, str(path)
