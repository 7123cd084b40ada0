"""A valve sweep while it goes on: crank, lift, coverage and trace, each block at its own cost."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.base.samples import Capture, Header, IndexPulses, Ints, Samples
from analysis.job import Rig
from analysis.live.buffer import KEPT_ROWS, Rows
from analysis.live.direction import Crank, Turning
from analysis.live.trace import Profile, Trace


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
    """Takes the raw rows of one recording block by block. `forward` is the sign of counting in the direction of rotation; without it
    that is the way in which the count has gone further altogether, as for a whole capture (`direction_of_rotation`).
    """

    def __init__(self, rig: Rig, header: Header, forward: int | None, most: int = KEPT_ROWS) -> None:
        board = header.board
        self._cpr, self._board_steps = board.cpr, board.steps_mm
        self._steps = tuple(rig.indicator_sign * step for step in board.steps_mm)
        self._allowance = rig.slack_allowance_deg * board.cpr / 360.0
        self._rows = Rows(header, most)
        self._told = forward is not None
        self._went = 0  # counts altogether, with their sign
        self._last: int | None = None
        self._begin(forward or 1)

    def add(self, rows: Ints, pulses: Ints | None = None) -> Samples:
        """Raw rows and index pulses as of `Rows.add`; the rows unwrapped."""
        samples = self._rows.add(rows, pulses)
        if not samples.crank.size:
            return samples
        first = self._last is None
        self._went += int(samples.crank[-1]) - (int(samples.crank[0]) if self._last is None else self._last)
        self._last = int(samples.crank[-1])
        forward = self.forward if self._told else 1 if self._went >= 0 else -1
        if forward != self.forward:  # it goes the other way: what is kept is read anew
            self._begin(forward)
            self._follow(samples if first else self._rows.capture().samples)
        else:
            self._follow(samples)
        return samples

    def _begin(self, forward: int) -> None:
        self.forward = forward
        self.turning = Turning(forward, self._allowance)
        self._profiles = tuple(Profile(self._cpr, step) for step in self._board_steps)
        self._lift_mm = (0.0,) * len(self._board_steps)

    def _follow(self, samples: Samples) -> None:
        position, usable = self.turning.add(samples, self._rows.pulses, self._cpr)
        for channel, (profile, step) in enumerate(zip(self._profiles, self._steps, strict=True)):
            profile.add(position, step * samples.lift[channel].astype(np.float64), usable)
        self._lift_mm = tuple(float(step * lift[-1]) for step, lift in zip(self._steps, samples.lift, strict=True))

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
