"""`lobetrace overlay`: the profiles of many sweeps laid over each other, of one job or of several, with tables and plots."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from acquire.cli import output_file, say
from analysis.base.errors import UsageError
from analysis.base.samples import Capture
from analysis.capture import load
from analysis.compare.lobes import Against
from analysis.decision.sweep_by_sweep import OneSweep, each_sweep, study
from analysis.job import FILE_NAME, Job, load_job
from analysis.job.folder import SUFFIX, captures_in, folder_of
from analysis.job.lift_table import LiftTable, read_lift_table
from analysis.report.profiles import overlay_json, overlay_text, profiles_csv

VALVES = ("intake", "exhaust")


@dataclass(frozen=True)
class Asked:
    """What is wanted of an overlay: what it is against, a nominal table, a table of profiles with its step, a plot, all details."""

    against: Against
    nominal: Path | None = None
    table: Path | None = None
    step_deg: float = 1.0
    plot: Path | None = None
    details: bool = False


def run(paths: Sequence[Path], asked: Asked, as_json: bool, *, force: bool = False) -> int:
    """Print the comparison; 0 for having made it. With a table of profiles one sweep will do."""
    chosen = _jobs(paths)
    jobs = {path: load_job(path) for path in chosen}
    sweeps = [sweep for path, captures in chosen.items() for sweep in _sweeps(path, jobs[path], captures)]
    if asked.table is not None and sweeps:
        output_file.write(asked.table, profiles_csv(sweeps, asked.step_deg), force=force)
        say.person(f"{say.quoted(asked.table)} holds {len(sweeps)} profile{'s' if len(sweeps) > 1 else ''}")
        if len(sweeps) == 1 and asked.against != "nominal":
            return 0
    found = study(sweeps, asked.against, _nominal(asked, jobs.values()) if asked.against == "nominal" else None)
    units = next(iter(jobs.values())).measure.units
    if asked.plot is not None:
        from acquire.cli.chart_file import write_charts
        from analysis.report.profile_charts import overlay_charts

        write_charts(asked.plot, "Lobes compared", overlay_charts(found, units), force=force)
        say.person(f"{say.quoted(asked.plot)} is written")
    if as_json:
        say.result_json(overlay_json(found))
    else:
        say.result(overlay_text(found, units, details=asked.details))
    return 0


def _nominal(asked: Asked, jobs: Iterable[Job]) -> Mapping[str, LiftTable]:
    """By valve: the table that was named, or what the first job that gives one says."""
    if asked.nominal is not None:
        return dict.fromkeys(VALVES, read_lift_table(asked.nominal))
    specs = [(valve, getattr(job.specification, valve).profile) for job in reversed([*jobs]) for valve in VALVES]
    return {valve: spec.table for valve, spec in specs if spec is not None and spec.table is not None}


def _jobs(paths: Sequence[Path]) -> dict[Path, list[Path]]:
    """By job its captures: all of them, or those that were named behind it. A capture belongs to the job in whose folder it lies, else
    to the job that was named before it.
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
    """The sweeps of one job, with the TDC of that job; what says nothing is told to the person."""
    name = folder_of(path).resolve().name
    found, refused = each_sweep(job, _with_tdc(path, [load(file) for file in files]), name)
    for error in refused:
        say.person(f"! {error}")
    yield from found


def _with_tdc(job_path: Path, captures: list[Capture]) -> list[Capture]:
    """The captures, and those of the job that tell TDC if none of them does."""
    if any(c.header.step != "sweep" for c in captures):
        return captures
    others = [load(file) for file in captures_in(job_path)]
    return [*(c for c in others if c.header.step != "sweep"), *captures]
