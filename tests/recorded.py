"""Jobs for tests: a simulated rig worked through without a port, into captures in memory or into a job's folder on disk."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from acquire.record.recorder import Recorder
from acquire.simulator.phases import Recording, record
from acquire.simulator.rig import Rig
from acquire.wire import Decoder
from analysis.base.samples import Capture, Header
from tests.tape import Tape

PHASES = ("stop", "intake", "exhaust")


def captures(rig: Rig, phases: Sequence[str] = PHASES) -> list[Capture]:
    """What each phase comes to, as a capture would be read back."""
    found = []
    for done in record(rig, phases):
        tape = Tape(_header(done))
        tape.add(Decoder().feed(done.data))
        found.append(replace(tape.capture(), path=f"{done.phase}-01.csv"))
    return found


def job_folder(folder: Path, job_text: str, rig: Rig, phases: Sequence[str] = PHASES) -> Path:
    """A job recorded in `folder`: job.toml and a capture of each phase, numbered on from those there are."""
    (folder / "captures").mkdir(parents=True, exist_ok=True)
    (folder / "job.toml").write_text(job_text, encoding="utf-8")
    for done in record(rig, phases):
        number = len(list((folder / "captures").glob(f"{done.phase}-*.csv"))) + 1
        with Recorder(folder / "captures" / f"{done.phase}-{number:02d}.csv", _header(done)) as recorder:
            recorder.add(Decoder().feed(done.data))
    return folder


def _header(done: Recording) -> Header:
    return Header(board=done.board, step=done.step, cylinder=1, channels=done.channels, link="simulated")
