"""How the crank moved: direction, slack taken up, and counts that went lost between two index pulses."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.base.errors import DataError
from analysis.base.samples import BY_TIME, STILL, Board, Capture, Header, IndexPulses, Ints, Samples
from analysis.crank.motion import (
    direction_of_rotation,
    find_count_errors,
    follow,
    index_phase,
    knots,
    mend_count,
    usable_forward,
)

CPR = 1000


def ints(*values: int) -> Ints:
    return np.array(values, dtype=np.int64)


def samples(crank: Ints, time_us: Ints | None = None, flags: Ints | None = None, origin: Ints | None = None) -> Samples:
    zero = np.zeros(crank.size, dtype=np.int64)
    return Samples(
        np.arange(crank.size),
        1000 * np.arange(crank.size) if time_us is None else time_us,
        crank,
        zero if flags is None else flags,
        zero if origin is None else origin,
        zero[None, :],
        zero[None, :],
    )


def pulses(*rows: tuple[int, int, int]) -> IndexPulses:
    time_us, crank, origin = np.array(rows, dtype=np.int64).reshape(-1, 3).T
    return IndexPulses(time_us, crank, origin)


def capture(s: Samples, index: IndexPulses, *, has_index: bool = True, latch: str = "edge") -> Capture:
    header = Header(Board(CPR, has_index, latch, (0.01,), ("mm",)), "sweep", 1, ("intake",))
    return Capture(header, s, index, (), (), (), True, (), "", "intake.csv")


# --- usable_forward -------------------------------------------------------------------------------------------------------


def slow_usable_forward(crank: list[int], forward: int, allowance: float) -> list[bool]:
    """What it says, a sample at a time: turning forward, and either past the furthest point so far (once the drive has surely
    been engaged) or `allowance` on from where the present run began.
    """
    usable = []
    p = [forward * c for c in crank]
    direction = 0
    began = furthest = lowest = p[0]
    for before, here in pairwise([p[0], *p]):
        step = (here > before) - (here < before)
        if step and step != direction:
            direction, began = step, before
        furthest, lowest = max(furthest, here), min(lowest, here)
        engaged = (here >= furthest and here - lowest >= allowance) or here - began >= allowance
        usable.append(direction > 0 and engaged)
    return usable


@given(st.lists(st.integers(-9, 9), min_size=1, max_size=60), st.sampled_from([1, -1]), st.integers(1, 15))
def test_usable_forward_agrees_with_a_loop_over_samples(steps: list[int], forward: int, allowance: int) -> None:
    crank = np.cumsum(steps)
    assert usable_forward(crank, forward, allowance).tolist() == slow_usable_forward(crank.tolist(), forward, allowance)


@given(
    st.lists(st.integers(-9, 9), min_size=1, max_size=60),
    st.integers(1, 15),
    st.integers(0, 15),
    st.integers(0, 15),
)
def test_what_is_usable_has_the_slack_taken_up(steps: list[int], allowance: int, slack: int, start: int) -> None:
    """The play operator of hysteresis theory, by loop: wherever a sample is usable, the driven part lies on the driver, whatever
    the slack up to the allowance and wherever in it the drive stood at first.
    """
    crank = np.cumsum(steps)
    slack = min(slack, allowance)
    driven = int(crank[0]) + min(start, slack)
    on_driver = []
    for c in crank.tolist():
        driven = min(max(driven, c), c + slack)
        on_driver.append(driven == c)
    usable = usable_forward(crank, 1, allowance)
    assert not np.any(usable & ~np.array(on_driver))


def test_usable_forward_of_nothing() -> None:
    assert usable_forward(ints(), 1, 5).size == 0
    assert usable_forward(ints(3, 3, 3), 1, 5).tolist() == [False] * 3


def test_running_direction() -> None:
    assert direction_of_rotation(ints(0, 5, 3, 9)) == 1
    assert direction_of_rotation(ints(0, 5, -9)) == -1
    assert direction_of_rotation(ints(4, 4)) == 1


# --- knots ----------------------------------------------------------------------------------------------------------------


def test_an_edge_lies_on_the_line_between_two_counts() -> None:
    """Up to 5 happens at 5, down to 4 at the same place. Heartbeats and samples latched by time tell no place."""
    flags = np.array([0, 0, STILL, 0, BY_TIME], dtype=np.int64)
    time, position = knots(samples(ints(4, 5, 5, 4, 7), flags=flags), "edge")
    assert time.tolist() == pytest.approx([0.001, 0.003])
    assert position.tolist() == [5.0, 5.0]


def test_by_time_a_step_lies_midway() -> None:
    time, position = knots(samples(ints(4, 4, 6, 6)), "time")
    assert time.tolist() == pytest.approx([0.0015])
    assert position.tolist() == [5.5]
    time, position = knots(samples(ints(4, 4)), "time")
    assert position.tolist() == [4.5]


# --- slips ----------------------------------------------------------------------------------------------------------------


def test_whole_turns_are_no_slip() -> None:
    assert find_count_errors(pulses((0, 10, 0), (1000, 1010, 0), (2000, 3010, 0), (3000, 2010, 0), (4000, 2010, 0)), CPR) == ()


def test_one_count_is_no_slip() -> None:
    """The two edges of the pulse may be that far apart, for a board that cannot tell which way it is turned."""
    assert find_count_errors(pulses((0, 10, 0), (1000, 1011, 0), (2000, 1010, 0)), CPR) == ()
    assert len(find_count_errors(pulses((0, 10, 0), (1000, 1012, 0)), CPR)) == 1


def test_a_new_start_of_the_board_is_no_slip() -> None:
    assert find_count_errors(pulses((0, 10, 0), (1000, 523, 1)), CPR) == ()


@given(st.integers(-400, 400).filter(lambda lost: abs(lost) > 1), st.integers(3, 9), st.integers(0, 5))
def test_a_slip_is_found_and_mended(lost: int, turns: int, at_turn: int) -> None:
    """Counts go lost half way between two index pulses: amount and place are found, and afterwards the count is right again."""
    at_turn = min(at_turn, turns - 2)
    true = np.arange(turns * CPR)
    time_us = 100 * true
    edge = at_turn * CPR + 700
    shown = true + np.where(true >= edge, lost, 0)
    index = pulses(*((100 * (k * CPR + 200), int(shown[k * CPR + 200]), 0) for k in range(turns)))
    (slip,) = find_count_errors(index, CPR)
    assert (slip.counts, slip.from_us, slip.to_us) == (lost, 100 * (at_turn * CPR + 200), 100 * ((at_turn + 1) * CPR + 200))
    crank, doubtful = mend_count(samples(shown, time_us), (slip,))
    assert np.array_equal(crank[~doubtful], true[~doubtful])
    assert doubtful[edge]
    assert doubtful.sum() == CPR + 1
    assert index_phase(index, CPR) == 200.0


def test_follow_leaves_doubtful_counts_and_later_starts_out() -> None:
    true = np.arange(4 * CPR)
    shown = true - np.where(true >= 1500, 30, 0)
    origin = np.where(true >= 3500, 1, 0)
    index = pulses((100 * 200, 200, 0), (100 * 1200, 1200, 0), (100 * 2200, 2170, 0), (100 * 3200, 3170, 0))
    motion, slips = follow(capture(samples(shown, 100 * true, origin=origin), index), 1, 10)
    assert [slip.counts for slip in slips] == [-30]
    assert not motion.usable[:10].any()
    assert motion.usable[10:1200].all()
    assert not motion.usable[1200:2201].any()
    assert motion.usable[2201:3500].all()
    assert not motion.usable[3500:].any()
    assert motion.at(np.array([0.25, 0.3])) == pytest.approx([2500.0, 3000.0])
    assert motion.speed(np.array([0.25]), 0.02) == pytest.approx([10_000.0])


def test_without_an_index_there_are_no_slips() -> None:
    s = samples(np.arange(2 * CPR))
    _, slips = follow(capture(s, pulses((0, 0, 0), (100, 700, 0)), has_index=False), 1, 10)
    assert slips == ()


def test_an_empty_capture_is_refused() -> None:
    with pytest.raises(DataError, match="no samples") as refused:
        follow(capture(samples(ints()), pulses()), 1, 10)
    assert refused.value.do
    assert refused.value.where == "intake.csv"


def test_index_phase_goes_by_most_pulses() -> None:
    assert index_phase(pulses(), CPR) is None
    assert index_phase(pulses((0, -2, 0), (1, 1001, 0), (2, 1998, 0), (3, 500, 1)), CPR) == pytest.approx(998.0)
