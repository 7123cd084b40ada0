"""Whether the intervals of repeatability and reproducibility hold the truth 19 times in 20, drawn from the model.

Each limit is broken by chance once in ten thousand runs; intervals narrower by 0.6 would be seen. `make study` asks with ten times as
many draws.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scipy import stats

from analysis.base.precision import analysis_of_variance, interval_of_sum
from analysis.base.samples import Floats
from analysis.decision.repeatability import BOTH, GROUP, factors_of
from tests.statistics.short import BROKEN, CHANCE, seeds

DRAWS = seeds(8)
# Lobes, conditions, sweeps of each lobe under each condition.
DESIGNS = [(1, 3, 3), (1, 2, 4), (1, 6, 3), (1, 5, 1), (1, 1, 6), (3, 3, 2), (4, 4, 3), (8, 3, 2), (4, 3, 1)]
# Standard deviations of conditions, and of their interaction with the lobes, in those of repeats.
SPREADS = [(0.0, 0.0), (1.0, 0.0), (3.0, 0.0), (0.0, 2.0), (1.0, 1.0)]
REPEATED = {name: [d for d in DESIGNS if d[k] > 1] for name, k in (("s_r", 2), ("s_R", 1))}


def drawn(design: tuple[int, int, int], spread: tuple[float, float], seed: int) -> tuple[Floats, list[str], list[str]]:
    """Values of a study whose repeats scatter by 1, with the lobe and the condition of each; every fourth study with repeats lost
    about a tenth of its sweeps.
    """
    parts, groups, n = design
    rng = np.random.default_rng([seed, *design, *(int(10 * each) for each in spread)])
    part, group, _ = (each.ravel() for each in np.indices(design))
    value = rng.normal(0.0, 5.0, parts)[part] + spread[0] * rng.normal(size=groups)[group]
    value += spread[1] * rng.normal(size=(parts, groups))[part, group] + rng.normal(size=part.size)
    kept = rng.uniform(size=part.size) > (0.1 if n > 1 and seed % 4 == 0 else 0.0)
    return value[kept], [f"lobe {k}" for k in part[kept]], [f"operator {k}" for k in group[kept]]


@cache
def ends(design: tuple[int, int, int]) -> dict[str, Floats]:
    """Both ends of the intervals over the truth, by name: shape (draws, 2)."""
    within, among = [], []
    for spread in SPREADS:
        truth = np.hypot(1.0, np.hypot(*spread))
        for seed in DRAWS:
            value, part, group = drawn(design, spread, seed)
            lines = analysis_of_variance(value, factors_of(part, group))
            within.append(interval_of_sum(lines, ["scatter"]))
            among.append(np.array(interval_of_sum(lines, [GROUP, BOTH, "scatter"])) / truth)
    return {"s_r": np.array(within), "s_R": np.array(among)}


def held(found: Floats, width: float = 1.0) -> bool:
    """Whether as many hold 1 as 19 in 20 leave but for chance, once each is so much narrower about its own middle (logarithms)."""
    low, high = np.log(found).T
    inside = np.abs(low + high) / 2 <= width * (high - low) / 2
    return bool(inside.sum() >= stats.binom.ppf(CHANCE, len(found), 0.95))


@pytest.mark.parametrize(
    ("name", "design"),
    [(name, design) for name, designs in REPEATED.items() for design in designs],
    ids=lambda each: each if isinstance(each, str) else "{} lobes by {} conditions by {} sweeps".format(*each),
)
def test_the_interval_holds_the_standard_deviation(name: str, design: tuple[int, int, int]) -> None:
    assert held(ends(design)[name])


@pytest.mark.parametrize("name", REPEATED)
def test_all_designs_together_and_narrower_intervals_would_be_seen(name: str) -> None:
    found = np.concatenate([ends(design)[name] for design in REPEATED[name]])
    assert held(found)
    assert not held(found, BROKEN)
