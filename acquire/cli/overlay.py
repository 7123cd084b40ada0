"""`lobetrace overlay`: the profiles of several sweeps laid over each other, and their tables."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from acquire.cli import output_file, say
from analysis.base.samples import Capture
from analysis.capture import load
from analysis.decision.sweep_by_sweep import each_sweep, laid_over
from analysis.job import load_job
from analysis.job.folder import captures_in
from analysis.report.profiles import overlay_json, overlay_text, profiles_csv


def run(
    job_path: Path, captures: Sequence[Path], table: Path | None, step_deg: float, as_json: bool, *, force: bool = False
) -> int:
    """Print every overlay; 0 if all are alike, else 1. With `table` the profiles are written as well; that will do with one sweep."""
    job = load_job(job_path)
    sweeps, refused = each_sweep(job, _with_tdc(job_path, [load(file) for file in captures or captures_in(job_path)]))
    for error in refused:
        say.person(f"! {error}")
    if table is not None and sweeps:
        output_file.write(table, profiles_csv(sweeps, step_deg), force=force)
        say.person(f"{say.quoted(table)} holds {len(sweeps)} profile{'s' if len(sweeps) > 1 else ''}")
        if len(sweeps) == 1:
            return 0
    pairs = laid_over(sweeps)
    if as_json:
        say.result_json(overlay_json(pairs))
    else:
        say.result(overlay_text(pairs, job))
    return 0 if all(pair.overlay.kind == "alike" for pair in pairs) else 1


def _with_tdc(job_path: Path, captures: list[Capture]) -> list[Capture]:
    """The captures, and those of the job that tell TDC if none of them does."""
    if any(c.header.step != "sweep" for c in captures):
        return captures
    others = [load(file) for file in captures_in(job_path)]
    return [*(c for c in others if c.header.step != "sweep"), *captures]
