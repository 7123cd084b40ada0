"""`lobetrace profile`: measured lobes against their nominal profile."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from acquire.cli import say
from acquire.cli.chart_file import deliver_charts
from acquire.cli.nominal_tables import nominal_tables
from acquire.cli.output_file import deliver
from acquire.cli.read_job import read_job
from analysis.base.errors import DataError, UsageError
from analysis.compare.nominal_fit import fit_profile
from analysis.decision.cylinders import measure_cylinder, swept_cylinders
from analysis.decision.doubted import doubted
from analysis.decision.line_profile import ProfileLine, judged
from analysis.decision.verdict import overall
from analysis.job import Job
from analysis.job.lift_table import LiftTable
from analysis.lobe.result import Lobe
from analysis.report.profile_report import profile_charts, profile_csv, profile_json, profile_text

_EXIT = {"within": 0, "outside": 1}


@dataclass(frozen=True)
class Asked:
    """What lobes are held against (FILE, or VALVE=FILE; else what the job states) and what is written. `valve`: the only one asked
    for.
    """

    nominal: Sequence[str] = ()
    tolerance_mm: float | None = None
    valve: str = ""
    fit_zero: bool = False
    plot: Path | None = None
    table: Path | None = None


def run(job_path: Path, asked: Asked, as_json: bool, *, force: bool = False) -> int:
    """Print the profiles. 0: within, or nothing to judge by; 1: outside; 2: cannot be told."""
    job, captures = read_job(job_path)
    lines: list[tuple[Lobe, ProfileLine]] = []
    for cylinder in swept_cylinders(job, captures):
        measured = measure_cylinder(job, captures, cylinder)
        found = [
            (lobe, _line(job, lobe, table, tolerance, asked)) for lobe, table, tolerance in _tables(job, measured.lobes, asked)
        ]
        held = doubted([line for _, line in found], measured.findings)
        lines += [(lobe, line) for (lobe, _), line in zip(found, held, strict=True)]
    if not lines:
        raise UsageError(
            "there is no nominal profile of a lobe that was swept",
            where=str(job_path),
            do="Give one with --nominal FILE, or in job.toml as [specification.intake.profile]",
        )
    if asked.table is not None:
        deliver(asked.table, profile_csv(lines), force=force)
    if asked.plot is not None:
        deliver_charts(asked.plot, "Lobes against their nominal profile", profile_charts(lines, job.measure.units), force=force)
    if as_json:
        say.result_json(profile_json(lines))
    else:
        say.result(profile_text(lines, job))
    verdicts = [line.verdict for _, line in lines if line.tolerance_mm is not None or line.fit is None]
    return _EXIT.get(overall(verdicts), 2) if verdicts else 0


def _tables(job: Job, lobes: tuple[Lobe, ...], asked: Asked) -> Iterator[tuple[Lobe, LiftTable, float | None]]:
    """Each lobe that has a nominal, with it and the width of its zone."""
    tables = nominal_tables(asked.nominal, [job])
    for lobe in lobes:
        if lobe.valve not in tables or (asked.valve and lobe.valve != asked.valve):
            continue
        spec = job.specification.of(lobe.valve).profile
        tolerance = asked.tolerance_mm if asked.tolerance_mm is not None or spec is None else spec.tolerance_mm
        yield lobe, tables[lobe.valve], tolerance


def _line(job: Job, lobe: Lobe, table: LiftTable, tolerance_mm: float | None, asked: Asked) -> ProfileLine:
    """One lobe on its table; the reason where they have nothing in common."""
    try:
        fit = fit_profile(lobe, table, fit_zero=asked.fit_zero)
    except DataError as error:
        return ProfileLine(lobe.cylinder, lobe.valve, None, tolerance_mm, "not compared", how=error.what)
    return judged(lobe, fit, tolerance_mm, job.specification.tolerance.guard_band_factor)
