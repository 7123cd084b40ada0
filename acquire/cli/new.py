"""`lobetrace new`: a job's folder, set up in a form where there is a terminal, else as a template to fill in."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

from acquire.cli import say
from analysis.job import FILE_NAME, Job, entry, load_job
from analysis.job.folder import CAPTURES, make_job, refuse_where_none_can_be_made
from analysis.job.template import Units, template
from analysis.job.write import written_job


def run(folder: Path, units: Units | None, like_path: Path | None, *, plain: bool, as_json: bool, light: bool) -> None:
    """Make it and say where it is. `units`: None takes those of the job that is copied, else millimetres."""
    like = None if like_path is None else load_job(like_path)
    units = units or ("mm" if like is None else like.measure.units)
    if not plain and not as_json and say.at_a_terminal():
        refuse_where_none_can_be_made(folder)
        from acquire.dashboard.launch import set_up

        saved = set_up(folder, units, like, light=light)
        if saved is None:
            say.person("Left without saving. Nothing was written.")
        else:
            say.result(f"{saved / FILE_NAME} is written. Go on with: lobetrace live {say.quoted(saved)}")
        return
    file = make_job(folder, template(units) if like is None else written_job(_copy(like, units)))
    if as_json:
        job = load_job(file)
        told = {"job": str(file), "captures": str(folder / CAPTURES)}
        say.result_json({**told, "engine": job.engine.name, "identity": asdict(job.identity)}, "new")
    else:
        put_in = "Put in your engine, rig and port" if like is None else "Engine, rig and cam card are copied: look through them"
        say.result(f"{file} is written, every line explained. {put_in}, then: lobetrace live {say.quoted(folder)}")


def _copy(like: Job, units: Units) -> Job:
    """The job as the form would copy it."""
    made = entry.judged(*entry.like(like, units)).job
    if made is None:  # a valid job's own values are valid
        raise AssertionError("a job that is valid could not be copied")
    return made
