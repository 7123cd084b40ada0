"""What each reading is worth: kinds of scatter told apart, and passes laid over each other by them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from analysis.base.samples import Floats
from analysis.base.selection import only
from analysis.curve.points import Points, local_mean_count
from analysis.curve.pooling import Scatter, pool, rounding, scatter_about
from analysis.curve.smoothing import fit_spline

STEP = 0.01
DEG = np.arange(-80.0, 80.0, 0.1)


def lobe(deg: Floats) -> Floats:
    return np.asarray(8.0 * np.exp(-((deg / 40.0) ** 2)))


def laid(lift: Sequence[Floats], speed: Sequence[Floats], n: Sequence[Floats], usual: Sequence[Floats]) -> Points:
    """The points of passes over the same bins."""
    columns = (np.concatenate(column) for column in ([DEG] * len(n), lift, speed, n, [0.0 * DEG] * len(n), usual))
    number, bin_ = np.divmod(np.arange(len(n) * DEG.size), DEG.size)
    return Points(*columns, pass_=number, bin=bin_)


def passes(scatter: Scatter, speeds: tuple[float, ...], seed: int) -> Points:
    """Passes over a lobe with so much scatter of every kind, speed and number of readings varying along each."""
    rng = np.random.default_rng(seed)
    shared = np.sqrt(scatter.common) * rng.standard_normal(DEG.size)
    slope = np.gradient(lobe(DEG), DEG)
    found = []
    for speed in speeds:
        fast = speed * rng.uniform(0.3, 1.7, DEG.size)
        n = rng.integers(1, 9, DEG.size).astype(np.float64)
        own = np.sqrt(scatter.own / n) * rng.standard_normal(DEG.size)
        late = np.sqrt(scatter.timing) * rng.standard_normal(DEG.size)
        lift = lobe(DEG) + shared + own + slope * fast * late
        found.append((lift, fast, n, n))
    return laid(*zip(*found, strict=True))


@pytest.mark.parametrize("seed", range(4))
def test_the_kinds_of_scatter_are_told_apart(seed: int) -> None:
    """Each variance to a third of itself (1600 bins tell one to about a tenth); which readings are worth most follows from them."""
    true = Scatter(2e-6, 3e-5, 1e-6)
    given = passes(true, (12.0,), seed)
    pooled = pool(given, STEP, rounding(STEP))
    curve = fit_spline(pooled.deg, pooled.lift_mm, pooled.weight, -80.0, 80.0)
    found = scatter_about(curve, pooled, rounding(STEP))
    assert found.own == pytest.approx(true.own, rel=0.35)
    assert found.timing == pytest.approx(true.timing, rel=0.35)
    assert found.common == pytest.approx(true.common, abs=2e-6)


def test_white_scatter_is_not_taken_for_timing() -> None:
    """At the steepest place, 2 mm/s, less than a tenth of what a bin scatters by anyway."""
    given = passes(Scatter(0.0, 3e-5, 0.0), (12.0,), 5)
    pooled = pool(given, STEP, rounding(STEP))
    curve = fit_spline(pooled.deg, pooled.lift_mm, pooled.weight, -80.0, 80.0)
    assert scatter_about(curve, pooled, rounding(STEP)).timing * 2.0**2 < 0.1 * 3e-5 / 4.5


@pytest.mark.parametrize("seed", range(3))
def test_weights_are_inverse_variances(seed: int) -> None:
    """Three passes of different speed: distances from the truth, each times the root of its weight, are alike where the flank is
    steep and where it is level; and knowing the scatter helps.
    """
    true = Scatter(1e-7, 1e-6, 1e-6)
    given = passes(true, (3.0, 12.0, 25.0), seed)
    plain = pool(given, STEP, rounding(STEP))
    curve = fit_spline(plain.deg, plain.lift_mm, plain.weight, -80.0, 80.0)
    pooled = pool(given, STEP, scatter_about(curve, plain, rounding(STEP)), curve)
    size2 = pooled.weight * (pooled.lift_mm - lobe(pooled.deg)) ** 2 / (STEP**2 / 6)
    steep = np.abs(np.abs(pooled.deg) - 28.0) < 12.0
    assert size2[steep].mean() == pytest.approx(1.0, rel=0.3)
    assert size2[~steep].mean() == pytest.approx(1.0, rel=0.3)
    off = [np.sqrt(np.mean((p.lift_mm - lobe(p.deg))[steep] ** 2)) for p in (plain, pooled)]
    assert off[1] < 0.7 * off[0]


def test_too_few_bins_tell_nothing() -> None:
    some = passes(rounding(STEP), (12.0,), 1)
    few = only(some, np.arange(DEG.size) % 64 == 0)
    pooled = pool(few, STEP, rounding(STEP))
    curve = fit_spline(pooled.deg, pooled.lift_mm, pooled.weight, -80.0, 80.0)
    assert scatter_about(curve, pooled, rounding(STEP)) == rounding(STEP)


def test_where_only_timing_scatters_readings_count_alike_not_bins() -> None:
    """Two passes at one steady speed, bins of one and of two readings by turns: a bin of two weighs twice as much."""
    speed, level = np.full(DEG.size, 12.0), np.ones(DEG.size)
    numbers = [1.0 + (np.arange(DEG.size) + on) % 2 for on in (0, 1)]
    usual = [local_mean_count(n, np.zeros(DEG.size, np.int64)) for n in numbers]
    given = laid([lobe(DEG), lobe(DEG) + 0.3], [speed, speed], numbers, usual)
    timing = Scatter(0.0, 1e-15, 1e-6)
    pooled = pool(given, STEP, timing, fit_spline(DEG, lobe(DEG), level, -80.0, 80.0))
    flank = np.abs(np.abs(DEG) - 28.0) < 12.0
    share = numbers[1] / (numbers[0] + numbers[1])
    assert (pooled.lift_mm - lobe(DEG))[flank] == pytest.approx(0.3 * share[flank], abs=0.01)
    assert np.ptp(share) > 0.3


def test_bins_that_have_as_many_as_their_neighbours_are_usual() -> None:
    one = np.zeros(60, np.int64)
    assert local_mean_count(np.full(40, 5.0), one[:40]) == pytest.approx(5.0)
    assert local_mean_count(np.full(1, 3.0), one[:1]) == pytest.approx(3.0)
    turned = np.concatenate((np.full(30, 1.0), np.full(30, 4.0)))  # slower from there on
    assert local_mean_count(turned, one)[[0, 10, 50, 59]] == pytest.approx([1.0, 1.0, 4.0, 4.0])


def test_another_pass_does_not_count_among_the_neighbours() -> None:
    n, pass_ = np.array([1.0] * 20 + [5.0] * 20), np.repeat([0, 1], 20)
    assert local_mean_count(n, pass_) == pytest.approx(n)
