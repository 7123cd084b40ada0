"""What an overlay claims: profiles that are alike are called so 19 times in 20, and what is planted is found and named.

One lobe measured in two jobs, everything set up anew in between (tests/lobes_laid.py), under a tilt bound of 4 degrees; differences
are planted in the readings. Chance breaks each limit once in ten thousand runs. `make study` asks with ten times as many seeds.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
import pytest
from scipy import stats

from analysis.base.samples import Floats
from analysis.compare.difference import Difference
from analysis.compare.overlay import overlay
from analysis.lobe.result import Lobe
from tests.left_out import thorough
from tests.lobes_laid import changed, twice
from tests.statistics.short import CHANCE, seeds
from tests.statistics.trials import RATIO, Scenario

BENCH = Scenario(0.15, 0.01, "edge", 3, "unsymmetrical")
ROUGH = Scenario(0.25, 0.0127, "time", 1, "long ramp")
SEEDS = seeds(20)


@cache
def pairs(scenario: Scenario) -> list[tuple[Lobe, Lobe]]:
    return [twice(scenario, seed) for seed in SEEDS]


def found(scenario: Scenario, added: Callable[[Floats, Floats], Floats] | None, later: float = 0.0) -> list[Difference]:
    return [
        overlay(first, second if added is None and later == 0.0 else changed(second, added, later))
        for first, second in pairs(scenario)
    ]


def at_least(rate: float) -> int:
    """So many of the seeds are right nearly always, where each is with this chance."""
    return int(stats.binom.ppf(CHANCE, len(SEEDS), rate))


@pytest.mark.parametrize("scenario", [BENCH, *thorough(ROUGH)], ids=str)
def test_false_alarms_come_once_in_twenty_at_most(scenario: Scenario) -> None:
    alike = found(scenario, None)
    assert sum(not each.named for each in alike) >= at_least(0.95)
    assert sum(abs(each.later.value) <= each.later.u95 for each in alike) >= at_least(0.95)


@pytest.mark.parametrize(
    ("kind", "added", "later"),
    [
        ("nose", lambda deg, _: -0.02 * RATIO * np.exp(-((deg / 24.0) ** 2)), 0.0),
        ("height", lambda _, lift: 0.10 * RATIO * np.clip(lift / 0.02, 0.0, 1.0), 0.0),
        ("indexing", None, 1.5),
        ("scale", lambda _, lift: -(1.0 - np.cos(np.radians(9.0))) * lift, 0.0),
    ],
    ids=["nose worn by 0.02 mm", "base circle smaller by 0.10 mm", "indexed 1.5 deg late", "an indicator that leans by 9 deg"],
)
def test_what_is_planted_is_named_in_19_of_20(kind: str, added: Callable[[Floats, Floats], Floats], later: float) -> None:
    assert sum([one.kind for one in each.named] == [kind] for each in found(BENCH, added, later)) >= at_least(0.95)


def test_a_nose_worn_by_0_05_mm_is_found_in_all() -> None:
    worn = found(BENCH, lambda deg, _: -0.05 * RATIO * np.exp(-((deg / 24.0) ** 2)))
    noses = [each.of("nose") for each in worn]
    assert all(noses)
    assert sum(each.kind == "nose" for each in worn) >= at_least(0.95)
    off = [nose.size.value + 0.05 * RATIO for nose in noses if nose is not None]
    assert np.abs(off).max() < 0.1 * 0.05 * RATIO


def test_the_deviation_keeps_within_its_uncertainty_place_by_place() -> None:
    inside = [np.mean(np.abs(each.higher_mm) <= 1.96 * each.u_mm) for each in found(BENCH, None)]
    assert np.mean(inside) > 0.92
