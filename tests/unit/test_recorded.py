"""Captures for tests that were latched and never sent are those that would have come over the wire."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from acquire.simulator.scenarios import SCENARIOS
from analysis.capture import load
from tests.left_out import thorough
from tests.recorded import job_folder, latched_of, over_the_line


@pytest.mark.parametrize("name", ["workshop", "two-channel", *thorough("slow-indicator", "reverse", "time-latched")])
def test_latched_is_what_would_have_come_over_the_wire(name: str, tmp_path: Path) -> None:
    scenario = SCENARIOS[name]
    phases = tuple(scenario.phases)[:2]
    latched = latched_of(scenario.rig, phases)
    assert latched is not None
    capture, sent = latched[0], over_the_line(scenario.rig, phases)
    assert (capture.header, capture.path, capture.complete) == (sent.header, sent.path, sent.complete)
    assert (capture.faults, capture.gaps, capture.marks) == (sent.faults, sent.gaps, sent.marks)
    read = load(job_folder(tmp_path, "", scenario.rig, phases) / "captures" / f"{phases[-1]}-01.csv")
    for ours, theirs in (
        (capture.samples, sent.samples),
        (capture.index, sent.index),
        (read.samples, sent.samples),
        (read.index, sent.index),
    ):
        for column, array in vars(theirs).items():
            np.testing.assert_array_equal(vars(ours)[column], array, err_msg=column)


@pytest.mark.parametrize("name", ["lost-counts", "run-over"])
def test_what_the_board_says_of_itself_is_sent(name: str) -> None:
    assert latched_of(SCENARIOS[name].rig, ("stop", "intake")) is None
