"""A valve sweep while it goes on: crank, lift, coverage and trace, each block at its own cost."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.base.samples import Capture, Header, IndexPulses, Ints, Samples
from analysis.job import Rig
from analysis.live.buffer import KEPT_ROWS, Rows
from analysis.live.direction import Crank, Turning
from analysis.live.profile import Profile, Trace


@dataclass(frozen=True)
class Progress:
    """Where a sweep stands. `lift_mm` as the indicators read, by channel, growing as the valve opens; `trace` by channel.

    `forward_deg`: crank degrees turned with the slack taken up.
    """

    crank: Crank
    lift_mm: tuple[float, ...]
    trace: tuple[Trace, ...]
    forward_deg: float
    rows: int


class LiveSweep:
    """Takes the raw rows of one recording block by block. `forward` is the sign of counting in running direction."""

    def __init__(self, rig: Rig, header: Header, forward: int, most: int = KEPT_ROWS) -> None:
        board = header.board
        self._cpr = board.cpr
        self._steps = tuple(rig.indicator_sign * step for step in board.steps_mm)
        self._rows = Rows(header, most)
        self._profiles = tuple(Profile(board.cpr, step) for step in board.steps_mm)
        self._lift_mm = (0.0,) * len(board.steps_mm)
        self.turning = Turning(forward, rig.slack_allowance_deg * board.cpr / 360.0)

    def add(self, rows: Ints, pulses: Ints | None = None) -> Samples:
        """Raw rows and index pulses as of `Rows.add`; the rows unwrapped."""
        samples = self._rows.add(rows, pulses)
        position, usable = self.turning.add(samples, self._rows.pulses, self._cpr)
        for channel, (profile, step) in enumerate(zip(self._profiles, self._steps, strict=True)):
            profile.add(position, step * samples.lift[channel].astype(np.float64), usable)
        if samples.crank.size:
            self._lift_mm = tuple(float(step * lift[-1]) for step, lift in zip(self._steps, samples.lift, strict=True))
        return samples

    @property
    def pulses(self) -> IndexPulses:
        """The newest index pulses."""
        return self._rows.pulses

    def progress(self) -> Progress:
        """Where it stands, frozen."""
        traces = tuple(profile.trace() for profile in self._profiles)
        turned = self.turning.forward_counts * 360.0 / self._cpr
        return Progress(self.turning.now, self._lift_mm, traces, turned, self._rows.total)

    def capture(self) -> Capture:
        """The newest rows as a capture, for the result: see `analysis.live.partial`."""
        return self._rows.capture()
