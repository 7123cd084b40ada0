"""The live line's numbers: what is covered, how often the stop was touched, when a recording is over."""

from __future__ import annotations

import itertools
from collections.abc import Iterable

import numpy as np
import pytest

from acquire.cli.progress import End, Progress
from acquire.wire import Damage, Heartbeat, Hello, Sample, wrap_i32, wrap_u32
from analysis.base.samples import Board

CPR = 3600
BOARD = Board(cpr=CPR, index=True, latch="edge", steps_mm=(0.01,), units=("mm",), name="bench", boot=7)


def turned(degrees: Iterable[float], start: int = 0, start_us: int = 0) -> Progress:
    """A recording whose crank goes through `degrees`, a sample a millisecond."""
    progress = Progress()
    progress.connected(BOARD, same_count=False)
    for i, deg in enumerate(degrees):
        crank = wrap_i32(start + round(deg * CPR / 360))
        progress.take(Sample(i, wrap_u32(start_us + 1000 * i), crank, 0, (0,), (i,)))
    return progress


def sweep(*corners: float) -> np.ndarray:
    """From corner to corner in steps of 0.5 deg."""
    legs = [np.arange(a, b, 0.5 if b > a else -0.5) for a, b in itertools.pairwise(corners)]
    return np.concatenate([*legs, [corners[-1]]])


def test_half_a_cam_turn_covers_half_the_cycle() -> None:
    assert turned(sweep(0, 359.5)).covered == 0.5
    assert turned(sweep(0, -360)).covered == pytest.approx(361 / 720)
    assert turned(sweep(0, 1500)).covered == 1.0
    assert turned(sweep(0, 90, 0, 90)).covered == pytest.approx(91 / 720)


def test_a_hole_in_the_samples_is_not_covered() -> None:
    assert turned(np.concatenate([sweep(0, 99.5), sweep(200, 299.5)])).covered == pytest.approx(200 / 720)


def test_counts_go_on_over_the_ends_of_the_wires_numbers() -> None:
    progress = turned(sweep(0, 720), start=2**31 - 100, start_us=2**32 - 100_000)
    assert progress.turned_deg == pytest.approx(720.0)
    assert progress.passes == pytest.approx(1.0)
    assert progress.seconds == pytest.approx(1.440)


def test_each_contact_counts_once_and_the_start_is_none() -> None:
    # Bumps of a few degrees are the hand, not the stop.
    progress = turned(sweep(0, 130, 125, 150, -160, -155, -160, 150, -160, 10))
    assert progress.contacts == 4


def test_a_recording_ends_at_the_limit_that_was_given() -> None:
    progress = turned(sweep(0, 1440))
    assert progress.reached(End(passes=2))
    assert not progress.reached(End(passes=3))
    assert not progress.reached(End())
    assert progress.reached(End(seconds=2.8))
    assert not progress.reached(End(touches=1))
    assert turned(sweep(0, 100, 0)).reached(End(touches=1))


def test_stillness_counts_only_after_the_crank_has_moved() -> None:
    end = End(until_still_s=0.5)
    assert not turned([0.0] * 5000).reached(end)
    moved = turned([*sweep(0, 10), *[10.0] * 490])
    assert not moved.reached(end)
    moved.take(Heartbeat(999, 1_100_000, 100, 0, (0,), (1,)))
    assert moved.reached(end)


def test_a_board_that_starts_again_neither_turns_nor_ages_the_recording() -> None:
    progress = turned(sweep(0, 90))
    seconds = progress.seconds
    progress.take(Damage(12, 40, 0))
    progress.take(Hello(BOARD, 0, 0, restarted=True))
    progress.take(Sample(0, 5_000_000, 123_456, 0, (0,), (0,)))
    assert (progress.turned_deg, progress.seconds) == (90.0, seconds)
    assert (progress.lost, progress.refused, progress.reconnects) == (12, 40, 1)


def test_a_board_that_went_on_counting_is_followed_over_the_gap() -> None:
    progress = turned(sweep(0, 90))
    progress.connected(BOARD, same_count=True, missed=100)
    progress.take(Hello(BOARD, 600, 0))  # it only answers again: nothing new
    progress.take(Sample(600, 600_000, 1000, 0, (0,), (0,)))
    assert progress.turned_deg == pytest.approx(100.0)
    assert (progress.lost, progress.reconnects) == (100, 1)


def test_the_line_fits_and_says_what_there_is() -> None:
    assert Progress().line() == "waiting for the board"
    line = turned(sweep(0, 359.5)).line()
    assert line == "count 3595, +359.5 deg  lift 7.190 mm  covered 50 %  lost 0"
