"""Counters that run over; the outside judge is numpy.unwrap."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from analysis.capture.counters import START, Carry, near, unwrap

LONG = 1 << 32
# A counter's true course: steps below half its range, from anywhere.
COURSES = st.builds(
    lambda start, steps: start + np.cumsum([0, *steps]),
    st.integers(-(2**40), 2**40),
    st.lists(st.integers(-(2**31) + 1, 2**31 - 1), max_size=30),
)


@given(COURSES, st.booleans())
def test_a_wrapped_course_comes_back_and_agrees_with_numpy(course: np.ndarray, signed: bool) -> None:
    raw = course % LONG
    if signed:
        raw = np.where(raw >= LONG // 2, raw - LONG, raw)
    unwrapped, carry = unwrap(raw)
    assert np.array_equal(unwrapped - unwrapped[0], course - course[0])
    assert np.array_equal(unwrapped, np.unwrap(raw, period=LONG))
    assert carry == Carry(int(unwrapped[-1]))
    assert unwrapped[0] == raw[0]


@given(COURSES, st.lists(st.integers(0, 31), max_size=5))
def test_cut_into_blocks_it_is_the_same(course: np.ndarray, cuts: list[int]) -> None:
    raw, carry, parts = course % LONG, START, []
    for block in np.split(raw, sorted(min(cut, len(raw)) for cut in cuts)):
        part, carry = unwrap(block, carry=carry)
        parts.append(part)
    assert np.array_equal(np.concatenate(parts), unwrap(raw)[0])


def test_nothing_is_unwrapped_to_nothing_and_keeps_the_carry() -> None:
    unwrapped, carry = unwrap([], carry=Carry(7))
    assert unwrapped.shape == (0,)
    assert unwrapped.dtype == np.int64
    assert carry == Carry(7)


def test_other_widths_and_both_ways_round() -> None:
    assert unwrap([250, 255, 3, 250], bits=8)[0].tolist() == [250, 255, 259, 250]
    assert unwrap([-126, -128, 127, -128], bits=8)[0].tolist() == [-126, -128, -129, -128]
    assert near([2, 254, 128], 1000, bits=8).tolist() == [1026, 1022, 896]


@given(st.integers(-(2**50), 2**50), st.integers(-(2**31), 2**31 - 1))
def test_near_finds_what_lies_within_half_a_turn(reference: int, away: int) -> None:
    assert int(near((reference + away) % LONG, reference)) == reference + away
