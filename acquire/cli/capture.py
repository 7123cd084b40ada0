"""`lobetrace capture`: one recording from a board into a job, closed cleanly however it ends."""

from __future__ import annotations

import asyncio
import sys
import time
from pathlib import Path

from acquire.cli import say
from acquire.cli.progress import End, Progress
from acquire.cli.recording import Recording, Wanted
from acquire.cli.status_line import LiveLine
from acquire.cli.until_told import until_told
from analysis.base.errors import LobetraceError, UsageError
from analysis.base.safety import STOP, cautions
from analysis.job import Job, load_job
from analysis.job.folder import CAPTURES, folder_of


def run(job_path: Path, wanted: Wanted, port: str, end: End, note: str, as_json: bool) -> None:
    """Show the cautions, record, and say what it came to."""
    job = load_job(job_path)
    _fitting(end, wanted.step)
    for caution in cautions(wanted.step):
        say.person(f"! {caution}")
    if end == End():
        say.person("Ctrl-C ends the recording.")
    path, progress = capture(folder_of(job_path), job, wanted, port, end, note)
    if wanted.step == "stop":
        say.person(f"! {STOP[-1]}")
    if as_json:
        say.result_json({"capture": str(path), **_numbers(progress)})
    else:
        did = f"{progress.contacts} contacts" if wanted.step == "stop" else f"{progress.passes:.2f} turns of the camshaft"
        say.result(f"{path}: {progress.rows} rows, {progress.lost} frames lost, {did}")


def _fitting(end: End, step: str) -> None:
    """UsageError for a limit that a recording of this step never reaches: it would go on for ever."""
    limits = (("--touches", end.touches, step == "stop", "stop"), ("--passes", end.passes, step != "stop", "sweep"))
    for option, value, fits, other in limits:
        if value is not None and not fits:
            raise UsageError(f"{option} has no meaning with --step {step}", do=f"Leave it out, or take --step {other}")


def capture(folder: Path, job: Job, wanted: Wanted, port: str, end: End, note: str = "") -> tuple[Path, Progress]:
    """Record one capture into the job at `folder` until `end`, Ctrl-C or SIGTERM; its path, and what it came to.

    Shows one live line meanwhile. `port` is the job's if empty. Raises UsageError if there is none,
    LinkError or DeviceError if no board is there or it is lost for good; the capture is closed then as far as it went.
    """
    url = port or job.rig.port
    if not url:
        raise UsageError("no port is given", where=str(folder), do="Add --port, or put it into [rig]; lobetrace ports lists them")
    live = LiveLine(sys.stderr, time.monotonic)
    recording = Recording(folder / CAPTURES, job, wanted, url, end, note, live)
    try:
        asyncio.run(until_told(recording.read()))
    except LobetraceError:
        live.end()
        if recording.path:
            say.person(f"{recording.path} holds the {recording.progress.rows} rows that came until then.")
        raise
    finally:
        live.end()
    if recording.path is None:
        raise UsageError("ended before a board had answered: nothing was recorded", where=url, do="Wait for the live line")
    return recording.path, recording.progress


def _numbers(progress: Progress) -> dict[str, int | float]:
    return {
        "rows": progress.rows,
        "lost": progress.lost,
        "refused_bytes": progress.refused,
        "reconnects": progress.reconnects,
        "covered": round(progress.covered, 4),
        "turned_deg": round(progress.turned_deg, 3),
        "contacts": progress.contacts,
    }
