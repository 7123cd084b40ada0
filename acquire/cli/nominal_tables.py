"""The nominal lift tables that `--nominal` names, for both valves or one for each, and those that jobs state."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from analysis.base.errors import UsageError
from analysis.decision.card import VALVES
from analysis.job import Job
from analysis.job.lift_table import LiftTable, read_lift_table


def nominal_tables(given: Sequence[str], jobs: Sequence[Job]) -> Mapping[str, LiftTable]:
    """By valve: the table that was named for it, else the one named for both, else that of the first job that has one. UsageError if
    two are named for the same.
    """
    specs = [(valve, job.specification.of(valve).profile) for job in reversed(jobs) for valve in VALVES]
    of_jobs = {valve: spec.table for valve, spec in specs if spec is not None and spec.table is not None}
    return of_jobs | {valve: read_lift_table(file) for valve, file in _named(given).items()}


def _named(given: Sequence[str]) -> dict[str, Path]:
    """Files by valve from the words of `--nominal`."""
    files: dict[str, str] = {}
    for word in given:
        valve, equals, file = word.partition("=")
        valve, file = (valve, file) if equals and valve in VALVES else ("", word)
        if valve in files:
            what = f"the {valve} lobes" if valve else "both valves"
            raise UsageError(
                f"--nominal names two lift tables of {what}", do="Write --nominal intake=FILE --nominal exhaust=FILE"
            )
        files[valve] = file
    return {valve: Path(files[key]) for valve in VALVES for key in (valve if valve in files else "",) if key in files}
