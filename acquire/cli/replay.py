"""`lobetrace replay`: a recorded capture on the live screen."""

from __future__ import annotations

from pathlib import Path

from acquire.cli.second_screen import opened
from acquire.procedure.setup import tdc_captures
from analysis.base.errors import UsageError
from analysis.capture import load
from analysis.job import FILE_NAME, load_job
from analysis.job.folder import folder_of


def run(
    capture_path: Path, job_path: Path | None, speed: float, *, screen: str = "", light: bool = False, bell: bool = True
) -> None:
    """Play a capture again. Its job is the folder that it lies in, unless another is named. `screen`: where the second screen
    listens, empty for none.
    """
    from acquire.dashboard import launch  # only where the screen is really shown: Textual needs a terminal

    capture = load(capture_path)
    folder = folder_of(job_path) if job_path is not None else _home(capture_path)
    job = load_job(job_path if job_path is not None else folder)
    found_by = tdc_captures(folder) if capture.header.step == "sweep" else []
    launch.play(job, capture, found_by, speed, launch.Look(light=light, bell=bell, second=opened(screen)))


def _home(capture_path: Path) -> Path:
    for folder in list(capture_path.resolve().parents)[:3]:
        if (folder / FILE_NAME).exists():
            return folder
    raise UsageError("this capture does not lie in a job's folder", where=str(capture_path), do="Name its job with --job")
