"""`lobetrace new`: a job's folder."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from acquire.cli import say
from analysis.job.folder import CAPTURES, make_job
from analysis.job.template import template


def run(folder: Path, units: Literal["mm", "in"], as_json: bool) -> None:
    """Make it and say where it is."""
    file = make_job(folder, template(units))
    if as_json:
        say.result_json({"job": str(file), "captures": str(folder / CAPTURES)})
    else:
        say.result(
            f"{file} is written, every line explained. Put in your engine, rig and port, then: lobetrace live {say.quoted(folder)}"
        )
