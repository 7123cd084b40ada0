"""A six-cylinder engine for tests: cylinders swept one after another with TDC carried over from the first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

from acquire.cli.demo_job import job_text
from acquire.record.recorder import next_path
from acquire.simulator.rig import Rig
from acquire.simulator.scenarios import Scenario
from analysis.base.samples import Capture
from analysis.job import Job
from tests.cards import card_of
from tests.recorded import PHASES, captures, recorded, truth_of
from tests.rigs import SHORT, job_for

ORDER = (1, 5, 3, 6, 2, 4)  # the usual firing order of an in-line six (common practice)


def job_of_six(**tables: Any) -> Job:
    """The job, with the card of the camshaft as it was ordered."""
    engine = {"cylinders": 6, "firing_order": list(ORDER)}
    return job_for(SHORT, engine=engine, specification=card_of(SHORT), **tables)


def with_intake_late(deg: float) -> Rig:
    """The short rig with its intake lobe so many crank degrees late, and its exhaust where it was."""
    cam = SHORT.cam
    return replace(SHORT, cam=replace(cam, separation_deg=cam.separation_deg + deg / 2, advance_deg=cam.advance_deg - deg / 2))


def _rig(cylinder: int, late_deg: float, intake_late_deg: float) -> Rig:
    rig = with_intake_late(intake_late_deg)
    after = 720.0 / len(ORDER) * ORDER.index(cylinder) + late_deg
    return replace(rig, cam=replace(rig.cam, advance_deg=rig.cam.advance_deg - after))


@cache
def swept(cylinder: int, late_deg: float = 0.0, intake_late_deg: float = 0.0) -> tuple[Capture, ...]:
    """The stop, found on the first cylinder, and both sweeps of a cylinder, which opens as its place in the firing order says.

    Its lobes stand `late_deg` late, its intake `intake_late_deg` more.
    """
    stop, *sweeps = captures(_rig(cylinder, late_deg, intake_late_deg))
    mine = [replace(c, header=replace(c.header, cylinder=cylinder), path=f"{cylinder}-{c.path}") for c in sweeps]
    return (stop, *mine)


def engine_of(cylinders: Sequence[int], **late_of: float) -> list[Capture]:
    """Captures of some cylinders, with one stop. `late_of`: "c5" or "c5_intake" by its crank degrees."""
    found: list[Capture] = []
    for cylinder in cylinders:
        each = swept(cylinder, late_of.get(f"c{cylinder}", 0.0), late_of.get(f"c{cylinder}_intake", 0.0))
        found += each[1:] if found else each
    return found


def folder_of_six(folder: Path, cylinders: Sequence[int], **late_of: float) -> Path:
    """The same as a job's folder."""
    text = job_text(Scenario("six", "", SHORT), truth_of(SHORT))
    text = text.replace("cylinders = 4", "cylinders = 6").replace("firing_order = [1, 3, 4, 2]", f"firing_order = {list(ORDER)}")
    (folder / "captures").mkdir(parents=True)
    (folder / "job.toml").write_text(text, encoding="utf-8")
    taken = engine_of(cylinders, **late_of)
    for capture in taken:
        cylinder = capture.header.cylinder
        rig = _rig(cylinder, late_of.get(f"c{cylinder}", 0.0), late_of.get(f"c{cylinder}_intake", 0.0))
        phase = next(phase for phase in PHASES if phase in capture.path)
        recorded(next_path(folder / "captures", capture.header), rig, PHASES[: PHASES.index(phase) + 1], capture.header)
    return folder
