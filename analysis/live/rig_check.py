"""The rig looked over before anything is measured: does the count go the right way, is there an index, does the indicator move."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.base.samples import Header, IndexPulses, Samples
from analysis.job import Rig
from analysis.live.trace import BASE_CIRCLE_DEG, Profile


@dataclass(frozen=True)
class Checked:
    """`turned_deg`: how far the count went, the way it went further; `way` that way, 1 up, -1 down, 0 not moved. `pulses` seen.

    `moved_mm`: how far the reading moved. `opens`: 1 if it grows from the base circle as the valve opens, -1 if it falls, 0 if
    that cannot be told yet.
    """

    turned_deg: float = 0.0
    way: int = 0
    pulses: int = 0
    moved_mm: float = 0.0
    opens: int = 0


class RigCheck:
    """Takes blocks of a recording, or of one that is not recorded."""

    def __init__(self, rig: Rig, header: Header) -> None:
        board = header.board
        self._step = rig.indicator_sign * board.steps_mm[0]
        self._per_count = 360.0 / board.cpr
        self._profile = Profile(board.cpr, board.steps_mm[0])
        self._first: int | None = None
        self._low = self._high = 0
        self._least, self._most = np.inf, -np.inf

    def add(self, samples: Samples) -> None:
        """A block."""
        if not samples.crank.size:
            return
        if self._first is None:
            self._first = self._low = self._high = int(samples.crank[0])
        self._low, self._high = min(self._low, int(samples.crank.min())), max(self._high, int(samples.crank.max()))
        lift = self._step * samples.lift[0].astype(np.float64)
        self._least, self._most = min(self._least, float(lift.min())), max(self._most, float(lift.max()))
        self._profile.add(samples.crank, lift, ~samples.still)

    def checked(self, pulses: IndexPulses) -> Checked:
        """What there is so far."""
        if self._first is None:
            return Checked()
        up, down = self._high - self._first, self._first - self._low
        trace = self._profile.trace()
        opens = int(np.sign(trace.swing_mm)) if trace.flat_deg >= BASE_CIRCLE_DEG and abs(trace.swing_mm) >= 0.5 else 0
        way = 0 if up == down == 0 else 1 if up >= down else -1
        return Checked(max(up, down) * self._per_count, way, pulses.crank.size, float(self._most - self._least), opens)
