"""Counts that the crank cannot have made: spikes are left out, after a jump that stays nothing is believed."""

from __future__ import annotations

import tracemalloc
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.simulator.rig import Rig, Work
from analysis.base.samples import Board, Capture, Gap, Header, IndexPulses, Ints, Samples
from analysis.crank.segments import ALLOWED_COUNTS, FASTEST_TURNS_S, CountJump, count_jumps, on_one_count
from analysis.measure import measure
from tests.left_out import thorough
from tests.recorded import captures
from tests.rigs import job_for

CPR = 1000
STEP_US = 500


def capture(crank: Ints, index: IndexPulses | None = None, gaps: tuple[Gap, ...] = ()) -> Capture:
    zero = np.zeros(crank.size, np.int64)
    time_us = STEP_US * np.arange(crank.size)
    samples = Samples(zero, time_us, crank, zero, zero, zero[None], zero[None])
    pulses = IndexPulses(*np.zeros((3, 0), np.int64)) if index is None else index
    header = Header(Board(CPR, True, "edge", (0.01,), ("mm",)), "sweep", 1, ("intake",))
    return Capture(header, samples, pulses, (), gaps, (), True, (), "", "x.csv")


def turning(rows: int = 40) -> Ints:
    return np.arange(rows, dtype=np.int64)


def test_a_sound_capture_is_given_back_as_it_is() -> None:
    given_ = capture(turning())
    assert on_one_count(given_) is given_
    assert count_jumps(given_) == ()


def test_the_fastest_that_passes_is_a_hundred_turns_a_second() -> None:
    """Against the definition: 100 turns of 1000 counts a second are 50 counts in half a millisecond, and two are allowed beside."""
    most = FASTEST_TURNS_S * CPR * STEP_US // 1_000_000 + ALLOWED_COUNTS
    assert most == 52
    assert count_jumps(capture(most * turning())) == ()
    assert count_jumps(capture(np.array([0, 1, 2 + most, 3 + most]))) == (CountJump(most + 1, 2 * STEP_US, 2, False),)


@pytest.mark.parametrize("size", [-(10**9), -200, 200, 10**8, 2**31 - 1])
@pytest.mark.parametrize(("at", "rows"), [(0, 1), (20, 1), (38, 1), (2, 3), (20, 3), (36, 3)])
def test_a_spike_is_left_out_and_listed(at: int, rows: int, size: int) -> None:
    crank = turning()
    crank[at : at + rows] += size
    found = on_one_count(capture(crank, gaps=(Gap(39, 5, 0), Gap(40, 1, 0))))
    kept = np.delete(turning(), slice(at, at + rows))
    assert found.samples.crank.tolist() == kept.tolist()
    assert found.gaps == (Gap(39 - rows, 5, 0), Gap(40 - rows, 1, 0))
    (jump,) = count_jumps(capture(crank))
    assert (jump.at_us, jump.rows, jump.returned) == (STEP_US * at, rows, True)
    assert abs(jump.counts - size) <= rows + 1


def test_after_a_jump_that_stays_nothing_is_believed() -> None:
    crank = turning() + 100_000 * (turning() >= 30)
    pulses = IndexPulses(*np.array([[10 * STEP_US, 10, 0], [35 * STEP_US, 100_035, 0]], np.int64).T)
    found = on_one_count(capture(crank, pulses, (Gap(7, 1, 0), Gap(33, 1, 0))))
    assert found.samples.crank.tolist() == list(range(30))
    assert found.index.crank.tolist() == [10]
    assert found.gaps == (Gap(7, 1, 0),)
    assert count_jumps(capture(crank)) == (CountJump(100_001, 30 * STEP_US, 10, False),)


@given(st.lists(st.integers(-(2**40), 2**40) | st.integers(-60, 60), max_size=30))
def test_any_count_ends_in_rows_that_the_crank_can_have_made(steps: list[int]) -> None:
    crank = np.cumsum(np.array(steps, np.int64), dtype=np.int64)
    found, jumps = on_one_count(capture(crank)), count_jumps(capture(crank))
    assert count_jumps(found) == ()
    assert found.samples.crank.size + sum(jump.rows for jump in jumps) == crank.size
    assert all(jump.returned for jump in jumps[:-1])


@pytest.mark.parametrize("size", [10**9, *thorough(10**8)])
def test_one_row_that_jumps_changes_no_number_and_takes_no_memory(size: int) -> None:
    rig = Rig(work=Work(touches=3, turns=2.6), seed=3)
    stop, sweep = captures(rig, ["stop", "intake"])
    spike = sweep.samples.crank.copy()
    spike[spike.size // 2] += size
    spiked = replace(sweep, samples=replace(sweep.samples, crank=spike))
    expected = measure(job_for(rig), [stop, sweep]).intake.swept.curve
    tracemalloc.start()
    curve = measure(job_for(rig), [stop, spiked]).intake.swept.curve
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 100e6
    names = [used.name for used in measure(job_for(rig), [stop, spiked]).captures]
    assert names == [Path(each.path).name for each in (stop, spiked)], "what it was made of is told"
    assert curve.points.deg.size in (expected.points.deg.size, expected.points.deg.size - 1)
    at = np.array([-20.0, 50.0, 110.0, 170.0])
    assert curve.spline.value(at) == pytest.approx(expected.spline.value(at), abs=2e-4)
