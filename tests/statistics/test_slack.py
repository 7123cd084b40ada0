"""Whether the slack's interval holds the truth where it is hard: turned back in another capture on another count, with no lash in, by
angle.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from acquire.simulator.phases import latch_phase, start
from acquire.simulator.rig import Rig
from analysis.base.quantity import linear_combination
from analysis.base.samples import Capture, IndexPulses
from analysis.diagnosis.examine import examine
from analysis.job import Job
from analysis.lobe.result import Lobe
from tests.left_out import thorough
from tests.statistics.short import in_u, missed, seeds
from tests.statistics.trials import RUNOUT_MM, Scenario, job, rig_of, stop_capture, sweep_captures

PLAIN = Scenario(0.15, 0.01, "edge", 3, "4-5-6-7")
FINE = Scenario(0.15, 0.001, "edge", 3, "4-5-6-7")
# What a count may have been moved by at a new start of the board, whole turns and half ones among it (of 2400).
MOVED = (7, 40, 1000, 1200, 2400, -1100)


def swept(rig: Rig) -> list[Capture]:
    """The stop, the sweep and the way back, each with the pulses of the encoder's index: the stop with those of the sweep."""
    state, pulses = start(rig), []
    for phase in ("intake", "backward"):
        latching = latch_phase(rig, phase, state)
        state = latching.state
        time = np.rint(latching.crank.index_time * 1e6).astype(np.int64)
        pulses.append(IndexPulses(time, latching.crank.index_count.astype(np.int64), np.zeros(time.size, dtype=np.int64)))
    given = [stop_capture(rig), *sweep_captures(rig, "intake", "backward")]
    return [replace(c, index=index) for c, index in zip(given, (pulses[0], *pulses), strict=True)]


def started_again(capture: Capture, counts: int) -> Capture:
    """The capture as a board would have made it that was started anew, its count moved."""
    board = replace(capture.header.board, boot=capture.header.board.boot + 1)
    samples = replace(capture.samples, crank=capture.samples.crank + counts)
    index = replace(capture.index, crank=capture.index.crank + counts)
    return replace(capture, header=replace(capture.header, link="two", board=board), samples=samples, index=index)


def without_lash(scenario: Scenario, seed: int) -> tuple[Rig, Job]:
    """Rig and job with all clearance taken out, so that the base circle shows what the cam runs out by: as much as the job allows."""
    rig, stated = rig_of(scenario, seed), job()
    bare = stated.model_copy(update={"rig": stated.rig.model_copy(update={"lash_mm": 0.0})})
    return replace(rig, train=replace(rig.train, lash_mm=0.0, runout_mm=RUNOUT_MM)), bare


def slack_in_u(rig: Rig, stated: Job, given: list[Capture]) -> float:
    """The slack's error in units of its uncertainty."""
    slack = examine(stated, given).intake.slack
    assert slack is not None
    return float(in_u(slack.value - rig.train.slack_deg, slack.u95))


@pytest.mark.parametrize("again", [("backward",), *thorough((("intake", "backward"),), (("intake",),))], ids=" ".join)
def test_turned_back_on_another_count(again: tuple[str, ...]) -> None:
    """From seed 0, in units of the uncertainty, each move of the count once or twice."""
    found = []
    for seed in seeds(9):
        rig = rig_of(PLAIN, seed)
        stop, sweep, back = swept(rig)
        moved = {"intake": sweep, "backward": back}
        moved |= {phase: started_again(moved[phase], MOVED[seed % len(MOVED)]) for phase in again}
        found.append(slack_in_u(rig, job(), [stop, moved["intake"], moved["backward"]]))
    assert missed(np.array(found)[:, None], ["slack"]) == {}


def test_without_lash() -> None:
    """From seed 0: the zero before the lobe is not that behind it, going and coming back."""
    given = (without_lash(FINE, seed) for seed in seeds(12))
    found = [slack_in_u(rig, stated, [stop_capture(rig), *sweep_captures(rig, "intake", "backward")]) for rig, stated in given]
    assert missed(np.array(found)[:, None], ["slack"]) == {}


@cache
def turned_back(scenario: Scenario) -> list[tuple[float, Lobe]]:
    """The true slack and the lobe that was measured, forward and back, from seed 0."""
    rigs = [rig_of(scenario, seed) for seed in seeds(12)]
    given = ((rig, [stop_capture(rig), *sweep_captures(rig, "intake", "backward")]) for rig in rigs)
    return [(rig.train.slack_deg, examine(job(), captures).intake) for rig, captures in given]


@pytest.mark.parametrize("scenario", [FINE, *thorough(PLAIN)], ids=str)
def test_by_angle(scenario: Scenario) -> None:
    """From seed 0. Positions of one trial share lag and zero, so that trials count: each by the root mean square of its positions.
    No wider than three times the ideal.
    """
    sizes, off, u = [], [], []
    for slack, lobe in turned_back(scenario):
        at = lobe.slack_at
        assert at is not None
        off.append(at.slack_deg - slack)
        u.append(at.u_deg)
        sizes.append(np.sqrt(np.mean((off[-1] / at.u_deg) ** 2)))
    assert missed(np.array(sizes)[:, None], ["slack by angle"]) == {}
    assert np.mean(np.concatenate(u)) < 3.0 * np.sqrt(np.mean(np.square(np.concatenate(off))))


@pytest.mark.parametrize("scenario", [FINE, *thorough(PLAIN)], ids=str)
def test_reversal_values_at_the_events_and_their_mean(scenario: Scenario) -> None:
    """ISO 230-2's B_i and their mean over the positions, in units of the uncertainty: those of one trial share the curve, so that
    each trial counts once. Neither is more than three times as wide as it need be.
    """
    found = []
    for slack, lobe in turned_back(scenario):
        assert len(lobe.reversal) >= 4
        mean = linear_combination(*((1.0 / len(lobe.reversal), one.value) for one in lobe.reversal))
        each = [in_u(one.value.value - slack, one.value.u95) for one in lobe.reversal]
        found.append([float(np.sqrt(np.mean(np.square(each)))), float(in_u(mean.value - slack, mean.u95))])
    assert missed(np.array(found), ["reversal value", "mean reversal value"]) == {}
    assert np.all(np.sqrt(np.mean(np.square(found), axis=0)) > 1.0 / 3.0)
