"""The fuzzers' short form; for an hour: make fuzz, or python -m tests.fuzz --seconds 3600."""

from __future__ import annotations

import numpy as np
import pytest

from tests.fuzz.targets import TARGETS, survives

# Cases of the cheapest target: all of them together take about five seconds.
CASES = 2500


@pytest.mark.parametrize("name", TARGETS)
@pytest.mark.parametrize("seed", [1], ids=lambda seed: f"seed {seed}")
def test_only_our_own_errors_come_out(name: str, seed: int) -> None:
    target, rng = TARGETS[name], np.random.default_rng([seed, len(name)])
    came = [survives(target, target.spoil(target.sound(), rng)) for _ in range(CASES // target.cost)]
    assert len(came) == CASES // target.cost


@pytest.mark.parametrize("name", TARGETS)
def test_undamaged_it_is_read(name: str) -> None:
    assert survives(TARGETS[name], TARGETS[name].sound()) == "read"
