"""Jobs for tests: a simulated rig worked through without a port, into captures in memory or into a job's folder on disk.

What a rig does is the same every time, so it is simulated once: a phase is kept for all tests that begin with the same ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache, lru_cache
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from acquire.cli.demo_job import job_text
from acquire.record.recorder import Recorder
from acquire.simulator.board import BenchBoard
from acquire.simulator.phases import Latching, Recording, State, latch_phase, record_phase, start, step_of
from acquire.simulator.rig import Rig
from acquire.simulator.scenarios import Scenario
from acquire.simulator.truth import CHECKING, Truth, truth
from acquire.wire import Decoder, Event, Heartbeat, Hello, Index, Sample
from analysis.base.samples import STILL, Board, Capture, Floats, Header, Identity, IndexPulses, Ints, Samples
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
    return record_phase(rig, phases[-1], _before(rig, phases))


@lru_cache(maxsize=128)
def _capture(rig: Rig, phases: tuple[str, ...]) -> Capture:
    undisturbed = latched_of(rig, phases)
    capture = over_the_line(rig, phases) if undisturbed is None else undisturbed[0]
    for column in (*vars(capture.samples).values(), *vars(capture.index).values()):
        column.flags.writeable = False
    return capture


def over_the_line(rig: Rig, phases: tuple[str, ...]) -> Capture:
    """The last phase as it came over the wire."""
    done = last_of(rig, phases)
    tape = Tape(_header(done.board, done.step, done.channels))
    tape.add(Decoder().feed(done.data))
    return replace(tape.capture(), path=f"{done.phase}-01.csv")


@lru_cache(maxsize=128)
def latched_of(rig: Rig, phases: tuple[str, ...]) -> tuple[Capture, State] | None:
    """The last phase as the board latched it, with the state behind it: the same capture in a sixth of the time. None where board or
    line would have something to say of their own.
    """
    if phases[:-1] and latched_of(rig, phases[:-1]) is None:
        return None
    if (quiet := quietly(rig, phases[-1], _before(rig, phases))) is None:
        return None
    latched, seq, time_us, after = quiet
    rows, pulses = latched.rows, latched.crank.index_count
    samples = Samples(
        seq=seq[: rows.time.size],
        time_us=time_us[: rows.time.size],
        crank=rows.crank,
        flags=np.where(rows.beat, STILL, 0),
        origin=np.zeros(rows.time.size, np.int64),
        age_us=np.rint(rows.age * 1e6).astype(np.int64),
        lift=rows.lift.astype(np.int64),
    )
    capture = Capture(
        header=_header(rig.hello, step_of(phases[-1]), latched.channels),
        samples=samples,
        index=IndexPulses(time_us[rows.time.size :], pulses, np.zeros(pulses.size, np.int64)),
        faults=(),
        gaps=(),
        marks=(),
        complete=True,
        missing=(),
        sha256="",
        path=f"{phases[-1]}-01.csv",
    )
    return capture, after


def quietly(rig: Rig, phase: str, state: State) -> tuple[Latching, Ints, Ints, State] | None:
    """A phase as the board latched it, number and time in microseconds of each row and then of each index pulse, and the state behind
    it. None where board or line would have something to say of their own.
    """
    latched = latch_phase(rig, phase, state)
    rows = latched.rows
    times = np.concatenate((rows.time, latched.crank.index_time))
    order = np.lexsort((np.arange(times.size) >= rows.time.size, times))
    if not _undisturbed(rig.board, latched, times[order]):
        return None
    seq = np.empty(times.size, np.int64)
    seq[order] = state.counters.seq + np.arange(times.size)
    time_us = rig.board.start_time_us + np.rint(times * 1e6).astype(np.int64)
    return latched, seq, time_us, replace(latched.state, counters=replace(state.counters, seq=state.counters.seq + times.size))


def _undisturbed(board: BenchBoard, latched: Latching, times: Floats) -> bool:
    """Whether no counter runs over, no count was lost, no indicator was silent or overdriven, and the line carries every frame.
    `times` of all frames, in order.
    """
    rows, per_byte = latched.rows, board.byte_s
    longest_s = (28 + 16 * len(latched.channels)) * per_byte  # of any sample's line
    each = longest_s * np.arange(times.size)
    waiting_s = np.maximum.accumulate(times - each) + each - times
    said = latched.crank.noticed.size or rows.over.any() or rows.age.max() > 1.0 or (board.start_seq, board.start_count) != (0, 0)
    return not said and waiting_s.max() + longest_s <= board.buffer_bytes * per_byte


def events_of(rig: Rig, phase: str, state: State) -> tuple[State, Hello, tuple[Event, ...]]:
    """One phase from a state on: the state afterwards, the hello before it, its events. Where board and line have nothing to say of
    their own, the bytes are left out: they cost two thirds of it.
    """
    if (quiet := quietly(rig, phase, state)) is None:
        done = record_phase(rig, phase, state)
        hello, *events = Decoder().feed(done.data)
        assert isinstance(hello, Hello)
        return done.state, hello, tuple(events)
    latched, seq, time_us, after = quiet
    rows = latched.rows
    number, us = seq.tolist(), (time_us % (1 << 32)).tolist()  # the board's clock runs over after 72 minutes
    age_us, lift = np.rint(rows.age * 1e6).astype(np.int64).T.tolist(), rows.lift.astype(np.int64).T.tolist()
    columns = zip(rows.beat.tolist(), number, us, rows.crank.tolist(), age_us, lift, strict=False)
    events = [(Heartbeat if beat else Sample)(n, t, c, 0, tuple(a), tuple(v)) for beat, n, t, c, a, v in columns]
    events += map(Index, number[len(events) :], us[len(events) :], latched.crank.index_count.tolist())
    return after, Hello(rig.hello, state.counters.seq, rig.board.clock(latched.begin_s)), tuple(sorted(events))


def recorded(path: Path, rig: Rig, phases: tuple[str, ...], header: Header) -> None:
    """Write the last of some phases, worked through one after the other, into a capture file."""
    _, hello, events = events_of(rig, phases[-1], _before(rig, phases))
    with Recorder(path, header) as recorder:
        recorder.add((hello, *events))


def _before(rig: Rig, phases: tuple[str, ...]) -> State:
    """The state in which the last of some phases begins."""
    if not phases[:-1]:
        return start(rig)
    latched = latched_of(rig, phases[:-1])
    before = last_of(rig, phases[:-1]).state if latched is None else latched[1]
    return replace(before, time_s=before.time_s + rig.work.between_s)


@lru_cache(maxsize=64)
def _file(rig: Rig, phases: tuple[str, ...], told: tuple[tuple[str, str], ...]) -> bytes:
    phase = phases[-1].partition("@")[0]
    with TemporaryDirectory() as folder:
        path = Path(folder) / "capture.csv"
        recorded(path, rig, phases, _header(rig.hello, step_of(phase), rig.channels(phase), **dict(told)))
        return path.read_bytes()


def _header(board: Board, step: str, channels: tuple[str, ...], **told: str) -> Header:
    identity = Identity(**{name: text for name, text in told.items() if hasattr(Identity, name)})
    told = {"link": "simulated", **{name: text for name, text in told.items() if not hasattr(Identity, name)}}
    return Header(board=board, step=step, cylinder=1, channels=channels, identity=identity, **told)
