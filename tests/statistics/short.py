"""The short forms of the study's questions: few seeds, and limits that chance alone breaks once in ten thousand.

Errors are held in units of what the sheet says of them: `in_u` is 1 in the root mean square where an interval is right and errors
are normal, and 1.67 where it is 0.6 of what it ought to be. Every short form is also told of intervals 0.6 times as wide as they
are, and must then fail: so it would have seen that. `make study` asks the same with ten times as many seeds (STUDY_TIMES=10).
"""

from __future__ import annotations

import math
import os
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from analysis.base.samples import Floats

TIMES = int(os.environ.get("STUDY_TIMES", "1"))
CHANCE = 1e-4
# With ever more seeds the limit falls no further than to what even errors come to, whose interval is 0.95 of their bound.
EVEN = 1.96 / (0.95 * math.sqrt(3.0))
BROKEN = 0.6


def seeds(number: int) -> range:
    """So many seeds, from 0 on; ten times as many in the long form."""
    return range(number * TIMES)


def in_u(error: ArrayLike, u95: ArrayLike) -> Floats:
    """Errors in standard uncertainties, from 95 % intervals. NaN where there is no number."""
    return np.asarray(1.96 * np.asarray(error, dtype=np.float64) / np.asarray(u95, dtype=np.float64))


def missed(found: Floats, names: Sequence[str], chance: float = CHANCE) -> dict[str, float]:
    """Root mean squares of errors in u that are larger than chance allows, by name. `found`: shape (trials, names)."""
    number = np.isfinite(found).sum(axis=0)
    rms = np.sqrt(np.nanmean(found**2, axis=0))
    most = np.maximum(np.sqrt(stats.chi2.isf(chance, number) / number), EVEN)
    return {name: float(size) for name, size, limit in zip(names, rms, most, strict=True) if size > limit}


def holds(found: Floats, names: Sequence[str], chance: float = CHANCE) -> None:
    """Intervals hold the truth as often as they say, and it would have been seen if they were 0.6 times as wide: of most numbers,
    since some intervals are wider than they need be (docs/accuracy.md), and of those it would not.
    """
    assert not (far := missed(found, names, chance)), far
    seen = missed(found / BROKEN, names, chance)
    assert 2 * len(seen) >= len(names), (
        f"this would not have seen an interval that is too narrow: {sorted(set(names) - set(seen))}"
    )
