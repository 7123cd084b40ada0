"""The simulated indicator: what it shows, when, and its faults."""

from __future__ import annotations

import numpy as np
import pytest

from acquire.simulator.indicator import Indicator

QUIET = Indicator(noise_mm=0.0, preload_mm=0.0)


def ramp(time: np.ndarray) -> np.ndarray:
    """One millimetre a second."""
    return np.asarray(time, dtype=float)


def shown(indicator: Indicator, at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    counts, age, _ = indicator.latched(at, ramp, (0.0, 20.0), np.random.default_rng(5))
    return counts * indicator.step_mm, age


def quiet(**changes: object) -> Indicator:
    return Indicator(**({"noise_mm": 0.0, "preload_mm": 0.0} | changes))  # type: ignore[arg-type]


AT = np.linspace(0.5, 19.5, 4001)


def test_a_step_is_0_0127_mm_in_inches() -> None:
    assert Indicator(step=0.0005, unit="in").step_mm == pytest.approx(0.0127, rel=1e-12)


@pytest.mark.parametrize(
    ("step", "unit", "u"), [(0.01, "mm", 0.002886751), (0.001, "mm", 0.000288675), (0.0005, "in", 0.003666174)]
)
def test_rounding_has_the_deviation_of_a_step(step: float, unit: str, u: float) -> None:
    """JCGM 100:2008 F.2.2.1 (from memory): step / sqrt 12."""
    at = np.sort(np.random.default_rng(3).uniform(0.5, 19.5, 20_000))  # no simple fraction of a step
    lift, _ = shown(quiet(step=step, unit=unit), at)
    assert (lift - at).std() == pytest.approx(u, rel=0.02)
    assert abs((lift - at).mean()) < 0.03 * u


def test_latency_shows_what_was() -> None:
    lift, age = shown(quiet(latency_s=0.150, step=0.0001), AT)
    assert AT - lift == pytest.approx(0.150, abs=1e-4)
    assert age == pytest.approx(0)


def test_a_slow_gauge_holds_its_reading_and_its_age_grows() -> None:
    gauge = quiet(per_s=5.0, latency_s=0.06, step=0.0001)
    lift, age = shown(gauge, AT)
    assert AT - age - lift == pytest.approx(0.06, abs=2e-4)  # reading instant less latency is what it shows
    assert 0 <= age.min() < age.max() < 0.26
    assert np.unique(lift).size == pytest.approx(96, abs=2)


@pytest.mark.parametrize(
    ("degrees", "loss"),
    [(1, 0.000152305), (2, 0.000609173), (3, 0.001370465), (5, 0.003805302), (10, 0.015192247), (20, 0.060307379)],
)
def test_cosine_error(degrees: float, loss: float) -> None:
    """1 - cos, tabulated outside the project."""
    assert quiet(tilt_deg=degrees, tip="fixed").gain == pytest.approx(1 - loss, abs=1e-9)
    assert quiet(tilt_deg=degrees).gain == pytest.approx(1 / (1 - loss), abs=1e-8)


def test_faults_do_what_they_say() -> None:
    clean, _ = shown(QUIET, AT)
    spiked, _ = shown(quiet(spike_share=0.01), AT)
    assert np.mean(np.abs(spiked - clean) > 0.1) == pytest.approx(0.0097, abs=0.005)
    stuck, _ = shown(quiet(stuck=((0.25, 0.5),)), AT)
    assert np.ptp(stuck[(AT > 5.01) & (AT < 9.99)]) == 0
    assert stuck[AT > 10.01] == pytest.approx(clean[AT > 10.01])
    flipped, _ = shown(quiet(flip_from=0.5), AT)
    assert flipped[-1] == -clean[-1]
    inches = quiet(inch_from=0.5).latched(AT, ramp, (0.0, 20.0), np.random.default_rng(5))[0]
    assert inches[-1] == pytest.approx(19.5 / 0.0127, abs=1)
    drifted, _ = shown(quiet(drift_mm_s=0.01), AT)
    assert drifted - clean == pytest.approx(0.01 * AT, abs=0.011)
    backward, _ = shown(quiet(sign=-1), AT)
    assert backward == pytest.approx(-clean)


def test_over_range_is_told_and_a_free_plunger_is_not() -> None:
    counts, _, over = quiet(reach_mm=(2.0, 10.0)).latched(AT, ramp, (0.0, 20.0), np.random.default_rng(5))
    assert counts.min() == 200
    assert counts.max() == 1000
    assert np.array_equal(over, AT > 10.0)


def test_a_silent_gauge_gets_older_and_older() -> None:
    _, age = shown(quiet(per_s=10.0, silent_from=0.5), AT)
    assert age[-1] == pytest.approx(19.5 - 10.0, abs=0.15)
