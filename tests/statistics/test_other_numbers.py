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
        Scenario(0.036, 0.001, "edge", 3, "unsymmetrical"),  # the same where it is the cam's runout that moves the peak
        Scenario(0.036, 0.001, "time", 3, "tcc-iii"),
    ],
    ids=str,
)
def test_the_other_numbers_hold_the_truth(scenario: Scenario) -> None:
    """Of 40 intervals of 95 % a binomial leaves fewer than 33 holding the truth in one of 30,000 cases."""
    inside: dict[str, int] = defaultdict(int)
    for seed in SEEDS:
        rig = rig_of(scenario, seed)
        result = measure_all(job(), [stop_capture(rig), sweep_capture(rig)]).result
        for row in versus(result, truth(rig, [(mm, "lobe") for mm in LIFTS])):
            inside[row.name] += row.inside
    assert len(inside) > 15
    assert {name: n for name, n in inside.items() if n < 33} == {}


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(
    "scenario",
    [
        Scenario(0.15, 0.01, "edge", 3, "unsymmetrical"),
        Scenario(0.036, 0.001, "edge", 3, "unsymmetrical"),  # several readings in every bin
        Scenario(0.25, 0.0127, "time", 1, "unsymmetrical"),
    ],
    ids=str,
)
def test_the_noise_of_a_reading_is_told_apart_from_its_rounding(scenario: Scenario, seed: int) -> None:
    """To a tenth of a step: what rounding errors that repeat are damped by."""
    rig = rig_of(scenario, seed)
    curve = measure_all(job(), [stop_capture(rig), sweep_capture(rig)]).lobes["intake"].swept.curve
    assert curve.noise_mm == pytest.approx(rig.indicators[0].noise_mm, abs=0.1 * scenario.step_mm)
