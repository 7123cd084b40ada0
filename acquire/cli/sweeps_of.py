"""Jobs and captures as they are named on the command line, and the sweeps in them, each with the TDC of its own job."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from acquire.cli import say
from analysis.base.errors import UsageError
from analysis.base.samples import Capture
from analysis.capture import load
from analysis.decision.sweep_by_sweep import OneSweep, each_sweep
from analysis.job import FILE_NAME, Job, load_job
from analysis.job.folder import SUFFIX, captures_in, folder_of


def swept(paths: Sequence[Path]) -> tuple[list[Job], list[OneSweep]]:
    """The jobs in the order in which they were named, and every sweep that says something. Why another does not is told the
    person.
    """
    chosen = _jobs(paths)
    jobs = {path: load_job(path) for path in chosen}
    return [*jobs.values()], [sweep for path, captures in chosen.items() for sweep in _sweeps(path, jobs[path], captures)]


def _jobs(paths: Sequence[Path]) -> dict[Path, list[Path]]:
    """By job its captures: all of them, or those that were named behind it. A capture belongs to the job in whose folder it lies,
    else to the job that was named before it.
    """
    named: dict[Path, list[Path]] = {}
    whole: set[Path] = set()
    last: Path | None = None
    for path in paths:
        if path.suffix != SUFFIX:
            last = path
            named.setdefault(path, [])
            whole.add(path)
            continue
        home = next((up for up in (path.parent.parent, path.parent) if (up / FILE_NAME).is_file()), last)
        if home is None:
            raise UsageError("this capture lies in no job's folder", where=str(path), do="Name its job before it")
        job = next((each for each in named if folder_of(each).resolve() == folder_of(home).resolve()), home)
        named.setdefault(job, []).append(path)
        whole -= {last, job}
    return {job: captures_in(job) if job in whole else captures for job, captures in named.items() if job in whole or captures}


def _sweeps(path: Path, job: Job, files: Sequence[Path]) -> Iterator[OneSweep]:
    """The sweeps of one job, with the TDC of that job; the person is told what says nothing, and what tells the slack alone."""
    name = folder_of(path).resolve().name
    found, refused = each_sweep(job, _with_tdc(path, [load(file) for file in files]), name)
    for error in refused:
        say.person(f"! {error}")
    for sweep in {each.capture: each for each in found}.values():
        for back in sweep.turned_back:
            say.person(f"{name}: {back} was turned backward and tells only the slack of {sweep.capture}")
    yield from found


def _with_tdc(job_path: Path, captures: list[Capture]) -> list[Capture]:
    """The captures, and those of the job that tell TDC if none of them does."""
    if any(c.header.step != "sweep" for c in captures):
        return captures
    others = [load(file) for file in captures_in(job_path)]
    return [*(c for c in others if c.header.step != "sweep"), *captures]
