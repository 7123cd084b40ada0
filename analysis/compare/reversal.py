"""Reversal and repeatability of positioning, after ISO 230-2:2014 (symbols from memory, confirmed by reports that follow it).

Deviations x_ij of n runs at m positions, approached forward and backward; all results in the unit of the deviations.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.base.errors import UsageError
from analysis.base.samples import Floats


@dataclass(frozen=True)
class Reversal:
    """By position, shape (m,): `at_position` B_i = forward mean - backward mean; `repeatability` R_i, the larger of 2 s forward + 2 s
    backward + |B_i| and 4 s of either direction (NaN with a single run). `forward` and `backward`: 4 s.
    """

    at_position: Floats
    repeatability: Floats
    forward: Floats
    backward: Floats

    @property
    def largest(self) -> float:
        """B: the largest |B_i|, the reversal value of the axis."""
        return float(np.max(np.abs(self.at_position)))

    @property
    def mean(self) -> float:
        """The mean of B_i, sign and all."""
        return float(np.mean(self.at_position))


def reversal(forward: Floats, backward: Floats) -> Reversal:
    """From deviations of shape (n, m) and (k, m). Raises UsageError for unequal positions or none."""
    forward, backward = np.atleast_2d(forward), np.atleast_2d(backward)
    if forward.shape[1] != backward.shape[1] or forward.size == 0 or backward.size == 0:
        raise UsageError("forward and backward runs have no positions in common", do="Give both directions at the same positions")
    b = forward.mean(axis=0) - backward.mean(axis=0)
    spread = [np.std(x, axis=0, ddof=1) if x.shape[0] > 1 else np.full(b.shape, np.nan) for x in (forward, backward)]
    both = 2 * spread[0] + 2 * spread[1] + np.abs(b)
    return Reversal(b, np.maximum.reduce([both, 4 * spread[0], 4 * spread[1]]), 4 * spread[0], 4 * spread[1])
