"""The encoder of the simulated rig: steps, mounting, index, losses and slips, each against counting by hand or a published table."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.simulator.encoder import Encoder, Lost, lose
from acquire.simulator.hand import Hand, Turning, onward
from acquire.simulator.trajectory import Motion

STEP_BY_LINES = {360: 0.25, 500: 0.18, 1000: 0.09, 1024: 0.087890625, 2048: 0.0439453125, 2500: 0.036, 3600: 0.025}


def turned(*angles: float) -> Motion:
    return Motion(np.arange(len(angles), dtype=float), np.array(angles))


@pytest.mark.parametrize(("lines", "step"), STEP_BY_LINES.items())
def test_a_count_is_a_quarter_line(lines: int, step: float) -> None:
    encoder = Encoder(cpr=4 * lines)
    assert encoder.reading(step) - encoder.reading(0) == pytest.approx(1)


@pytest.mark.parametrize(
    ("e_um", "radius_mm", "arcsec"),
    [(10, 50, 41), (25, 50, 103), (100, 50, 412), (10, 25, 83), (25, 25, 206), (10, 12.5, 165), (5, 12.5, 83)],
)
def test_eccentric_mounting(e_um: float, radius_mm: float, arcsec: float) -> None:
    """Published table of an encoder engineering note: the error's peak is e/R radian, printed in whole arc seconds."""
    encoder = Encoder(cpr=360, phase=0.0, eccentric=e_um / 1000 / radius_mm)
    crank = np.linspace(0, 360, 100_001)
    error = (encoder.reading(crank) - crank) * 3600
    assert error.max() == pytest.approx(arcsec, abs=0.7)
    assert error.min() == pytest.approx(-error.max(), rel=1e-6)
    half_a_turn_later = (encoder.reading(crank + 180) - crank - 180) * 3600
    assert error + half_a_turn_later == pytest.approx(0, abs=1e-6)  # two heads on opposite sides cancel it


@given(st.floats(-3000, 3000), st.floats(0, 0.01), st.sampled_from([1, -1]))
def test_reading_and_its_inverse(crank: float, eccentric: float, direction: int) -> None:
    encoder = Encoder(eccentric=eccentric, direction=direction)
    assert encoder.crank_deg(encoder.reading(crank)) == pytest.approx(crank, abs=1e-8)


@given(
    st.lists(st.floats(-30, 30), min_size=1, max_size=12),
    st.sampled_from([1, -1]),
    st.floats(0, 0.01),
)
def test_edges_are_those_of_a_slow_twin(steps: list[float], direction: int, eccentric: float) -> None:
    """Quadrature counted from finely sampled positions: a step is one up or one down, and it falls where the floor changes."""
    motion = turned(*np.concatenate([[0.0], np.cumsum(steps)]))
    encoder = Encoder(cpr=36, direction=direction, eccentric=eccentric)
    time, count = encoder.edges(motion)
    before = int(np.floor(encoder.reading(0.0)))
    assert np.all(np.diff(time) >= 0)
    assert np.all(np.abs(np.diff(np.concatenate([[before], count]))) == 1)
    fine = np.linspace(0, motion.time[-1], 2000)
    fine = fine[np.abs(fine[:, None] - time).min(axis=1, initial=1.0) > 1e-9]
    expected = np.floor(encoder.reading(motion.at(fine))).astype(int)
    assert np.array_equal(np.concatenate([[before], count])[np.searchsorted(time, fine, side="right")], expected)


def test_a_forward_edge_stands_at_its_count_and_a_backward_edge_one_above() -> None:
    encoder = Encoder(cpr=2400)
    motion = turned(0.0, 10.0, 0.0)
    time, count = encoder.edges(motion)
    reading = encoder.reading(motion.at(time))
    up = time < 1
    assert reading[up] == pytest.approx(count[up], abs=1e-6)
    assert reading[~up] == pytest.approx(count[~up] + 1, abs=1e-6)


@pytest.mark.parametrize("direction", [1, -1])
def test_the_index_names_one_place_in_both_directions(direction: int) -> None:
    encoder = Encoder(cpr=2400, direction=direction, index_deg=63.4)
    _, count = encoder.index_pulses(turned(-100.0, 1200.0, -100.0))
    assert count.size == 8
    assert np.unique(count % 2400).size == 1
    assert np.all(np.abs(np.diff(count)[[0, 1, 2, 4, 5, 6]]) == 2400)


def test_lost_counts_are_missing_from_there_on() -> None:
    encoder = Encoder(cpr=360, phase=0.5)
    motion = turned(0.0, 1000.0)
    edges = encoder.edges(motion)
    (time, count), when, amount, noticed = lose(edges, (Lost(300.0, 40), Lost(700.0, 8, seen=False)), motion, 1)
    assert edges[0].size - time.size == 48
    assert amount.tolist() == [-40, -8]
    assert count[-1] == edges[1][-1] - 48
    assert noticed.size == 20
    assert np.diff(when)[0] == pytest.approx((700 + 8 - 300 - 40) / 1000, abs=0.002)
    assert np.array_equal(count[:299], edges[1][:299])


def test_a_slip_of_the_coupling_leaves_the_encoder_behind() -> None:
    encoder = Encoder(cpr=360, slip_deg=3.0, slip_after_deg=400.0)
    shaft, slipped = encoder.shaft(turned(0.0, 1000.0), 0.0)
    assert slipped == 3.0
    assert shaft.at([0.4, 0.403, 1.0]) == pytest.approx([400.0, 400.0, 997.0])
    assert np.diff(encoder.index_pulses(shaft)[1]).tolist() == [360, 360]  # the index slips with it: nothing shows


@pytest.mark.parametrize("seed", range(5))
def test_a_hand_does_not_turn_time_back_and_keeps_its_speed(seed: int) -> None:
    hand = Hand(speed=(1.0, 30.0))
    motion = onward(Turning(hand, -150.0, 0.0, np.random.default_rng(seed)), 1440.0)
    assert np.all(np.diff(motion.time) > 0)
    assert motion.angle[-1] == pytest.approx(1290.0)
    speed = np.abs(np.diff(motion.angle) / np.diff(motion.time))
    assert np.quantile(speed, 0.99) < 30 * 1.3
    still = np.diff(motion.time)[np.diff(motion.angle) == 0]
    assert still[-1] == hand.still_s
    assert np.any(np.diff(motion.angle) < 0)  # roll-backs
