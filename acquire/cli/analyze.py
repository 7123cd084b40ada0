"""`lobetrace analyze`: captures in, sheet or JSON out."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from acquire.cli import say
from analysis.base.errors import DataError
from analysis.capture import load
from analysis.decision.cylinders import at_cylinder, measure_cylinders, measure_each, spacings
from analysis.decision.decide import Cylinder
from analysis.job import Job, load_job
from analysis.job.folder import captures_in
from analysis.lobe.result import Measurement
from analysis.report.budget import budget_json, budget_text
from analysis.report.json import result_json
from analysis.report.lobes import LobeRow, lobe_rows, lobe_table
from analysis.report.sheet import sheet

CANNOT_TELL = 2


def run(job_path: Path, captures: Sequence[Path], as_json: bool, budget: bool = False) -> int:
    """Print a sheet for each cylinder that was swept, or the result as JSON; with `budget` the table behind every number as well.

    Of several cylinders a table of all lobes follows. The exit code: 2 if a lobe that was swept could not be measured, else 0.
    """
    job = load_job(job_path)
    found, refused = measure_each(job, [load(file) for file in list(captures) or captures_in(job_path)])
    if as_json:
        first, *others = (_json(measured, budget) for measured in found.values())
        more: dict[str, Any] = {"others": others} if others else {}
        if refused:
            more["refused"] = [{"cylinder": cylinder, "error": str(error)} for cylinder, error in refused.items()]
        say.result_json(first | more)
    else:
        blocks = [_text(at_cylinder(job, cylinder), measured, budget) for cylinder, measured in found.items()]
        if len(found) + len(refused) > 1:
            blocks.append("\n".join(lobe_table(job, _rows(job, found, refused))))
        say.result("\n\n\n".join(blocks))
    return CANNOT_TELL if refused or any(measured.refused for measured in found.values()) else 0


def _text(job: Job, measured: Measurement, budget: bool) -> str:
    text = sheet(measured, job).rstrip("\n")
    return f"{text}\n\n{budget_text(measured).rstrip()}" if budget else text


def _rows(job: Job, found: dict[int, Measurement], refused: dict[int, DataError]) -> list[LobeRow]:
    cylinders = [Cylinder(number, measured) for number, measured in found.items()]
    cylinders += [Cylinder(number, None, error=error) for number, error in refused.items()]
    return list(lobe_rows(job, cylinders, spacings(job, found)))


def _json(measured: Measurement, budget: bool) -> dict[str, Any]:
    return result_json(measured) | ({"budget": budget_json(measured)} if budget else {})


def analyzed(job_path: Path, captures: Sequence[Path] = ()) -> tuple[Job, Measurement]:
    """The job and what its captures (or those given) come to, of its own cylinder. UsageError if there are none."""
    job = load_job(job_path)
    found = measure_cylinders(job, [load(file) for file in list(captures) or captures_in(job_path)])
    cylinder, measured = next(iter(found.items()))
    return at_cylinder(job, cylinder), measured
