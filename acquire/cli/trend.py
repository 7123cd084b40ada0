"""`lobetrace trend`: one camshaft over the dates of its jobs."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from acquire.cli import say
from acquire.cli.chart_file import deliver_charts
from acquire.cli.sweeps_of import swept
from analysis.decision.trend import trends
from analysis.report.trend_report import trend_charts, trend_json, trend_text


def run(paths: Sequence[Path], plot: Path | None, as_json: bool, *, force: bool = False) -> int:
    """Print the trends; 0 for having made them."""
    jobs, sweeps = swept(paths)
    found, units = trends(sweeps), jobs[0].measure.units
    if plot is not None:
        deliver_charts(plot, "Over the dates", trend_charts(found, units), force=force)
    if as_json:
        say.result_json(trend_json(found))
    else:
        say.result(trend_text(found, units))
    return 0
