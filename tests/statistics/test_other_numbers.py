"""Whether the intervals of what is no event hold the truth as often as they say: TDC, centerlines, peak lift, the indicator's lag."""

from __future__ import annotations

from collections import defaultdict

import pytest

from acquire.cli.versus import versus
from acquire.simulator.truth import truth
from analysis.measure import measure_all
from tests.statistics.trials import LIFTS, Scenario, job, rig_of, stop_capture, sweep_capture

SEEDS = range(40)


@pytest.mark.parametrize(
    "scenario",
    [
        Scenario(0.15, 0.01, "edge", 3, "4-5-6-7"),  # a zero that drifts within one code of the indicator
        Scenario(0.15, 0.01, "edge", 3, "unsymmetrical"),  # a nose that bends differently before and behind the peak
        Scenario(0.036, 0.001, "time", 3, "tcc-iii"),
    ],
    ids=str,
)
def test_the_other_numbers_hold_the_truth(scenario: Scenario) -> None:
    """Of 40 intervals of 95 % a binomial leaves fewer than 33 holding the truth in one of 30,000 cases; peaks of noses that bend
    unevenly are known to be smoothed over, and are asked for less.
    """
    inside: dict[str, int] = defaultdict(int)
    for seed in SEEDS:
        rig = rig_of(scenario, seed)
        result = measure_all(job(), [stop_capture(rig), sweep_capture(rig)]).result
        for row in versus(result, truth(rig, [(mm, "lobe") for mm in LIFTS])):
            inside[row.name] += row.inside
    least = {name: 28 if name.endswith("peak") else 33 for name in inside}
    assert len(inside) > 15
    assert {name: n for name, n in inside.items() if n < least[name]} == {}
