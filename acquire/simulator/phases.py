"""What a rig's board sends while a person works through the phases of degreeing a camshaft."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from acquire.simulator.board import Counters, Crank, Latched, Sent, frames, latch_times
from acquire.simulator.encoder import lose
from acquire.simulator.hand import Turning, onward, swing, to_and_fro
from acquire.simulator.rig import Rig
from acquire.simulator.train import Lift
from acquire.simulator.trajectory import Motion, Play
from acquire.wire import encode_hello, wrap_u32
from analysis.base.errors import UsageError
from analysis.base.samples import Board, Floats

PHASES = ("check", "stop", "travel", "past", "intake", "exhaust", "both", "backward")
REST = "rest"
REST_S = 1.0
VALVES = ("intake", "exhaust")
_SWEEPS = ("intake", "exhaust", "both")
_PISTON_TOP_MM = 20.0  # what an indicator on the piston shows at top, above its preload


def is_phase(text: str) -> bool:
    """Whether it is one of PHASES, or a sweep of another cylinder: "intake@180"."""
    phase, at, later = text.partition("@")
    return phase in (_SWEEPS if at else PHASES) and (not at or later.replace(".", "", 1).isdecimal())


@dataclass(frozen=True)
class State:
    """Where a rig stands between two phases.

    Seconds since the board's start, crank and driven angle, by how much the coupling has slipped, by how much the count is off
    (lost, or set to zero), sunk lifters (intake, exhaust), counts taken off each indicator by `zero`, the phases done, and
    by how much later than the first the cylinder opens on which the indicators stand.
    """

    time_s: float
    crank_deg: float
    driven_deg: float
    slipped_deg: float = 0.0
    off: int = 0
    sunk_mm: tuple[float, float] = (0.0, 0.0)
    zeros: tuple[int, ...] = ()
    phases: int = 0
    channels: tuple[str, ...] = ()
    counters: Counters = field(default_factory=Counters)
    later_deg: float = 0.0


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
    channels = ("unknown",) * len(rig.indicators)
    zeros = (0,) * len(rig.indicators)
    counters = Counters(seq=rig.board.start_seq)
    return State(0.0, rig.start_deg, rig.start_deg, zeros=zeros, channels=channels, counters=counters)


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


@dataclass(frozen=True, eq=False)
class Latching:
    """One phase as the board latched it, before anything is put on the line.

    `rows` between the instants `begin_s` and `end_s`; `motion` and `crank` as in `Recording`; `state` afterwards, but for the
    counters of the line, which are still those from before.
    """

    rows: Latched
    motion: Motion
    crank: Crank
    channels: tuple[str, ...]
    begin_s: float
    end_s: float
    state: State


def latch_phase(rig: Rig, phase: str, state: State) -> Latching:
    """What the board latches in one phase from a state on, as arrays. Raises UsageError for a phase there is not.

    REST is a phase too: a second in which nothing moves. "intake@180" is the intake of a cylinder whose TDC comes 180 degrees later.
    """
    phase, _, later = phase.partition("@")
    later_deg = state.later_deg if phase == REST else float(later or 0.0)
    rig = replace(rig, cam=replace(rig.cam, advance_deg=rig.cam.advance_deg - later_deg)) if later_deg else rig
    if phase not in (*PHASES, REST):
        raise UsageError(f"there is no phase {phase!r}", do=f"Choose of: {', '.join(PHASES)}.")
    # A stream of chance for each part, so that a change of one part leaves what chance does to the others alone.
    again = [round(state.time_s * 10)] if phase == REST else []
    seeds = ([rig.seed, state.phases, part, *again] for part in range(2 + len(rig.indicators)))
    hands, stops, *gauges = (np.random.default_rng(seed) for seed in seeds)
    channels = state.channels if phase == REST else rig.channels(phase)
    motion = _motion(rig, phase, state, hands, stops)
    drive = Play(motion, rig.train.slack_deg, state.driven_deg)
    crank, slipped, off = _encoder(rig, phase, state, motion)
    begin, end = float(motion.time[0]), float(motion.time[-1])
    time, beat = latch_times(rig.board, crank, begin, end)
    intake, exhaust = (
        Lift(rig.cam, rig.train, valve, "lobe", drive, sunk) for valve, sunk in zip(VALVES, state.sunk_mm, strict=True)
    )
    lifts = {"intake": intake, "exhaust": exhaust}
    felt = [_travel(rig, c, i.where, drive, lifts) for c, i in zip(channels, rig.indicators, strict=True)]
    read = [i.latched(time, f, (begin, end), rng) for i, f, rng in zip(rig.indicators, felt, gauges, strict=True)]
    lift, age, over = (np.stack(columns) for columns in zip(*read, strict=True))
    rows = Latched(time, beat, crank.at(time), age, lift - np.array(state.zeros)[:, None], over)
    after = replace(
        state,
        time_s=end,
        crank_deg=float(motion.angle[-1]),
        driven_deg=drive.end,
        slipped_deg=slipped,
        off=off,
        sunk_mm=(float(intake.sunk(end)), float(exhaust.sunk(end))),
        phases=state.phases + (phase != REST),
        channels=channels,
        later_deg=later_deg,
    )
    return Latching(rows, motion, crank, channels, begin, end, after)


def step_of(phase: str) -> str:
    """What a capture of a phase is a step of."""
    return phase if phase in ("stop", "travel") else "sweep"


def record_phase(rig: Rig, phase: str, state: State) -> Recording:
    """One phase from a state on, as lines on the wire. As `latch_phase`."""
    latched = latch_phase(rig, phase, state)
    counters = replace(state.counters, free_s=max(state.counters.free_s, latched.begin_s))
    hello = Sent(latched.begin_s, encode_hello(rig.hello, wrap_u32(counters.seq), rig.board.clock(latched.begin_s)))
    sent, counters = frames(rig.board, latched.crank, latched.rows, counters)
    after = replace(latched.state, counters=counters)
    return Recording(phase, step_of(phase), latched.channels, rig.hello, (hello, *sent), latched.motion, latched.crank, after)


def _motion(rig: Rig, phase: str, state: State, rng: np.random.Generator, stops: np.random.Generator) -> Motion:
    turning, work = Turning(rig.hand, state.crank_deg, state.time_s, rng), rig.work
    if phase == REST:
        rest = state.time_s + np.array([0.0, REST_S])
        return Motion(rest, np.full(2, state.crank_deg))
    if phase == "stop":
        below = 360.0 * np.floor(state.crank_deg / 360)
        before, after = rig.crank.contacts(rig.stop.depth_mm)
        scatter = rig.stop.gives(work.touches, stops)
        return swing(turning, below + after, below + 360 + before, work.touches, scatter)
    if phase == "travel":
        center = 360.0 * np.ceil((state.crank_deg + work.travel_deg + 10) / 360)
        return to_and_fro(turning, float(center), work.travel_deg, work.travel_times)
    degrees = {"check": work.check_deg, "past": work.past_deg, "backward": -360 * work.backward_turns}
    return onward(turning, degrees.get(phase, 360 * work.turns))


def _encoder(rig: Rig, phase: str, state: State, motion: Motion) -> tuple[Crank, float, int]:
    """The encoder's side of a motion; by how much it has slipped and the count is off afterwards."""
    encoder = rig.encoder if phase in _SWEEPS else replace(rig.encoder, slip_deg=0.0, lost=())
    shaft, slipped = encoder.shaft(motion, state.slipped_deg)
    (time, count), lost_at, amount, noticed = lose(encoder.edges(shaft), encoder.lost, shaft, encoder.direction)
    offset = rig.count_offset + state.off
    before = int(np.floor(encoder.reading(shaft.angle[0]))) + offset
    index_time, index_count = encoder.index_pulses(shaft) if encoder.index else (np.array([]), np.array([], dtype=np.int64))
    wrong = np.concatenate([[0], np.cumsum(amount)]).astype(np.int64)
    index_count = index_count + offset + wrong[np.searchsorted(lost_at, index_time, side="right")]
    return Crank(time, count + offset, before, index_time, index_count, noticed), slipped, state.off + int(wrong[-1])


def _travel(rig: Rig, channel: str, where: str, drive: Play, lifts: Mapping[str, Lift]) -> Callable[[Floats], Floats]:
    """What an indicator's plunger feels, mm over seconds."""
    if channel == "piston":
        return lambda time: _PISTON_TOP_MM - rig.crank.below_top(drive.motion.at(time))
    if channel == "unknown":
        return lambda time: np.zeros_like(time)
    return replace(lifts[channel], at=where)
