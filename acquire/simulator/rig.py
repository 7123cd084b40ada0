"""A whole rig: every part of it, and how much is done on it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from acquire.simulator.board import BenchBoard
from acquire.simulator.cam import Cam, Flank, LawLobe
from acquire.simulator.encoder import Encoder
from acquire.simulator.hand import Hand
from acquire.simulator.indicator import Indicator
from acquire.simulator.piston_stop import SliderCrank, Stop
from acquire.simulator.train import Train
from analysis.base.errors import UsageError
from analysis.base.samples import Board


@dataclass(frozen=True)
class Work:
    """How much is done in a phase.

    Degrees turned to look the rig over (check), and past the place of a stop that was taken out (past); touches of the stop a side;
    sweeps over TDC and their reach; crank turns of a valve sweep and of turning backward; and the
    seconds between two phases.
    """

    check_deg: float = 480.0
    past_deg: float = 240.0
    touches: int = 4
    travel_times: int = 4
    travel_deg: float = 40.0
    turns: float = 7.0
    backward_turns: float = 2.5
    between_s: float = 12.0


def _usual_cam() -> Cam:
    flank = Flank("4-5-6-7", 66.0, ramp_mm=0.06, ramp_deg=10.0)
    return Cam(LawLobe(7.6, flank, flank), LawLobe(7.4, flank, flank))


@dataclass(frozen=True)
class Rig:
    """Every part of a rig. The defaults are a good, clean one: 0.15 deg encoder with index, 0.01 mm indicator, tight drive.

    One of `indicators` a channel, at most two. `start_deg` is where the crank stands when the board starts, degrees from overlap TDC;
    `start_deg` and `seed` and nothing else decide what chance does.
    """

    cam: Cam = field(default_factory=_usual_cam)
    train: Train = field(default_factory=Train)
    hand: Hand = field(default_factory=Hand)
    encoder: Encoder = field(default_factory=Encoder)
    indicators: tuple[Indicator, ...] = (Indicator(),)
    crank: SliderCrank = field(default_factory=SliderCrank)
    stop: Stop = field(default_factory=Stop)
    board: BenchBoard = field(default_factory=BenchBoard)
    work: Work = field(default_factory=Work)
    start_deg: float = -150.0
    seed: int = 1

    def __post_init__(self) -> None:
        if not 1 <= len(self.indicators) <= 2:
            raise UsageError(f"a rig has one or two indicators, not {len(self.indicators)}", do="Give one for each channel.")
        if self.seed < 0:
            raise UsageError(f"{self.seed} is no seed", do="Give a whole number from 0 up.")

    @property
    def hello(self) -> Board:
        """What the board says of itself."""
        steps, units = tuple(i.step_mm for i in self.indicators), tuple(i.unit for i in self.indicators)
        b, e = self.board, self.encoder
        return Board(e.cpr, e.index, b.latch, steps, units, b.name, b.boot, b.most_per_s, version="1.1")

    @property
    def count_offset(self) -> int:
        """The board's count is the floor of the encoder's reading plus this."""
        return self.board.start_count - int(np.floor(self.encoder.reading(self.start_deg)))

    def channels(self, phase: str) -> tuple[str, ...]:
        """What each indicator stands on in a phase: "intake", "exhaust", "piston" or "unknown" (on nothing)."""
        if phase in ("stop", "travel", "past"):
            return ("piston" if phase == "travel" else "unknown", "unknown")[: len(self.indicators)]
        if len(self.indicators) == 2:
            return "intake", "exhaust"
        return ("exhaust" if phase == "exhaust" else "intake",)
