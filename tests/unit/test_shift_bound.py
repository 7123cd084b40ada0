"""The bound that a found shift is held against: its closed form where there is one, its derivatives, and what must move it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from acquire.simulator.laws import LAWS
from acquire.simulator.motion import Motion
from acquire.simulator.phases import latch_phase, start
from acquire.simulator.rig import Rig
from tests.statistics.random_error import SHIFT_DEG, steady_rig
from tests.statistics.shift_bound import _hand, shift_bound
from tests.statistics.trials import Scenario


def pair(scenario: Scenario, seed: int, per_s: int = 0) -> tuple[Rig, Rig]:
    first = steady_rig(scenario, seed, noise_steps=0.5)
    first = replace(first, board=replace(first.board, per_s=per_s or first.board.per_s))
    later = replace(first.cam, advance_deg=first.cam.advance_deg - SHIFT_DEG)
    return first, replace(first, cam=later, seed=first.seed ^ 1)


def bound(rigs: tuple[Rig, Rig], lobe_known: bool = False) -> float:
    return shift_bound(rigs, [latch_phase(rig, "intake", start(rig)) for rig in rigs], lobe_known)


def test_angles_and_lobe_known_it_is_sigma_over_root_of_summed_slopes() -> None:
    """Kay, Fundamentals of Statistical Signal Processing I, 1993, eq. 3.14 (from memory), for each of two sweeps."""
    rigs = pair(Scenario(0.15, 0.01, "edge", 1, "4-5-6-7"), 1)
    gauge = rigs[0].indicators[0]
    # An even pitch of 0.15 degrees: the sum of slope^2 is its integral over pitch, up to what slack takes off beginnings of strokes.
    deg = np.arange(-360.0, 360.0, 0.15)
    slope = np.gradient(rigs[0].train.valve_lift(rigs[0].cam.lift("intake", deg)), deg)
    sigma2 = gauge.step_mm**2 / 12 + gauge.noise_mm**2
    assert bound(rigs, lobe_known=True) == pytest.approx(np.sqrt(2 * sigma2 / np.sum(slope**2)), rel=0.08)


@pytest.mark.parametrize("seed", range(3))
def test_what_nobody_knows_widens_it(seed: int) -> None:
    rigs = pair(Scenario(0.25, 0.001, "time", 1, "unsymmetrical"), seed)
    assert bound(rigs) > 1.02 * bound(rigs, lobe_known=True)


def test_a_faster_clock_narrows_it() -> None:
    scenario = Scenario(0.25, 0.001, "time", 1, "4-5-6-7")
    assert bound(pair(scenario, 2, per_s=1000)) < 0.6 * bound(pair(scenario, 2))


def stroke(stops: tuple[float, float, float], begin: float, lasted: float, waves: tuple[float, float, float]) -> Motion:
    """A rest, a stroke as the simulated hand's, a rest, a stroke back."""
    share = np.linspace(0.0, 1.0, 2001)[1:]
    wavering = 1.0 + np.sin(np.pi * share[:, None] * np.arange(1, 4)) @ np.array(waves) / np.pi
    first = begin + lasted * share * wavering
    time = np.concatenate(([0.0, begin], first, [12.0], 12.0 + 3.0 * share))
    way, back = stops[1] - stops[0], stops[2] - stops[1]
    law = LAWS["3-4-5"](share)
    angle = np.concatenate(([stops[0], stops[0]], stops[0] + way * law, [stops[1]], stops[1] + back * law))
    return Motion(time, angle)


def test_the_hand_s_derivatives() -> None:
    """Against differences of motions with one number changed a little."""
    plain = ((10.0, 90.0, 60.0), 1.0, 8.0, (0.03, -0.01, 0.005))
    time = np.array([0.5, 2.3, 4.1, 6.2, 8.4, 10.0, 12.7, 14.1])
    found = _hand(stroke(*plain), time).toarray()
    step = 1e-5

    def moved(number: int) -> Motion:
        stops, begin, lasted, waves = (np.atleast_1d(np.array(part, dtype=np.float64)) for part in plain)
        flat = np.concatenate((stops, begin, lasted, waves))
        flat[number] += step
        return stroke(tuple(flat[:3]), flat[3], flat[4], tuple(flat[5:]))  # type: ignore[arg-type]

    wanted = np.stack([(moved(n).at(time) - stroke(*plain).at(time)) / step for n in range(8)], axis=1)
    assert found[:, :8] == pytest.approx(wanted, abs=0.02 * np.abs(wanted).max())
