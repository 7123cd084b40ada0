"""`lobetrace analyze` of several jobs: a sheet each, or one JSON document."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from acquire.cli import crash, say
from acquire.cli.every_cylinder import CANNOT_TELL, every_cylinder
from acquire.cli.many import crew_for, in_order
from acquire.cli.read_job import read_job
from acquire.cli.signals import Interrupted, Signals
from analysis.base.errors import LobetraceError
from analysis.base.foreign import shown
from analysis.base.samples import Capture
from analysis.job.folder import FoundJob, jobs_in
from analysis.lobe.result import Used
from analysis.lobe.result_json import captures_json


@dataclass(frozen=True)
class Analyzed:
    """What became of one of several jobs."""

    tree: dict[str, Any]
    text: str
    code: int


def run(roots: Sequence[Path], as_json: bool, budget: bool) -> int:
    """Tell each job as it is done, in order. The exit code: 2 if any was not measured whole, else 0."""
    told, codes = say.Growing("analyze", "jobs", as_json), [0]
    with Signals() as signals:
        try:
            with signals.waiting():
                found = list(jobs_in(roots))
            with crew_for(len(found)) as crew:
                for job, done in in_order(partial(_one, budget=budget), found, crew, signals):
                    each = done or _not_measured(job, "the process that measured it was killed")
                    told.add(each.tree, each.text)
                    codes.append(each.code)
        except Interrupted as signalled:
            codes = [crash.Signalled(128 + signalled.number)]
        told.end({}, "")
    return max(codes)


def _one(job: FoundJob, budget: bool) -> Analyzed:
    captures: list[Capture] = []
    try:
        read, captures = read_job(job.path)
        done = every_cylinder(read, captures)
        told = {"job": str(job.path), "error": None, "result": done.tree(budget)}
        return Analyzed(told, f"{shown(job.path)}\n\n{done.text(budget)}\n\n", done.code)
    except LobetraceError as error:
        return _not_measured(job, str(error), captures)
    except Exception as error:
        return _not_measured(job, crash.told(error, f"at {shown(job.path)}"), captures)


def _not_measured(job: FoundJob, error: str, captures: Sequence[Capture] = ()) -> Analyzed:
    """Why, and who recorded the captures that were read."""
    read = captures_json(Used.of(capture) for capture in captures)
    told = {"job": str(job.path), "error": error, "result": None, "captures": read}
    return Analyzed(told, f"{shown(job.path)}: Not measured: {error}\n\n", CANNOT_TELL)
