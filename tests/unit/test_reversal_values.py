"""Slack as a reversal value: ISO 230-2 against published figures, and the timing drive's slack by angle against the simulator."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from acquire.simulator.rig import Work
from acquire.simulator.train import Train
from analysis.base.quantity import linear_combination
from analysis.diagnosis.examine import examine
from analysis.lobe.slack import SlackByAngle
from tests.recorded import captures
from tests.rigs import SHORT, job_for

# Error of a rotary encoder at every 15 degrees, arc seconds, forward and reverse: Geng, Cao, Shang, Ding, Sensors 24(5):1400 (2024),
# table 6, CC BY 4.0.
FORWARD = "0 2.5 3.1 -2.4 2.3 -1.2 2.3 3.4 2.2 -1.9 1.6 2.5 -1.8 2.1 3.5 -2.4 2.6 3.1 -2.6 2.7 3.9 -2.6 3.1 2.2"
REVERSE = "0 3.2 2.6 -2.5 -1.8 3.1 -2.6 3.7 2 2.4 -3.5 1.9 -2.2 1.8 2.3 -1.6 -2.1 3.2 -2.8 3.4 3.2 2.6 -1.2 3.3"


def table() -> tuple[np.ndarray, np.ndarray]:
    return np.array(FORWARD.split(), dtype=float), np.array(REVERSE.split(), dtype=float)


def test_the_published_accuracy_of_an_encoder() -> None:
    """The paper states 2.57 arc seconds: the root mean square over both directions."""
    forward, reverse = table()
    assert forward.size == reverse.size == 24
    assert math.sqrt(np.mean(np.square([forward, reverse]))) == pytest.approx(2.57, abs=0.005)


def test_reversal_of_that_encoder() -> None:
    """ISO 230-2: B is the largest of the reversal values, whatever its sign. By hand, from the table."""
    forward, reverse = table()
    found = SlackByAngle(15.0 * np.arange(24), forward - reverse, np.zeros(24))
    assert found.largest == pytest.approx(5.2)
    assert found.mean == pytest.approx(0.408, abs=1e-3)


@pytest.mark.parametrize("slack", [0.4, 1.5])
def test_slack_by_angle_and_as_one_number(slack: float) -> None:
    """The same on every part of both flanks, as the simulator has it."""
    rig = replace(SHORT, train=Train(slack_deg=slack), work=Work(touches=3, turns=4.2, backward_turns=2.2))
    given = captures(rig, ("stop", "intake", "backward"))
    given[2] = replace(given[2], header=replace(given[2].header, channels=("intake",)))  # type: ignore[type-var]
    lobe = examine(job_for(rig), given).intake
    at, one = lobe.slack_at, lobe.slack
    assert at is not None
    assert one is not None
    assert at.deg.size >= 6
    assert at.deg.min() < lobe.swept.peak_deg < at.deg.max()
    assert at.slack_deg == pytest.approx(slack, abs=0.12)
    assert at.mean == pytest.approx(slack, abs=0.04)
    assert abs(one.value - at.mean) < 0.03
    assert slack - 0.02 < at.largest < slack + 0.12
    assert np.all(at.u_deg < 0.05)


def test_reversal_values_at_the_events_hold_the_slack() -> None:
    """ISO 230-2's B_i at the lifts of the events: 19 in 20 hold the simulator's slack, and so does their mean. Seeds 1 to 4."""
    inside = []
    for seed in (1, 2, 3, 4):
        slack = 0.3 * seed
        rig = replace(SHORT, seed=seed, train=Train(slack_deg=slack), work=Work(touches=3, turns=4.2, backward_turns=2.2))
        found = examine(job_for(rig), captures(rig, ("stop", "intake", "backward"))).intake.reversal
        lifts = {(one.position.flank, one.position.lift_mm) for one in found}
        assert {(flank, 1.27) for flank in ("opening", "closing")} <= lifts
        assert len(lifts) == len(found)
        inside += [abs(one.value.value - slack) <= one.value.u95 for one in found]
        mean = linear_combination(*((1.0 / len(found), one.value) for one in found))
        assert abs(mean.value - slack) <= mean.u95 < 0.05
    assert len(inside) >= 20
    assert sum(inside) >= len(inside) - 3


def test_without_backward_motion_there_is_none() -> None:
    found = examine(job_for(SHORT), captures(SHORT, ("stop", "intake")))
    assert found.intake.slack_at is None or found.intake.slack is not None
    assert found.intake.reversal == ()
