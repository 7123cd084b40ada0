"""The budget against the worked examples of the GUM (JCGM 100:2008) and its supplement 1 (JCGM 101:2008), and another library."""

from __future__ import annotations

import math

import numpy as np
import pytest
import uncertainties
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from analysis.base.quantity import (
    DISTRIBUTIONS,
    Quantity,
    Source,
    correlated,
    correlation,
    covariance,
    expanded_uncertainty,
    function_of,
    linear_combination,
)
from analysis.lobe.events import _with_between


def one(name: str, u: float, shape: str = "normal", dof: float = math.inf, value: float = 0.0) -> Quantity:
    return Quantity(value, {Source(name, dof, shape): u})


def by_annex_g(quantity: Quantity, level: float = 0.95) -> float:
    """The GUM's own formula: Student's t at the effective degrees of freedom, rounded down."""
    dof = quantity.dof
    k = stats.norm.ppf((1 + level) / 2) if math.isinf(dof) else stats.t.ppf((1 + level) / 2, math.floor(dof))
    return float(k) * quantity.u


# --- JCGM 100:2008 --------------------------------------------------------------------------------------------------------


def end_gauge() -> tuple[Quantity, Quantity]:
    """H.1, in nanometres: the difference d and the gauge's length l."""
    d = linear_combination(
        (1.0, one("repeat", 5.8, dof=24, value=215.0)),
        (1.0, one("comparator, random", 3.9, dof=5)),
        (1.0, one("comparator, systematic", 6.7, dof=8)),
    )
    standard = one("standard", 25.0, dof=18, value=50_000_623.0)
    # l = ls + d - ls (alpha_s d_theta + theta d_alpha); the first-order sensitivities at the estimates, d_theta = d_alpha = 0.
    length_nm, alpha, theta = 50_000_623.0, 11.5e-6, -0.1
    difference = one("temperature difference", 0.05 / math.sqrt(3), "rectangular", 2)
    expansion = one("expansion difference", 1e-6 / math.sqrt(3), "rectangular", 50)
    length = function_of(
        50_000_838.0, [(1.0, standard), (1.0, d), (-length_nm * alpha, difference), (-length_nm * theta, expansion)]
    )
    return d, length


def test_h1_end_gauge() -> None:
    """JCGM 100:2008 H.1: u(d) 9.7 nm with 25.6 degrees of freedom; u(l) 32 nm, 16 degrees of freedom, U99 = 93 nm."""
    d, length = end_gauge()
    assert d.u == pytest.approx(9.6819, abs=1e-3)
    assert d.dof == pytest.approx(25.6, abs=0.2)  # the GUM reckons with the rounded 9.7
    assert length.u == pytest.approx(31.664, abs=1e-3)
    assert length.dof == pytest.approx(16.75, abs=0.05)
    parts = sorted(abs(part) for part in length.parts.values())
    assert parts == pytest.approx([2.887, 3.9, 5.8, 6.7, 16.599, 25.0], abs=1e-3)
    assert by_annex_g(length, 0.99) == pytest.approx(93, abs=0.6)
    assert by_annex_g(length, 0.99) / length.u == pytest.approx(2.92, abs=0.005)


_V = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
_I = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) * 1e-3
_PHI = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])


def test_h2_correlated_inputs() -> None:
    """JCGM 100:2008 H.2: resistance, reactance and impedance from V, I and phi observed together."""
    data = np.vstack([_V, _I, _PHI])
    volts, amperes, phi = correlated(data.mean(axis=1).tolist(), np.cov(data) / 5, "H.2", dof=4)
    assert [volts.u, amperes.u, phi.u] == pytest.approx([0.0032094, 0.0094710e-3, 0.00075206], rel=1e-4)
    assert correlation(volts, amperes) == pytest.approx(-0.3553, abs=5e-5)
    assert correlation(volts, phi) == pytest.approx(0.8576, abs=5e-5)
    assert correlation(amperes, phi) == pytest.approx(-0.6451, abs=5e-5)
    v, i, f = volts.value, amperes.value, phi.value
    z = v / i
    magnitude = function_of(z, [(1 / i, volts), (-z / i, amperes)])
    resistance = function_of(
        z * math.cos(f), [(math.cos(f) / i, volts), (-z * math.cos(f) / i, amperes), (-z * math.sin(f), phi)]
    )
    reactance = function_of(z * math.sin(f), [(math.sin(f) / i, volts), (-z * math.sin(f) / i, amperes), (z * math.cos(f), phi)])
    assert [resistance.value, reactance.value, magnitude.value] == pytest.approx([127.7322, 219.8465, 254.2597], abs=1e-4)
    assert [resistance.u, reactance.u, magnitude.u] == pytest.approx([0.0711, 0.2956, 0.2363], abs=1e-4)
    assert correlation(resistance, reactance) == pytest.approx(-0.588, abs=5e-4)
    assert correlation(resistance, magnitude) == pytest.approx(-0.485, abs=5e-4)
    assert correlation(reactance, magnitude) == pytest.approx(0.993, abs=6e-4)


def test_h3_calibration_line() -> None:
    """JCGM 100:2008 H.3: intercept -0.1712 (29), slope 0.00218 (67), r -0.930; the correction at 30 degrees -0.1494 (41)."""
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]) - 20.0
    b = np.array([-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160])
    design = np.column_stack([np.ones_like(t), t])
    best, rest, *_ = np.linalg.lstsq(design, b, rcond=None)
    s2 = float(rest[0]) / (t.size - 2)
    intercept, slope = correlated(best.tolist(), s2 * np.linalg.inv(design.T @ design), "H.3", dof=9)
    assert math.sqrt(s2) == pytest.approx(0.0035, abs=5e-6)
    assert (intercept.value, intercept.u) == pytest.approx((-0.1712, 0.0029), abs=5e-5)
    assert (slope.value, slope.u) == pytest.approx((0.00218, 0.00067), abs=5e-6)
    assert correlation(intercept, slope) == pytest.approx(-0.930, abs=5e-4)
    at_30 = linear_combination((1.0, intercept), (10.0, slope))
    assert (at_30.value, at_30.u) == pytest.approx((-0.1494, 0.0041), abs=5e-5)


def test_the_mean_of_twenty_temperatures() -> None:
    """JCGM 100:2008 4.4.3 and table 1 (from memory): 100.14 with s 1.49 and 0.33 for the mean."""
    lower = [96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07]
    upper = [100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72]
    t = np.array([*lower, *upper])
    mean = one("observations", float(np.std(t, ddof=1)) / math.sqrt(t.size), dof=19, value=float(t.mean()))
    assert mean.value == pytest.approx(100.145)
    assert np.std(t, ddof=1) == pytest.approx(1.48884448, abs=1e-8)
    assert mean.u == pytest.approx(0.33291575, abs=1e-8)
    assert expanded_uncertainty(mean) == pytest.approx(stats.t.ppf(0.975, 19) * mean.u, rel=1e-3)


@pytest.mark.parametrize(("level", "dof", "k"), [(0.95, 4, 2.78), (0.99, 16, 2.92), (0.95, 50, 2.01), (0.6827, 3, 1.20)])
def test_coverage_factors_of_table_g2(level: float, dof: float, k: float) -> None:
    """JCGM 100:2008, table G.2: t for given degrees of freedom."""
    assert by_annex_g(one("x", 1.0, dof=dof), level) == pytest.approx(k, abs=0.006)
    assert expanded_uncertainty(one("x", 1.0, dof=dof), level) == pytest.approx(stats.t.ppf((1 + level) / 2, dof), rel=2e-3)


def test_h5_days_are_passes() -> None:
    """JCGM 100:2008 H.5: five readings on each of ten days, in microvolts above 10 V. The days differ by more than the readings
    within them can make (F 2.25 against 2.12): the mean is uncertain by 18 microvolts, the days' own s is 43.
    """
    means = np.array([172, 116, 13, 144, 106, 31, 60, 125, 163, 41], dtype=np.float64)
    within = np.array([60, 77, 111, 101, 67, 93, 80, 73, 88, 86], dtype=np.float64)
    pooled = float(np.sqrt(np.mean(within**2)))
    assert pooled == pytest.approx(84.89, abs=0.01)
    alone = one("scatter within days", pooled / math.sqrt(50), dof=40, value=float(means.mean()))
    total = _with_between(alone, means - means.mean(), "H.5")
    assert total.value == pytest.approx(97.1)
    assert total.u == pytest.approx(18.05, abs=0.01)
    between = next(part for source, part in total.parts.items() if "between" in source.name)
    assert between * math.sqrt(10) == pytest.approx(42.64, abs=0.02)
    assert next(source.dof for source in total.parts if "between" in source.name) == 9


def test_days_that_agree_add_nothing() -> None:
    """ANOVA again: a spread of the passes that their own scatter explains is not counted twice."""
    alone = one("scatter", 0.01)
    assert _with_between(alone, np.array([0.01, -0.012, 0.003]), "x").u == alone.u
    assert _with_between(alone, np.array([np.nan, 0.5]), "x").u == alone.u
    assert _with_between(alone, np.array([0.3, -0.3, np.nan, 0.1]), "x").u > 0.1


# --- JCGM 101:2008, clause 9 ----------------------------------------------------------------------------------------------


def test_four_normal_inputs() -> None:
    """JCGM 101:2008 9.2.2: u 2.00, 95 % within 3.92."""
    total = linear_combination(*((1.0, one(f"x{k}", 1.0)) for k in range(4)))
    assert total.u == pytest.approx(2.0)
    assert expanded_uncertainty(total) == pytest.approx(3.92, abs=5e-3)


def test_four_rectangular_inputs() -> None:
    """JCGM 101:2008 9.2.3: 95 % within 3.88; exactly 2 sqrt 3 (2 - (3/5)^(1/4))."""
    total = linear_combination(*((1.0, one(f"x{k}", 1.0, "rectangular")) for k in range(4)))
    assert total.u == pytest.approx(2.0)
    assert expanded_uncertainty(total) == pytest.approx(2 * math.sqrt(3) * (2 - 0.6**0.25), rel=1e-3)
    assert expanded_uncertainty(total) == pytest.approx(3.88, abs=5e-3)


def test_one_rectangular_input_dominates() -> None:
    """JCGM 101:2008 9.2.4 (from memory): u 10.1, 95 % within 17.0 where the GUM's own formula says 19.9."""
    total = linear_combination(*((1.0, one(f"x{k}", 10.0 if k == 0 else 1.0, "rectangular")) for k in range(4)))
    assert total.u == pytest.approx(10.1489, abs=1e-4)
    assert expanded_uncertainty(total) == pytest.approx(17.0, abs=0.05)
    assert by_annex_g(total) == pytest.approx(19.8915, abs=1e-3)


def test_gauge_block_as_far_as_it_is_linear() -> None:
    """JCGM 101:2008 9.5: the linear part of the gauge block. The published Monte Carlo result, 36 nm and 99 % within (745, 932),
    holds the second-order terms; without them the GUM gives 32 nm and (745, 931) by Student's t, which hides that the
    temperature term is rectangular.
    """
    _, length = end_gauge()
    rng = np.random.default_rng(95)
    n = 400_000
    drawn = (
        25.0 * rng.standard_t(18, n)
        + 5.8 * rng.standard_t(24, n)
        + 3.9 * rng.standard_t(5, n)
        + 6.7 * rng.standard_t(8, n)
        + 575.0072 * rng.uniform(-0.05, 0.05, n)
        + 5.0 * rng.uniform(-1.0, 1.0, n)
    )
    for level in (0.95, 0.99):
        assert expanded_uncertainty(length, level) == pytest.approx(float(np.quantile(np.abs(drawn), level)), rel=0.01)


# --- shapes ---------------------------------------------------------------------------------------------------------------


def test_single_shapes_give_their_own_quantiles() -> None:
    """0.95 a for a rectangular source, not 1.96 a / sqrt 3; triangular a (1 - sqrt 0.05); arcsine a sin(0.95 pi / 2)."""
    a = 2.0
    cases = {
        "rectangular": (a / math.sqrt(3), 0.95 * a),
        "triangular": (a / math.sqrt(6), a * (1 - math.sqrt(0.05))),
        "arcsine": (a / math.sqrt(2), a * math.sin(0.95 * math.pi / 2)),
        "normal": (a, stats.norm.ppf(0.975) * a),
    }
    assert set(cases) == set(DISTRIBUTIONS)
    for shape, (u, wanted) in cases.items():
        assert expanded_uncertainty(one("x", u, shape)) == pytest.approx(wanted, rel=2e-3), shape


@pytest.mark.parametrize("dof", [1, 2, 3, 5, 10, 30, 100])
def test_few_degrees_of_freedom(dof: int) -> None:
    """One source with few observations: Student's t (JCGM 101:2008, 6.4.9). The two heaviest tails may come out 2 % wide."""
    wide = expanded_uncertainty(one("x", 1.0, dof=dof)) / stats.t.ppf(0.975, dof)
    assert -2e-3 < wide - 1 < (0.02 if dof < 3 else 4e-3)


@pytest.mark.parametrize("count", [2, 4, 9, 30])
def test_several_sources_of_two_observations_each(count: int) -> None:
    """One degree of freedom is a Cauchy distribution, whose sums are Cauchy again: the widths add up, not their squares."""
    total = linear_combination(*((1.0, one(f"x{k}", 1.0, dof=1)) for k in range(count)))
    assert expanded_uncertainty(total) == pytest.approx(count * stats.t.ppf(0.975, 1), rel=0.05)


@given(
    st.lists(st.tuples(st.floats(0.05, 5.0), st.sampled_from(DISTRIBUTIONS)), min_size=1, max_size=5),
)
def test_the_interval_lies_between_what_any_shape_allows(parts: list[tuple[float, str]]) -> None:
    total = linear_combination(*((1.0, one(f"x{k}", u, shape)) for k, (u, shape) in enumerate(parts)))
    assert 1.38 * total.u < expanded_uncertainty(total) < 2.02 * total.u  # arcsine alone 1.41, normal 1.96


@pytest.mark.parametrize("seed", range(4))
def test_mixtures_agree_with_drawing(seed: int) -> None:
    """JCGM 101:2008: the same by half a million draws."""
    rng = np.random.default_rng(seed)
    n, parts, drawn = 400_000, {}, np.zeros(400_000)
    for k, shape in enumerate(DISTRIBUTIONS):
        u, dof = float(rng.uniform(0.2, 2.0)), float(rng.integers(3, 12)) if shape == "normal" else math.inf
        parts[Source(f"x{k}", dof, shape)] = u
        drawn += (
            u
            * {
                "normal": rng.standard_t(dof if math.isfinite(dof) else 1e9, n),
                "rectangular": rng.uniform(-1, 1, n) * math.sqrt(3),
                "triangular": rng.triangular(-1, 0, 1, n) * math.sqrt(6),
                "arcsine": np.sin(rng.uniform(-np.pi / 2, np.pi / 2, n)) * math.sqrt(2),
            }[shape]
        )
    assert expanded_uncertainty(Quantity(0.0, parts)) == pytest.approx(float(np.quantile(np.abs(drawn), 0.95)), rel=0.01)


# --- against another library ------------------------------------------------------------------------------------------------

_factors = st.floats(-10, 10).filter(lambda f: abs(f) > 1e-3)


@given(
    st.lists(st.tuples(st.floats(-100, 100), st.floats(0.01, 10)), min_size=2, max_size=6),
    st.lists(_factors, min_size=6, max_size=6),
    st.lists(_factors, min_size=6, max_size=6),
)
def test_linear_models_as_the_library_uncertainties_has_them(
    inputs: list[tuple[float, float]], first: list[float], second: list[float]
) -> None:
    """Value, standard uncertainty and covariance of two sums of the same inputs, against PyPI's `uncertainties`."""
    ours = [one(f"x{k}", u, value=value) for k, (value, u) in enumerate(inputs)]
    theirs = [uncertainties.ufloat(value, u) for value, u in inputs]
    a, b = (linear_combination(*zip(factors, ours, strict=False)) for factors in (first, second))
    x, y = (sum(f * v for f, v in zip(factors, theirs, strict=False)) for factors in (first, second))
    assert (a.value, b.value) == pytest.approx((x.nominal_value, y.nominal_value), abs=1e-9)
    assert (a.u, b.u) == pytest.approx((x.std_dev, y.std_dev), rel=1e-9)
    matrix = uncertainties.covariance_matrix([x, y])
    assert covariance(a, b) == pytest.approx(matrix[0][1], abs=1e-9 * (1 + a.u * b.u))
    difference = a - b
    assert difference.u == pytest.approx((x - y).std_dev, rel=1e-6, abs=1e-6)


@given(st.lists(st.floats(0.01, 10), min_size=1, max_size=5), st.floats(-5, 5))
def test_what_is_taken_from_itself_is_certain(parts: list[float], factor: float) -> None:
    q = linear_combination(*((1.0, one(f"x{k}", u)) for k, u in enumerate(parts)))
    assert (q - q).u == 0.0
    assert expanded_uncertainty(q - q) == 0.0
    assert (q * factor).u == pytest.approx(abs(factor) * q.u)
    assert correlation(q, q) == pytest.approx(1.0)


def test_a_source_met_twice_is_one_cause() -> None:
    zero = Source("zero")
    q = Quantity(1.0).with_part(zero, 0.3).with_part(zero, -0.3)
    assert q.u == pytest.approx(0.0)
    assert Quantity(1.0).with_part(zero, 0.3).with_part(zero, 0.4).u == pytest.approx(0.7)
    assert Quantity(1.0).with_part(zero, 0.0).parts == {}
    assert correlation(Quantity(1.0), Quantity(2.0)) == 0.0
