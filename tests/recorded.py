"""Jobs for tests: a simulated rig worked through without a port, into captures in memory or into a job's folder on disk.

What a rig does is the same every time, so it is simulated once: a phase is kept for all tests that begin with the same ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache, lru_cache
from pathlib import Path
from tempfile import TemporaryDirectory

from acquire.cli.demo_job import job_text
from acquire.record.recorder import Recorder
from acquire.simulator.phases import Recording, record_phase, start
from acquire.simulator.rig import Rig
from acquire.simulator.scenarios import Scenario
from acquire.simulator.truth import CHECKING, Truth, truth
from acquire.wire import Decoder
from analysis.base.samples import Capture, Header, Identity
from tests.tape import Tape

PHASES = ("stop", "intake", "exhaust")


def captures(rig: Rig, phases: Sequence[str] = PHASES) -> list[Capture]:
    """What each phase comes to, as a capture would be read back. Its arrays are shared, and cannot be written to."""
    phases = tuple(phases)
    return [_capture(rig, phases[: k + 1]) for k in range(len(phases))]


def job_folder(folder: Path, job_text: str, rig: Rig, phases: Sequence[str] = PHASES, **told: str) -> Path:
    """A job recorded in `folder`: job.toml and a capture of each phase, numbered on from those there are. `told`: what the headers
    say, by the names of Header and Identity.
    """
    (folder / "captures").mkdir(parents=True, exist_ok=True)
    (folder / "job.toml").write_text(job_text, encoding="utf-8")
    phases = tuple(phases)
    for k, phase in enumerate(phases, start=1):
        number = len(list((folder / "captures").glob(f"{phase}-*.csv"))) + 1
        (folder / "captures" / f"{phase}-{number:02d}.csv").write_bytes(_file(rig, phases[:k], tuple(told.items())))
    return folder


@cache
def truth_of(rig: Rig, checking: tuple[tuple[float, str], ...] = CHECKING) -> Truth:
    """The truth of a rig."""
    return truth(rig, checking)


@cache
def demo_job(scenario: Scenario) -> str:
    """The job.toml of a scenario, as `lobetrace simulate` and the demo write it."""
    return job_text(scenario, truth_of(scenario.rig))


@lru_cache(maxsize=32)
def last_of(rig: Rig, phases: tuple[str, ...]) -> Recording:
    """What the last of some phases came to, worked through one after the other."""
    state = start(rig)
    if phases[:-1]:
        before = last_of(rig, phases[:-1]).state
        state = replace(before, time_s=before.time_s + rig.work.between_s)
    return record_phase(rig, phases[-1], state)


@lru_cache(maxsize=128)
def _capture(rig: Rig, phases: tuple[str, ...]) -> Capture:
    done = last_of(rig, phases)
    tape = Tape(_header(done))
    tape.add(Decoder().feed(done.data))
    capture = replace(tape.capture(), path=f"{done.phase}-01.csv")
    for column in (*vars(capture.samples).values(), *vars(capture.index).values()):
        column.flags.writeable = False
    return capture


@lru_cache(maxsize=64)
def _file(rig: Rig, phases: tuple[str, ...], told: tuple[tuple[str, str], ...]) -> bytes:
    done = last_of(rig, phases)
    with TemporaryDirectory() as folder:
        path = Path(folder) / "capture.csv"
        with Recorder(path, _header(done, **dict(told))) as recorder:
            recorder.add(Decoder().feed(done.data))
        return path.read_bytes()


def _header(done: Recording, **told: str) -> Header:
    identity = Identity(**{name: text for name, text in told.items() if hasattr(Identity, name)})
    told = {"link": "simulated", **{name: text for name, text in told.items() if not hasattr(Identity, name)}}
    return Header(board=done.board, step=done.step, cylinder=1, channels=done.channels, identity=identity, **told)
