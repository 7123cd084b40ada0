"""A whole rig, and what its board sends while a person works through the phases of degreeing a camshaft."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from acquire.simulator.board import BenchBoard, Counters, Crank, Latched, Sent, frames, latch_times
from acquire.simulator.cam import Cam, Flank, LawLobe
from acquire.simulator.encoder import Encoder, lose
from acquire.simulator.hand import Hand, Turning, onward, swing, to_and_fro
from acquire.simulator.indicator import Indicator
from acquire.simulator.motion import Motion, Play
from acquire.simulator.stop import SliderCrank, Stop
from acquire.simulator.train import Lift, Train
from acquire.wire import encode_hello, wrap_u32
from analysis.errors import UsageError
from analysis.samples import Board, Floats

PHASES = ("stop", "travel", "intake", "exhaust", "both", "backward")
_SWEEPS = ("intake", "exhaust", "both")
_PISTON_TOP_MM = 20.0  # what an indicator on the piston shows at top, above its preload


@dataclass(frozen=True)
class Work:
    """How much is done in a phase: touches of the stop a side, sweeps over TDC and their reach, crank turns of a valve sweep and of
    turning backward, and seconds between two phases."""

    touches: int = 4
    travel_times: int = 4
    travel_deg: float = 40.0
    turns: float = 7.0
    backward_turns: float = 2.5
    between_s: float = 12.0


def _usual_cam() -> Cam:
    flank = Flank("4-5-6-7", 66.0, ramp_mm=0.10, ramp_deg=14.0)
    return Cam(LawLobe(7.6, flank, flank), LawLobe(7.4, flank, flank))


@dataclass(frozen=True)
class Rig:
    """Every part of a rig. The defaults are a good, clean one: 0.15 deg encoder with index, 0.01 mm indicator, tight drive.

    One `indicator` a channel, at most two. `start_deg` is where the crank stands when the board starts, degrees from overlap TDC;
    `start_deg` and `seed` and nothing else decide what chance does.
    """

    cam: Cam = field(default_factory=_usual_cam)
    train: Train = Train()
    hand: Hand = Hand()
    encoder: Encoder = Encoder()
    indicators: tuple[Indicator, ...] = (Indicator(),)
    crank: SliderCrank = SliderCrank()
    stop: Stop = Stop()
    board: BenchBoard = BenchBoard()
    work: Work = Work()
    start_deg: float = -150.0
    seed: int = 1

    @property
    def hello(self) -> Board:
        """What the board says of itself."""
        steps, units = tuple(i.step_mm for i in self.indicators), tuple(i.unit for i in self.indicators)
        b, e = self.board, self.encoder
        return Board(e.cpr, e.index, b.latch, steps, units, b.name, b.boot, b.per_s)

    @property
    def count_offset(self) -> int:
        """The board's count is the floor of the encoder's reading plus this."""
        return self.board.start_count - int(np.floor(self.encoder.reading(self.start_deg)))

    def channels(self, phase: str) -> tuple[str, ...]:
        """What each indicator stands on in a phase: "intake", "exhaust", "piston" or "unknown" (on nothing)."""
        if phase in ("stop", "travel"):
            return ("piston" if phase == "travel" else "unknown", "unknown")[: len(self.indicators)]
        if len(self.indicators) == 2:
            return "intake", "exhaust"
        return ("exhaust" if phase == "exhaust" else "intake",)


@dataclass(frozen=True)
class State:
    """Where a rig stands between two phases: seconds since the board's start, crank and driven angle, encoder slip, count wrong by, counters."""

    time_s: float
    crank_deg: float
    driven_deg: float
    slipped_deg: float
    wrong: int
    phases: int
    counters: Counters


@dataclass(frozen=True, eq=False)
class Recording:
    """One phase. `sent`: all lines with the instants they left, first the hello. `step` is the capture's step.

    `motion` and `crank` are what really happened, for tests; `state` is where the rig stands afterwards.
    """

    phase: str
    step: str
    channels: tuple[str, ...]
    board: Board
    sent: tuple[Sent, ...]
    motion: Motion
    crank: Crank
    state: State

    @property
    def data(self) -> bytes:
        """Every byte on the wire."""
        return b"".join(s.line for s in self.sent)


def start(rig: Rig) -> State:
    """The rig as its board starts."""
    return State(0.0, rig.start_deg, rig.start_deg, 0.0, 0, 0, Counters(seq=rig.board.start_seq))


def record(rig: Rig, phases: str | Iterable[str]) -> tuple[Recording, ...]:
    """Work through the phases (of PHASES) as fast as the machine can, counts going on from one to the next. No port, no clock.

    The same rig gives the same bytes. Raises UsageError for a phase there is not.
    """
    return tuple(recordings(rig, phases))


def recordings(rig: Rig, phases: str | Iterable[str]) -> Iterator[Recording]:
    """`record`, one phase at a time."""
    state = start(rig)
    for phase in (phases,) if isinstance(phases, str) else phases:
        done = record_phase(rig, phase, state)
        yield done
        state = replace(done.state, time_s=done.state.time_s + rig.work.between_s)


def record_phase(rig: Rig, phase: str, state: State) -> Recording:
    """One phase from a state on."""
    if phase not in PHASES:
        raise UsageError(f"there is no phase {phase!r}", do=f"Choose of: {', '.join(PHASES)}.")
    # A stream of chance for each part, so that a change of one part leaves what chance does to the others alone.
    hands, stops, *gauges = (np.random.default_rng([rig.seed, state.phases, part]) for part in range(2 + len(rig.indicators)))
    motion = _motion(rig, phase, state, hands, stops)
    drive = Play(motion, rig.train.slack_deg, state.driven_deg)
    crank, slipped, wrong = _encoder(rig, phase, state, motion)
    begin, end = float(motion.time[0]), float(motion.time[-1])
    time, beat = latch_times(rig.board, crank, begin, end)
    felt = [_travel(rig, c, indicator, drive) for c, indicator in zip(rig.channels(phase), rig.indicators, strict=True)]
    read = [i.latched(time, f, (begin, end), rng) for i, f, rng in zip(rig.indicators, felt, gauges, strict=True)]
    lift, age, over = (np.stack(columns) for columns in zip(*read, strict=True))
    counters = replace(state.counters, free_s=max(state.counters.free_s, begin))
    hello = Sent(begin, encode_hello(rig.hello, wrap_u32(counters.seq), rig.board.clock(begin)))
    sent, counters = frames(rig.board, crank, Latched(time, beat, crank.at(time), age, lift, over), counters)
    after = State(end, float(motion.angle[-1]), drive.end, slipped, wrong, state.phases + 1, counters)
    step = phase if phase in ("stop", "travel") else "sweep"
    return Recording(phase, step, rig.channels(phase), rig.hello, (hello, *sent), motion, crank, after)


def _motion(rig: Rig, phase: str, state: State, rng: np.random.Generator, stops: np.random.Generator) -> Motion:
    turning, work = Turning(rig.hand, state.crank_deg, state.time_s, rng), rig.work
    if phase == "stop":
        below = 360.0 * np.floor(state.crank_deg / 360)
        before, after = rig.crank.contacts(rig.stop.depth_mm)
        scatter = rig.stop.gives(work.touches, stops)
        return swing(turning, below + after, below + 360 + before, work.touches, scatter)
    if phase == "travel":
        center = 360.0 * np.ceil((state.crank_deg + work.travel_deg + 10) / 360)
        return to_and_fro(turning, float(center), work.travel_deg, work.travel_times)
    return onward(turning, -360 * work.backward_turns if phase == "backward" else 360 * work.turns)


def _encoder(rig: Rig, phase: str, state: State, motion: Motion) -> tuple[Crank, float, int]:
    """The encoder's side of a motion; by how much it has slipped and how wrong the count is afterwards."""
    encoder = rig.encoder if phase in _SWEEPS else replace(rig.encoder, slip_deg=0.0, lost=())
    shaft, slipped = encoder.shaft(motion, state.slipped_deg)
    (time, count), lost_at, amount, noticed = lose(encoder.edges(shaft), encoder.lost, shaft, encoder.direction)
    offset = rig.count_offset + state.wrong
    before = int(np.floor(encoder.reading(shaft.angle[0]))) + offset
    index_time, index_count = encoder.index_pulses(shaft) if encoder.index else (np.array([]), np.array([], dtype=np.int64))
    wrong = np.concatenate([[0], np.cumsum(amount)]).astype(np.int64)
    index_count = index_count + offset + wrong[np.searchsorted(lost_at, index_time, side="right")]
    return Crank(time, count + offset, before, index_time, index_count, noticed), slipped, state.wrong + int(wrong[-1])


def _travel(rig: Rig, channel: str, indicator: Indicator, drive: Play) -> Callable[[Floats], Floats]:
    """What an indicator's plunger feels, mm over seconds."""
    if channel == "piston":
        return lambda time: _PISTON_TOP_MM - rig.crank.below_top(drive.motion.at(time))
    if channel == "unknown":
        return lambda time: np.zeros_like(time)
    return Lift(rig.cam, rig.train, channel, indicator.where, drive)
