"""`lobetrace dynamics`: what the measured lobes ask of the valve train at a speed."""

from __future__ import annotations

from pathlib import Path

from acquire.cli import say
from acquire.cli.chart_file import deliver_charts
from acquire.cli.output_file import deliver
from acquire.cli.read_job import read_job
from analysis.decision.cylinders import at_cylinder, measure_cylinders
from analysis.decision.dynamics import dynamics
from analysis.report.dynamics_report import dynamics_charts, dynamics_csv, dynamics_json, dynamics_text


def run(job_path: Path, rpm: float, plot: Path | None, table: Path | None, as_json: bool, *, force: bool = False) -> int:
    """Print the motion of every lobe; 0 for having made it."""
    job, captures = read_job(job_path)
    measured = measure_cylinders(job, captures)
    found = [(lobe, dynamics(at_cylinder(job, cylinder), lobe, rpm)) for cylinder, one in measured.items() for lobe in one.lobes]
    motions = [each for _, each in found]
    if table is not None:
        deliver(table, dynamics_csv(motions), force=force)
    if plot is not None:
        deliver_charts(plot, f"Motion at {rpm:g} rpm", dynamics_charts(motions), force=force)
    if as_json:
        say.result_json(dynamics_json(found))
    else:
        say.result(dynamics_text(motions))
    return 0
