"""Jobs that state no limit of error, in short."""

from __future__ import annotations

from functools import cache

import numpy as np

from analysis.base.samples import Floats
from tests.statistics.short import holds, in_u, seeds
from tests.statistics.silent_jobs import trial

# Of all of a job that has a card's worth of numbers. Peak and centerlines are wider than they need be with this cam.
NAMES = ("tdc", "peak lobe lift", "opens 1", "closes 1", "opens 1.27", "closes 1.27", "duration 1.27", "overlap")


@cache
def trials() -> tuple[Floats, list[list[str]]]:
    """Errors in units of their uncertainties, shape (trials, numbers), and what was doubted."""
    found, doubted = [], []
    for seed in seeds(10):
        numbers, codes = trial(seed)
        doubted.append(codes)
        for k in range(2):
            at = [numbers[name][k % len(numbers[name])] for name in NAMES]
            found.append(in_u(*np.array(at).T))
    return np.array(found), doubted


def test_intervals_hold_the_truth_from_seed_0() -> None:
    holds(trials()[0], NAMES)


def test_none_is_doubted_from_seed_0() -> None:
    assert [codes for codes in trials()[1] if codes] == []
