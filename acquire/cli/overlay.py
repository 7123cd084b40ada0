"""`lobetrace overlay`: the profiles of many sweeps laid over each other, of one job or of several, with tables and plots."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from acquire.cli import output_file, say
from acquire.cli.nominal_tables import nominal_tables
from acquire.cli.sweeps_of import swept
from analysis.base.errors import UsageError
from analysis.compare.lobes import Against
from analysis.decision.sweep_by_sweep import study
from analysis.report.profiles import overlay_json, overlay_text, profiles_csv


@dataclass(frozen=True)
class Asked:
    """What is wanted of an overlay: what it is against, nominal tables (FILE, or VALVE=FILE), a table of profiles with its step, a
    plot, all details.
    """

    against: Against
    nominal: Sequence[str] = ()
    table: Path | None = None
    step_deg: float = 1.0
    plot: Path | None = None
    details: bool = False


def run(paths: Sequence[Path], asked: Asked, as_json: bool, *, force: bool = False) -> int:
    """Print the comparison; 0 for having made it. With a table of profiles one sweep will do."""
    if asked.nominal and asked.against != "nominal":
        raise UsageError("--nominal names a lift table that nothing is held against", do="Add --against nominal")
    jobs, sweeps = swept(paths)
    if asked.table is not None and sweeps:
        output_file.write(asked.table, profiles_csv(sweeps, asked.step_deg), force=force)
        say.person(f"{say.quoted(asked.table)} holds {len(sweeps)} profile{'s' if len(sweeps) > 1 else ''}")
        if len(sweeps) == 1 and asked.against != "nominal":
            return 0
    found = study(sweeps, asked.against, nominal_tables(asked.nominal, jobs) if asked.against == "nominal" else None)
    shown = {id(sweep) for each in found for line in each.lines for sweep in line.sweeps}
    for alone in (sweep for sweep in sweeps if id(sweep) not in shown):
        say.person(
            f"! {alone.capture} of {alone.job}, {alone.valve} at the {alone.at}, has nothing to be compared with and is left out"
        )
    units = jobs[0].measure.units
    if asked.plot is not None:
        from acquire.cli.chart_file import deliver_charts
        from analysis.report.profile_charts import overlay_charts

        deliver_charts(asked.plot, "Lobes compared", overlay_charts(found, units), force=force)
    if as_json:
        say.result_json(overlay_json(found))
    else:
        say.result(overlay_text(found, units, details=asked.details))
    return 0
