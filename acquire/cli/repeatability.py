"""`lobetrace repeatability`: how well the numbers of many sweeps repeat."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from acquire.cli import say
from acquire.cli.chart_file import deliver_charts
from acquire.cli.output_file import deliver
from acquire.cli.sweeps_of import swept
from analysis.decision.repeatability import By, repeatability
from analysis.report.repeatability_report import (
    repeatability_charts,
    repeatability_csv,
    repeatability_json,
    repeatability_text,
)


def run(paths: Sequence[Path], by: By, plot: Path | None, table: Path | None, as_json: bool, *, force: bool = False) -> int:
    """Print the study; 0 for having made it."""
    jobs, sweeps = swept(paths)
    if table is not None and sweeps:
        deliver(table, repeatability_csv(sweeps), force=force)
    found, units = repeatability(sweeps, by), jobs[0].measure.units
    if plot is not None:
        deliver_charts(plot, "How well it repeats", repeatability_charts(found, units), force=force)
    if as_json:
        say.result_json(repeatability_json(found))
    else:
        say.result(repeatability_text(found, units))
    return 0
