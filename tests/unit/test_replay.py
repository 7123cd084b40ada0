"""A capture played again is the recording once more."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from acquire.link.outcomes import Batch, Ended, Outcome
from acquire.record.replay import TICK_S, replay
from acquire.simulator.scenarios import SCENARIOS
from acquire.wire import Damage, Hello
from analysis.base.errors import CaptureError, UsageError
from analysis.base.samples import Capture, Gap
from analysis.base.selection import only
from tests.recorded import captures
from tests.tape import Tape


@cache
def capture_of(name: str) -> Capture:
    return captures(SCENARIOS[name].rig, ["stop"])[0]


class Clock:
    """Time that passes only where someone waits."""

    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now

    async def sleep(self, seconds: float) -> None:
        self.now += seconds


async def played(capture: Capture, speed: float = 1.0) -> tuple[list[Outcome], Clock]:
    clock = Clock()
    return [outcome async for outcome in replay(capture, speed=speed, clock=clock, sleep=clock.sleep)], clock


def taped(capture: Capture, outcomes: list[Outcome]) -> Capture:
    tape = Tape(capture.header)
    for outcome in outcomes:
        if isinstance(outcome, Batch):
            tape.add(outcome.events)
    return tape.capture()


@pytest.mark.parametrize("name", ["workshop", "two-channel", "run-over", "lost-counts"])
async def test_recorded_again_it_is_the_same_capture(name: str) -> None:
    capture = capture_of(name)
    again = taped(capture, (await played(capture, speed=7.0))[0])
    for column in ("seq", "time_us", "crank", "flags", "origin", "age_us", "lift"):
        np.testing.assert_array_equal(getattr(again.samples, column), getattr(capture.samples, column), column)
    np.testing.assert_array_equal(again.index.crank, capture.index.crank)
    np.testing.assert_array_equal(again.index.time_us, capture.index.time_us)
    assert again.faults == capture.faults


async def test_it_begins_with_the_hello_and_ends_politely() -> None:
    capture = capture_of("workshop")
    outcomes, _ = await played(capture)
    assert isinstance(outcomes[0], Batch)
    assert isinstance(outcomes[0].events[0], Hello)
    assert outcomes[-1] == Ended("the capture is over")


@pytest.mark.parametrize("speed", [0.5, 20.0])
async def test_it_takes_as_long_as_it_took_over_the_speed(speed: float) -> None:
    capture = capture_of("workshop")
    took = float(np.ptp(capture.samples.time_us)) * 1e-6
    _, clock = await played(capture, speed)
    assert clock.now - 100.0 == pytest.approx(took / speed, abs=2 * TICK_S)


async def test_gaps_stand_where_they_stood() -> None:
    capture = replace(capture_of("workshop"), gaps=(Gap(0, 2, 0), Gap(500, 7, 31)))
    outcomes, _ = await played(capture, 100.0)
    events = [event for outcome in outcomes if isinstance(outcome, Batch) for event in outcome.events]
    assert [event for event in events if isinstance(event, Damage)] == [Damage(2, 0, 0), Damage(7, 31, 0)]
    assert taped(capture, outcomes).gaps == capture.gaps


async def test_a_new_start_of_the_board_is_told_and_takes_no_time() -> None:
    capture = capture_of("workshop")
    half = capture.samples.crank.size // 2
    origin = np.repeat([0, 1], [half, capture.samples.crank.size - half])
    time_us = np.concatenate((capture.samples.time_us[:half], capture.samples.time_us[half:] - capture.samples.time_us[half]))
    index = replace(
        capture.index, crank=capture.index.crank[:0], time_us=capture.index.time_us[:0], origin=capture.index.origin[:0]
    )
    started = replace(capture, samples=replace(capture.samples, origin=origin, time_us=time_us), index=index)
    outcomes, _ = await played(started, 50.0)
    hellos = [e for outcome in outcomes if isinstance(outcome, Batch) for e in outcome.events if isinstance(e, Hello)]
    assert [hello.restarted for hello in hellos] == [False, True]


@pytest.mark.parametrize("speed", [0.0, -1.0, float("nan")])
async def test_a_speed_that_gets_nowhere_is_refused(speed: float) -> None:
    with pytest.raises(UsageError, match="gets nowhere"):
        await played(capture_of("workshop"), speed)


async def test_a_capture_without_rows_is_refused() -> None:
    capture = capture_of("workshop")
    with pytest.raises(CaptureError, match="no rows"):
        await played(replace(capture, samples=only(capture.samples, slice(0))))
