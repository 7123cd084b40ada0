"""Where the crank is, which way it goes, and whether the slack is taken up, block by block."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.base.samples import Bools, IndexPulses, Ints, Samples
from analysis.crank.motion import find_count_errors, usable_forward


@dataclass(frozen=True)
class Crank:
    """The crank now. Positions in counts in direction of rotation.

    `way`: 1 forward, -1 backward, 0 not moved yet: the last move. `engaged`: forward with the slack taken up. `to_go`: counts
    forward until it is (0 if it is). `mark`: the furthest position that counts: from there on nothing has been read.
    """

    position: int = 0
    way: int = 0
    engaged: bool = False
    to_go: float = 0.0
    mark: int = 0
    still_s: float = 0.0


class Turning:
    """Follows the count; `allowance` in counts is how far the crank must go on after a reversal (`analysis.crank.motion`)."""

    def __init__(self, forward: int, allowance: float) -> None:
        self._forward, self._allowance = forward, allowance
        self._past: Ints | None = None  # a short motion that ends as everything before did: lowest, furthest, last turn, last
        self._slipped = 0
        self._moved_us = 0
        self._mark = 0
        self.now = Crank()
        self.forward_counts = 0  # travelled with the slack taken up
        self.runs: list[int] = []  # counts that each forward run went, the newest last

    def add(self, samples: Samples, pulses: IndexPulses, cpr: int) -> tuple[Ints, Bools]:
        """Positions (counts in direction of rotation, slips that the index pulses showed taken out) of a block, and where they are
        usable. Shape (n,) each.
        """
        if samples.crank.size == 0:
            return np.zeros(0, np.int64), np.zeros(0, np.bool_)
        slips = find_count_errors(pulses, cpr)
        offset = sum((np.where(samples.time_us > slip.to_us, slip.counts, 0) for slip in slips), np.zeros_like(samples.crank))
        position = self._forward * (samples.crank - offset)
        past = np.repeat(position[:1], 4) if self._past is None else self._past
        motion = np.concatenate((past, position))
        usable = usable_forward(motion, 1, self._allowance)[past.size :]
        step = np.diff(motion)
        moves = np.flatnonzero(step)
        way = int(np.sign(step[moves[-1]])) if moves.size else 0
        self._remember(motion, step, moves, way)
        new = step[past.size - 1 :]
        self.forward_counts += int(new[usable & (new > 0)].sum())
        if usable.any():
            self._mark = int(position[usable][-1])
        moved = np.flatnonzero(new)
        if moved.size:
            self._moved_us = int(samples.time_us[moved[-1]])
        elif self._past is None or self._moved_us == 0:
            self._moved_us = int(samples.time_us[0])
        still_s = (int(samples.time_us[-1]) - self._moved_us) * 1e-6
        last = int(position[-1])
        self.now = Crank(last, way, bool(usable[-1]), 0.0 if usable[-1] else self._left(last, way), self._mark, still_s)
        return position, usable & ~samples.still

    def _remember(self, motion: Ints, step: Ints, moves: Ints, way: int) -> None:
        other = moves[np.sign(step[moves]) != way]
        turned = int(motion[other[-1] + 1]) if other.size else int(motion[0])
        if way > 0:
            if not self.runs or self._past is None or turned != self._past[2]:
                self.runs = [*self.runs[-63:], 0]
            self.runs[-1] = int(motion[-1]) - turned
        self._past = np.array([motion.min(), motion.max(), turned, motion[-1]])

    def _left(self, position: int, way: int) -> float:
        """Counts to go forward until readings count again."""
        assert self._past is not None
        lowest, furthest, turned, _ = (int(n) for n in self._past)
        by_turn = self._allowance - (position - turned if way > 0 else 0)
        return float(max(min(by_turn, furthest - position), 0.0)) if furthest - lowest >= self._allowance else float(by_turn)
