"""Repeatability and reproducibility against published answers and other people's programs; each check names its source."""

from __future__ import annotations

import math
import re
from importlib import resources

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import stats
from statsmodels.stats.anova import anova_lm

from analysis.base.errors import DataError
from analysis.base.precision import (
    GaugeStudy,
    analysis_of_variance,
    cochran,
    grubbs,
    interval,
    interval_of_sum,
    mandel,
    mandel_limits,
)
from analysis.base.variance_components import reml
from tests.handbook import aiag

# Yields of penicillin (Davies & Goldsmith 1972), plates a to x by samples A to F: R package lme4, data set Penicillin.
PENICILLIN = """27 23 26 23 23 21 27 23 26 23 23 21 25 21 25 24 24 20 26 23 25 23 23 20 25 22 26 22 23 20 24 22 25 23 22 19 24 20 23
21 22 19 26 22 26 24 24 21 24 21 24 22 22 20 24 21 24 23 22 19 26 23 26 24 24 21 25 22 26 24 24 20 26 24 26 24 25 22
26 23 26 23 23 20 26 23 25 24 24 22 25 22 25 23 23 20 25 21 24 23 23 20 25 22 24 23 23 19 24 21 23 21 21 19 26 23 26
24 24 21 25 21 24 22 22 18 25 22 25 22 22 20 24 21 24 22 24 19 24 21 24 22 21 18"""
# Strength of pastes, batches A to J, three casks each, two values a cask (Davies & Goldsmith 1972): R package lme4, data set Pastes.
PASTES = """62.8 62.6 60.1 62.3 62.7 63.1 60 61.4 57.5 56.9 61.1 58.9 58.7 57.5 63.9 63.1 65.4 63.7 57.1 56.4 56.9 58.6 64.7 64.5
55.1 55.1 54.7 54.2 58.8 57.5 63.4 64.9 59.3 58.1 60.5 60 62.5 62.6 61 58.7 56.9 57.7 59.2 59.4 65.2 66 64.8 64.1 54.8
54.8 64 64 57.7 56.8 58.3 59.3 59.2 59.2 58.9 56.6"""


def nist(name: str) -> tuple[list[list[float]], dict[str, float]]:
    """A data set of NIST StRD (analysis of variance), as scipy ships it with its tests: groups, and the certified values."""
    text = (resources.files("scipy") / "stats" / "tests" / "data" / "nist_anova" / name).read_text()
    head, data = re.split(r"^Data:  (?:Treatment|Instrument) +\w+ *\n", text, flags=re.MULTILINE)
    number = r"[-+]?\d+\.?\d*(?:E[-+]\d+)?"
    rows = [line.split() for line in data.strip().splitlines()]
    groups: dict[str, list[float]] = {}
    for treatment, response in rows:
        groups.setdefault(treatment, []).append(float(response))
    between = re.search(rf"Between \w+\s+(\d+)\s+({number})\s+({number})\s+({number})", head)
    within = re.search(rf"Within \w+\s+(\d+)\s+({number})\s+({number})", head)
    assert between is not None
    assert within is not None
    return list(groups.values()), {
        "between": float(between[2]),
        "f": float(between[4]),
        "within": float(within[2]),
        "dof": float(within[1]),
    }


@pytest.mark.parametrize(
    ("name", "digits"),
    [("SiRstv.dat", 1e-9), ("AtmWtAg.dat", 1e-9), ("SmLs01.dat", 1e-9), ("SmLs04.dat", 1e-9), ("SmLs05.dat", 1e-9)],
)
def test_one_way_analysis_of_variance_by_nist(name: str, digits: float) -> None:
    groups, certified = nist(name)
    values = [value for group in groups for value in group]
    found = analysis_of_variance(values, {"group": [k for k, group in enumerate(groups) for _ in group]})
    between, within = found["group"], found["scatter"]
    assert within.dof == certified["dof"]
    assert between.squares == pytest.approx(certified["between"], rel=digits)
    assert within.squares == pytest.approx(certified["within"], rel=digits)
    assert between.mean_square / within.mean_square == pytest.approx(certified["f"], rel=digits)


@pytest.mark.parametrize("seed", [1, 2])
def test_two_way_analysis_of_variance_as_statsmodels_has_it(seed: int) -> None:
    """Unbalanced, each factor after those before it (type I)."""
    rng = np.random.default_rng(seed)
    part, group = np.divmod(np.sort(rng.permutation(36)[:32]) % 12, 3)
    frame = pd.DataFrame({"y": rng.normal(size=32) + part - 0.5 * group, "part": part, "group": group})
    judge = anova_lm(smf.ols("y ~ C(part) * C(group)", frame).fit(), typ=1)
    both = list(zip(part.tolist(), group.tolist(), strict=True))
    found = analysis_of_variance(frame.y.to_numpy(), {"part": part.tolist(), "group": group.tolist(), "both": both})
    assert [line.dof for line in found.values()] == judge.df.tolist()
    assert [line.squares for line in found.values()] == pytest.approx(judge.sum_sq.tolist(), rel=1e-9)


def test_gauge_study_of_the_handbook() -> None:
    """AIAG MSA 4th ed.: interaction pooled; EV 0.199933, AV 0.226838, GRR 0.302372, PV 1.042327, TV 1.085300, ndc 4 (4.86)."""
    data = aiag()
    both = list(zip(data.part, data.group, strict=True))
    found = reml(data.value.to_numpy(), {"part": list(data.part), "group": list(data.group), "part x group": both})
    gauge = GaugeStudy.of(found)
    assert gauge.equipment == pytest.approx(0.199933180, rel=1e-5)
    assert gauge.appraisers == pytest.approx(0.226837521, rel=1e-5)
    assert gauge.interaction == 0.0
    assert gauge.gauge == pytest.approx(0.302371522, rel=1e-5)
    assert gauge.parts == pytest.approx(1.042327494, rel=1e-5)
    assert gauge.total == pytest.approx(1.085299563, rel=1e-5)
    assert gauge.categories == 4
    assert gauge.of_tolerance(6.0) == pytest.approx(30.2371522, rel=1e-5)


def test_crossed_effects_as_lme4_has_them() -> None:
    """Bates et al., lme4 (REML): plate 0.84671, sample 1.93157, residual 0.54992; mean 22.9722."""
    y = [float(value) for value in PENICILLIN.split()]
    plate, sample = [k // 6 for k in range(len(y))], [k % 6 for k in range(len(y))]
    found = reml(y, {"plate": plate, "sample": sample})
    sizes = {name: math.sqrt(each) for name, each in found.variance.items()}
    assert sizes["plate"] == pytest.approx(0.84671, abs=2e-5)
    assert sizes["sample"] == pytest.approx(1.9316, abs=2e-4)
    assert math.sqrt(found.scatter) == pytest.approx(0.54992, abs=2e-5)
    assert found.mean == pytest.approx(22.9722, abs=1e-4)
    assert found.mean_u == pytest.approx(0.8086, abs=2e-4)


def test_nested_effects_as_lme4_and_statsmodels_have_them() -> None:
    """Bates et al., lme4 (REML): cask 2.9041, batch 1.2874, residual 0.8234."""
    y = [float(value) for value in PASTES.split()]
    batch, cask = [k // 6 for k in range(len(y))], [k // 2 for k in range(len(y))]
    found = reml(y, {"batch": batch, "cask": cask})
    assert math.sqrt(found.variance["cask"]) == pytest.approx(2.9041, abs=2e-4)
    assert math.sqrt(found.variance["batch"]) == pytest.approx(1.2874, abs=2e-4)
    assert math.sqrt(found.scatter) == pytest.approx(0.8234, abs=1e-4)
    frame = pd.DataFrame({"y": y, "batch": batch, "cask": cask})
    judge = smf.mixedlm("y ~ 1", frame, groups="batch", vc_formula={"cask": "0 + C(cask)"}, re_formula="1").fit(reml=True)
    assert found.scatter == pytest.approx(judge.scale, rel=1e-3)
    assert found.variance["cask"] == pytest.approx(float(judge.vcomp[0]), rel=1e-3)


@pytest.mark.parametrize("seed", [1, 2])
def test_unbalanced_effects_as_statsmodels_has_them(seed: int) -> None:
    rng = np.random.default_rng(seed)
    group = np.repeat(np.arange(8), rng.integers(2, 7, 8))
    y = 5.0 + rng.normal(0.0, 2.0, 8)[group] + rng.normal(0.0, 1.0, group.size)
    found = reml(y, {"group": list(group)})
    judge = smf.mixedlm("y ~ 1", pd.DataFrame({"y": y, "g": group}), groups="g").fit(reml=True)
    assert found.scatter == pytest.approx(judge.scale, rel=1e-4)
    assert found.variance["group"] == pytest.approx(float(judge.cov_re.iloc[0, 0]), rel=1e-3)
    assert found.mean_u == pytest.approx(float(judge.bse["Intercept"]), rel=1e-3)


def test_balanced_data_give_what_the_analysis_of_variance_gives() -> None:
    """JCGM 100:2008, H.5 (values of check day by day): s_a^2 and s_b^2 as ISO 5725-2 has them."""
    rng = np.random.default_rng(5)
    table = rng.normal(0.0, 1.0, (6, 4)) + rng.normal(0.0, 2.0, (6, 1))
    within = table.var(axis=1, ddof=1).mean()
    between = table.mean(axis=1).var(ddof=1) - within / 4
    found = reml(table.ravel(), {"group": [k // 4 for k in range(24)]})
    assert found.scatter == pytest.approx(within, rel=1e-6)
    assert found.variance["group"] == pytest.approx(between, rel=1e-5)


def test_no_spread_between_groups_is_none_and_not_negative() -> None:
    table = [[1.0, 2.0, 3.0], [3.0, 2.0, 1.0], [2.0, 1.0, 3.0]]
    found = reml(np.ravel(table), {"group": [k // 3 for k in range(9)]})
    assert found.variance["group"] == 0.0
    assert found.scatter == pytest.approx(np.var(np.ravel(table), ddof=1))


# ISO 5725-2, tables of critical values, 5 % and 1 % (from memory).
@pytest.mark.parametrize(
    ("p", "n", "chance", "critical"), [(5, 2, 0.05, 0.841), (5, 3, 0.05, 0.684), (5, 3, 0.01, 0.788), (10, 2, 0.05, 0.602)]
)
def test_critical_values_of_cochran(p: int, n: int, chance: float, critical: float) -> None:
    assert cochran(np.ones(p), n, chance)[1] == pytest.approx(critical, abs=6e-4)


@pytest.mark.parametrize(("p", "chance", "critical"), [(5, 0.05, 1.715), (5, 0.01, 1.764), (10, 0.05, 2.290), (10, 0.01, 2.482)])
def test_critical_values_of_grubbs(p: int, chance: float, critical: float) -> None:
    assert grubbs(np.arange(p, dtype=np.float64), chance)[1] == pytest.approx(critical, abs=6e-4)


# ISO 5725-2:1994, table 6, indicators at 1 % for Mandel's h, and for k with n = 2, 3, 4, as reprinted at metrology.wordpress.com,
# "Indicators for Mandel's h and k statistics at 1% significance level".
@pytest.mark.parametrize(
    ("p", "h", "k"),
    [
        (3, 1.15, (1.71, 1.64, 1.58)),
        (5, 1.72, (2.05, 1.85, 1.73)),
        (10, 2.18, (2.32, 2.00, 1.84)),
        (14, 2.30, (2.39, 2.04, 1.87)),
    ],
)
def test_critical_values_of_mandel(p: int, h: float, k: tuple[float, ...]) -> None:
    for n, critical in enumerate(k, start=2):
        found = mandel_limits(p, n, 0.01)
        assert found[0] == pytest.approx(h, abs=0.0051)
        assert found[1] == pytest.approx(critical, abs=0.0101)


def test_mandel_where_nothing_can_be_compared() -> None:
    """Single values have no k, equal means no h; an h of two groups is the same whatever they are, and has no limit."""
    h, k = mandel([[1.0], [2.0], [4.0]])
    assert np.all(np.isfinite(h))
    assert np.all(np.isnan(k))
    h, k = mandel([[1.0, 3.0], [2.0, 2.0]])
    assert np.all(np.isnan(h))
    assert k == pytest.approx([np.sqrt(2.0), 0.0])
    assert math.isnan(mandel_limits(2, 3)[0])
    assert math.isnan(mandel_limits(3, 1)[1])


def test_an_outlier_is_found_by_each_test() -> None:
    groups = [[10.0, 10.1], [10.05, 9.95], [10.0, 9.9], [10.1, 10.0], [13.0, 10.0]]
    assert cochran([np.var(g, ddof=1) for g in groups], 2)[0] > cochran(np.ones(5), 2)[1]
    statistic, critical = grubbs([10.0, 10.1, 9.9, 10.05, 9.95, 12.0])
    assert statistic > critical
    h, k = mandel(groups)
    assert int(np.argmax(np.abs(h))) == int(np.argmax(k)) == 4
    assert k[4] > mandel_limits(5, 2)[1]


def test_an_interval_of_a_standard_deviation_holds_it_19_times_in_20() -> None:
    """Seeds 0 to 1999; a binomial leaves 1850 of them with a chance below one in a million."""
    rng = np.random.default_rng(0)
    inside = 0
    for each in rng.normal(0.0, 1.0, (2000, 8)):
        low, high = interval(float(each.std(ddof=1)), 7)
        inside += low <= 1.0 <= high
    assert 1860 < inside < 1940


def test_the_interval_of_a_single_mean_square_is_that_of_chi_squared() -> None:
    values = [1.0, 4.0, 2.0, 8.0, 5.0]
    found = interval_of_sum(analysis_of_variance(values, {}), ["scatter"])
    assert found == pytest.approx(interval(float(np.std(values, ddof=1)), 4))


def test_the_interval_of_two_mean_squares_by_hand() -> None:
    """Six groups of four: s_R^2 = MS_between / 4 + 3/4 MS_within, each term out to where its own chi-squared interval ends."""
    rng = np.random.default_rng(6)
    table = rng.normal(0.0, 1.0, (6, 4)) + rng.normal(0.0, 2.0, (6, 1))
    parts = np.array([table.mean(axis=1).var(ddof=1), 0.75 * table.var(axis=1, ddof=1).mean()])
    dof = np.array([5.0, 18.0])
    up, down = parts * (dof / stats.chi2.ppf(0.025, dof) - 1.0), parts * (1.0 - dof / stats.chi2.ppf(0.975, dof))
    expected = math.sqrt(parts.sum() - np.hypot(*down)), math.sqrt(parts.sum() + np.hypot(*up))
    lines = analysis_of_variance(table.ravel(), {"group": [k // 4 for k in range(24)]})
    assert interval_of_sum(lines, ["group", "scatter"]) == pytest.approx(expected)


def test_too_little_is_refused() -> None:
    with pytest.raises(DataError, match="too few"):
        reml([1.0, 2.0], {})
    with pytest.raises(DataError, match="the same"):
        reml([1.0] * 6, {"group": [1, 1, 2, 2, 3, 3]})
