"""Whether the intervals of what is no event hold the truth as often as they say: TDC, centerlines, peak lift, the indicator's lag."""

from __future__ import annotations

import numpy as np
import pytest

from acquire.simulator.truth import truth
from analysis.measure import measure_all
from tests.statistics.study import OTHERS, coverage, covered
from tests.statistics.trials import (
    LIFTS,
    Scenario,
    bounded_job,
    job,
    off_the_statement,
    rig_of,
    stop_capture,
    sweep_capture,
    sweep_captures,
)

SEEDS = range(40)


@pytest.mark.parametrize(
    "scenario",
    [
        Scenario(0.15, 0.01, "edge", 3, "4-5-6-7"),  # a zero that drifts within one code of the indicator
        Scenario(0.15, 0.01, "edge", 3, "unsymmetrical"),  # a nose that bends differently before and behind the peak
        Scenario(0.036, 0.001, "edge", 3, "unsymmetrical"),  # the same where it is the cam's runout that moves the peak
        Scenario(0.036, 0.001, "time", 3, "tcc-iii"),
        Scenario(0.15, 0.001, "time", 3, "4-5-6-7"),  # about one count a sample: a lag must not lean to one side of an edge
    ],
    ids=str,
)
def test_the_other_numbers_hold_the_truth(scenario: Scenario) -> None:
    """Of 40 intervals of 95 % a binomial leaves fewer than 31 holding the truth in one of 40,000 cases."""
    row = coverage([covered(scenario, seed) for seed in SEEDS])
    assert {name: row["coverage"][name] for name in OTHERS if row["coverage"][name] < 31 / len(SEEDS)} == {}
    assert {name for name in OTHERS if row["told"][name] == 0.0} == set()


@pytest.mark.parametrize(
    "scenario",
    [
        Scenario(0.25, 0.001, "time", 1, "long ramp"),  # what is left of the lag moves both directions apart
        Scenario(0.15, 0.01, "edge", 3, "4-5-6-7"),
    ],
    ids=str,
)
def test_the_slack_holds_the_truth(scenario: Scenario) -> None:
    """Seeds 0 to 39, turned back over the lobe after the sweep; limits as above, and no wider than three times the ideal."""
    off, u95 = [], []
    for seed in SEEDS:
        rig = rig_of(scenario, seed)
        given = [stop_capture(rig), *sweep_captures(rig, "intake", "backward")]
        slack = measure_all(job(), given).result.lobes[0].slack_deg
        assert slack is not None
        off.append(slack.value - rig.train.slack_deg)
        u95.append(slack.u95)
    assert np.sum(np.abs(off) <= u95) >= 31
    assert np.mean(u95) < 3.0 * 1.96 * np.sqrt(np.mean(np.square(off)))


def test_the_lobe_separation_angle_holds_the_truth() -> None:
    """Seeds 0 to 39, ratio and lash off within their bounds, one bent camshaft under both valves, and lobes of which the level of the
    equal lifts moves the centerline. Limits as above.
    """
    off, u95 = [], []
    for seed in SEEDS:
        rig = off_the_statement(rig_of(Scenario(0.15, 0.01, "edge", 1, "unsymmetrical"), seed), seed)
        given = [stop_capture(rig), *sweep_captures(rig, "intake", "exhaust")]
        cam = measure_all(bounded_job(), given).result.cam
        assert cam is not None
        off.append(cam.separation_deg.value - truth(rig, [(LIFTS[0], "lobe")]).cam.separation_deg)
        u95.append(cam.separation_deg.u95)
    assert np.sum(np.abs(off) <= u95) >= 31
    assert np.mean(u95) < 1.5 * 1.96 * np.sqrt(np.mean(np.square(off)))


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
