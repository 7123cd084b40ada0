"""Where the crank was between two known edges, and where that cannot be told."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.base.samples import Floats
from analysis.crank.interpolation import NEAR_S, SLOW_S, place
from analysis.crank.motion import Motion


def moved(time_s: Floats, position: Floats, forward: int = 1) -> Motion:
    return Motion(np.asarray(time_s, np.float64), np.asarray(position, np.float64), np.zeros(0, dtype=bool), forward)


def off_rest(counts: int, begun_s: float = 0.0) -> Motion:
    """Edges of a stroke that begins as a hand's does, with the third power of time: a count in the first half second."""
    edge = np.arange(1.0, counts + 1)
    return moved(begun_s + 0.5 * np.cbrt(edge), edge)


def test_a_crank_that_speeds_up_is_placed_where_it_was() -> None:
    """Against the motion that made the edges: four times nearer than straight lines between edges."""
    motion = off_rest(12)
    time = np.linspace(motion.time_s[1], motion.time_s[-2], 500)
    true = (time / 0.5) ** 3
    position, known = place(motion, time)
    assert known.all()
    assert np.abs(position - true).max() < 0.25 * np.abs(motion.at(time) - true).max()
    assert np.abs(position - true).max() < 0.01


@pytest.mark.parametrize("period_s", [0.0, 0.03])
def test_in_a_rest_only_what_is_next_to_an_edge_is_known(period_s: float) -> None:
    before = off_rest(8)
    rest = before.time_s[-1] + 1.5
    motion = moved(np.concatenate((before.time_s, rest + 0.5 * np.cbrt(np.arange(1.0, 9)))), np.arange(1.0, 17))
    time = np.arange(before.time_s[-1] + 1e-3, motion.time_s[8], 1e-3)
    _, known = place(motion, time, period_s)
    near = np.minimum(time - before.time_s[-1], motion.time_s[8] - time)
    assert known[near < max(NEAR_S, period_s) - 1e-6].all()
    assert not known[near > max(NEAR_S, period_s) + 1e-6].any()


def test_next_to_a_rest_the_speed_is_taken_from_the_other_side() -> None:
    """In the last hundredth of a second before the first edge that is crossed after a rest."""
    motion = off_rest(9)
    motion = moved(np.concatenate(([-2.0, -1.9, -1.8], motion.time_s)), np.arange(-2.0, 10))
    time = np.linspace(0.49, 0.5, 20, endpoint=False)
    position, known = place(motion, time)
    assert known.all()
    assert position == pytest.approx((time / 0.5) ** 3, abs=0.01)


def test_slow_and_steady_is_no_rest() -> None:
    motion = moved(0.4 * np.arange(20.0), np.arange(20.0))
    time = np.arange(0.0, 7.6, 0.005)
    position, known = place(motion, time)
    assert known.all()
    assert position == pytest.approx(time / 0.4)


@pytest.mark.parametrize("forward", [1, -1])
def test_turned_back_it_is_unknown_until_an_edge_that_was_never_reached(forward: int) -> None:
    """Up over 5, back over 5 and 4, up again: how far beyond 5 it had been, nobody saw, and there the drive is slack still."""
    motion = moved(0.01 * np.arange(12.0), forward * np.array([1.0, 2, 3, 4, 5, 5, 4, 4, 5, 6, 7, 8]), forward)
    time = np.arange(0.0005, 0.11, 0.001)
    _, known = place(motion, time)
    between = np.floor(time / 0.01).astype(int)
    turned, again = (4, 6), 8
    assert not known[np.isin(between, turned)].any()
    assert not known[between == again].any()
    assert known[np.isin(between, (0, 1, 2, 3, 9, 10))].all()


def test_beyond_the_first_and_the_last_edge_nothing_is_known() -> None:
    motion = moved(np.arange(1.0, 2.0, 0.01), np.arange(100.0))
    _, known = place(motion, np.array([0.9, 0.985, 1.5, 1.995, 2.02]))
    assert known.tolist() == [False, True, True, True, False]


@given(
    st.lists(st.floats(0.0, 0.5), min_size=3, max_size=40),
    st.lists(st.sampled_from([-1.0, 0.0, 1.0, 1.0, 1.0, 2.0]), min_size=40, max_size=40),
    st.floats(0.0, 0.05),
)
def test_never_outside_the_count_that_was_seen(gaps: list[float], ways: list[float], period_s: float) -> None:
    """Whatever the edges: finite, at edges themselves exact, between two of them neither before the one nor behind the other."""
    motion = moved(np.cumsum(gaps), np.cumsum(ways[: len(gaps)]))
    time = np.sort(np.concatenate((motion.time_s, np.linspace(-0.1, motion.time_s[-1] + 0.1, 200))))
    position, known = place(motion, time, period_s)
    assert np.isfinite(position).all()
    assert known.shape == time.shape
    k = np.clip(np.searchsorted(motion.time_s, time, side="right") - 1, 0, motion.time_s.size - 2)
    both = np.stack((motion.position[k], motion.position[k + 1]))
    inside = (time >= motion.time_s[0]) & (time < motion.time_s[-1])
    assert (position >= both.min(axis=0) - 1e-9)[inside].all()
    assert (position <= both.max(axis=0) + 1e-9)[inside].all()
    lasted = np.diff(motion.time_s)[k]
    assert position[lasted < SLOW_S] == pytest.approx(motion.at(time)[lasted < SLOW_S])
