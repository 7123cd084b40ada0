"""The bound that a found shift is held against: its closed forms, what it takes to be unknown, and what must move it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.interpolate import BSpline

from acquire.simulator.phases import latch_phase, start
from acquire.simulator.rig import Rig
from tests.statistics.random_error import SHIFT_DEG, steady_rig
from tests.statistics.shift_bound import LOBE_KNOT_DEG, edges_unknown, lobe_knots, shares_between, shift_bound
from tests.statistics.trials import STEPS, Scenario, lobes


def pair(scenario: Scenario, seed: int, per_s: int = 0) -> tuple[Rig, Rig]:
    first = steady_rig(scenario, seed, noise_steps=0.5)
    first = replace(first, board=replace(first.board, per_s=per_s or first.board.per_s))
    later = replace(first.cam, advance_deg=first.cam.advance_deg - SHIFT_DEG)
    return first, replace(first, cam=later, seed=first.seed ^ 1)


def bounds(rigs: tuple[Rig, Rig]) -> tuple[float, float]:
    return shift_bound(rigs, [latch_phase(rig, "intake", start(rig)) for rig in rigs])


def test_angles_and_lobe_known_it_is_sigma_over_root_of_summed_slopes() -> None:
    """Kay, Fundamentals of Statistical Signal Processing I, 1993, eq. 3.14 (from memory), for each of two sweeps."""
    rigs = pair(Scenario(0.15, 0.01, "edge", 1, "4-5-6-7"), 1)
    gauge = rigs[0].indicators[0]
    # An even pitch of 0.15 degrees: the sum of slope^2 is its integral over pitch, up to what slack takes off beginnings of strokes.
    deg = np.arange(-360.0, 360.0, 0.15)
    slope = np.gradient(rigs[0].train.valve_lift(rigs[0].cam.lift("intake", deg)), deg)
    sigma2 = gauge.step_mm**2 / 12 + gauge.noise_mm**2
    assert bounds(rigs)[1] == pytest.approx(np.sqrt(2 * sigma2 / np.sum(slope**2)), rel=0.08)


@pytest.mark.parametrize("seed", range(3))
def test_what_nobody_knows_widens_it(seed: int) -> None:
    rigs = pair(Scenario(0.25, 0.001, "time", 1, "unsymmetrical"), seed)
    unknown, known = bounds(rigs)
    assert unknown > 1.02 * known


def test_a_faster_clock_narrows_it() -> None:
    scenario = Scenario(0.25, 0.001, "time", 1, "4-5-6-7")
    assert bounds(pair(scenario, 2, per_s=1000))[0] < 0.6 * bounds(pair(scenario, 2))[0]


@pytest.mark.parametrize("name", lobes())
def test_the_spline_that_stands_for_an_unknown_lobe_can_be_any_of_the_study_s(name: str) -> None:
    """To within the finest indicator's step; with knots two and a half times as far apart it could not be all of them."""
    rig = steady_rig(Scenario(0.25, min(STEPS), "edge", 1, name), 0)
    deg = rig.cam.nose_deg("intake") + np.linspace(-170.0, 170.0, 4001)
    lift = rig.train.valve_lift(rig.cam.lift("intake", deg))
    x, y = deg[lift > 0.0], lift[lift > 0.0]

    def furthest(knot_deg: float) -> float:
        spans = math.ceil((x[-1] + 1e-6 - x[0]) / knot_deg)
        design = BSpline.design_matrix(x, lobe_knots(x[0], x[-1] + 1e-6, spans), 5).toarray()
        return float(np.abs(design @ np.linalg.lstsq(design, y)[0] - y).max())

    assert furthest(LOBE_KNOT_DEG) < min(STEPS)
    assert furthest(2.5 * LOBE_KNOT_DEG) > min(STEPS)


@pytest.mark.parametrize("seed", range(3))
def test_edges_that_are_not_known_scatter_the_readings_together(seed: int) -> None:
    """The same by the readings' covariance, which they then share: C'(1 + L K L')^-1 C (generalised least squares)."""
    rng = np.random.default_rng(seed)
    edge = np.cumsum(rng.uniform(0.5, 2.0, 12))
    time = np.sort(rng.uniform(edge[0], edge[-1], 40))
    columns, known = rng.standard_normal((40, 3)), rng.uniform(0.1, 2.0, 12)
    shares = shares_between(time, edge)
    by_edge = shares.toarray()
    together = np.eye(40) + by_edge @ np.diag(known**2) @ by_edge.T
    assert edges_unknown(columns, shares, known) == pytest.approx(columns.T @ np.linalg.solve(together, columns))


def test_between_two_edges_the_crank_goes_on_evenly() -> None:
    edge, place = np.array([1.0, 2.0, 4.0, 4.5]), np.array([10.0, 11.0, 12.0, 15.0])
    time = np.array([1.0, 1.5, 2.0, 3.0, 4.25, 4.5])
    assert shares_between(time, edge) @ place == pytest.approx(np.interp(time, edge, place))
