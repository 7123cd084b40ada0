"""The study in short: a handful of scenarios, few seeds each; `tests.statistics.short` says what the limits can see."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scipy import stats

from analysis.base.samples import Floats
from tests.left_out import thorough
from tests.statistics.random_error import DEGREES, HALF_WIDTHS, PLACES, Shifted, errors, shifted
from tests.statistics.short import CHANCE, holds, in_u, missed, seeds
from tests.statistics.study import NUMBERS, OTHERS, covered, efficiency, main, random_error, spread_out, table
from tests.statistics.trials import CPR, STEPS, Scenario, chance, lobes, scenarios

COVERED = (
    Scenario(0.25, 0.0127, "time", 1, "tcc-iii"),
    Scenario(0.036, 0.001, "edge", 1, "4-5-6-7"),
    Scenario(0.15, 0.01, "edge", 3, "unsymmetrical"),  # a nose that bends differently before and behind the peak
    Scenario(0.15, 0.001, "time", 3, "4-5-6-7"),  # about one count a sample: a lag must not lean to one side of an edge
)
MORE = (
    Scenario(0.15, 0.01, "edge", 3, "4-5-6-7"),  # a zero that drifts within one code of the indicator
    Scenario(0.036, 0.001, "edge", 3, "unsymmetrical"),  # it is the base-circle runout that moves the peak
    Scenario(0.036, 0.001, "time", 3, "tcc-iii"),
)
PLAIN, COARSE_CLOCK = Scenario(0.15, 0.01, "edge", 3, "4-5-6-7"), Scenario(0.25, 0.001, "time", 1, "4-5-6-7")


@cache
def numbers_in_u(scenario: Scenario) -> Floats:
    """Errors of every number in units of its uncertainty. Shape (trials, numbers)."""
    error, u95 = np.array([covered(scenario, seed) for seed in seeds(20)], dtype=np.float64).transpose(1, 0, 2)
    return in_u(error, u95)


@pytest.mark.parametrize(
    "scenario",
    [*COVERED, *thorough(*MORE)],
    ids=lambda s: f"{s}, seeds 0 to {seeds(20)[-1]}",
)
def test_intervals_hold_the_truth(scenario: Scenario) -> None:
    """Errors of one trial hang together, so each number is held by itself; all that can be told is told in some trial."""
    found = numbers_in_u(scenario)
    assert missed(found, NUMBERS, CHANCE / len(NUMBERS)) == {}
    assert np.isfinite(found).any(axis=0).all()


@pytest.mark.parametrize(
    "together", [pytest.param(COVERED, id="four"), pytest.param((*COVERED, *MORE), id="all", marks=pytest.mark.thorough)]
)
def test_intervals_of_scenarios_together_are_neither_too_narrow_nor_too_wide(together: tuple[Scenario, ...]) -> None:
    """Over the same trials together: 0.6 of an interval shows in most numbers, and twice of it, with all scenarios in every one."""
    found = np.concatenate([numbers_in_u(scenario) for scenario in together])
    holds(found, NUMBERS, CHANCE / len(NUMBERS))
    rms = np.sqrt(np.nanmean(found**2, axis=0))
    # 1.3 times the ideal width is what the long form allows.
    least = np.sqrt(stats.chi2.ppf(CHANCE, len(found)) / len(found)) / 1.3
    assert np.all(rms > least)
    assert np.all(rms / 2 < least) if together != COVERED else np.mean(rms / 2 < least) > 0.5


@cache
def plain() -> list[list[object]]:
    return [random_error(PLAIN, seed) for seed in seeds(16)]


@cache
def coarse() -> list[Shifted]:
    return [shifted(COARSE_CLOCK, seed) for seed in seeds(12)]


@pytest.mark.thorough  # how wide the numbers are is held by those of the samples too
def test_random_error_against_the_best_that_knows_the_truth() -> None:
    """0.15 deg, 0.01 mm, three passes, from seed 0: at most 1.15 times the best local polynomial's, with what sixteen trials
    scatter; five times less than between two readings; a shift within 1.2 of the Cramer-Rao bound.
    """
    row = efficiency(plain())
    assert np.mean(list(row["ratio"].values())) < 1.15
    assert max(row["ratio"].values()) < 1.15 * 1.5
    assert min(row["gain"][f"{flank} 1.27"] for flank in ("opens", "closes")) > 5.0
    # The root of a mean square of so many normal errors exceeds this once in ten thousand (chi-squared).
    assert 0.3 < row["shift"] < 1.2 * np.sqrt(stats.chi2.isf(CHANCE, len(plain())) / len(plain()))


def test_where_a_ramp_ends_the_curve_is_not_rounded_off() -> None:
    """The unsymmetrical lobe closes at 0.15 mm on the very top of its ramp. From seed 0; with one strength of smoothing for all it
    comes to 2.4 times the best local polynomial.
    """
    scenario = Scenario(0.036, 0.001, "edge", 1, "unsymmetrical")
    trials = [errors(scenario, seed) for seed in seeds(8)]
    place = PLACES.index((0.15, "closes"))
    best = np.nanmin(np.sqrt(np.mean([t.local[place] ** 2 for t in trials], axis=0)))
    assert np.sqrt(np.mean([t.engine[place] ** 2 for t in trials])) < 1.5 * best


def test_a_coarse_clock_under_a_fine_indicator() -> None:
    """From seed 0. A shift between two sweeps against the Cramer-Rao bound: 1.6 times if readings in a rest or slow and fast ones
    count alike.
    """
    error, bound = (np.sqrt(np.mean([getattr(t, name) ** 2 for t in coarse()])) for name in ("error", "bound"))
    assert error < 1.4 * bound


def test_a_shift_is_as_uncertain_as_it_says() -> None:
    """From seed 0, and the trials of the test before."""
    found = np.array([t.error / t.u for t in [*(shifted(PLAIN, seed) for seed in seeds(10)), *coarse()]])
    holds(found[:, None], ["shift"])
    assert np.sqrt(np.mean(found**2)) > 0.6


def test_a_rival_that_is_too_wide_or_too_narrow_loses() -> None:
    """The contest is one: neither the widest nor the narrowest local polynomial is best anywhere on a curved flank."""
    local = np.array([errors(Scenario(0.15, 0.01, "edge", 1, "cycloidal"), seed).local for seed in seeds(6)])
    assert local.shape == (len(seeds(6)), len(PLACES), len(DEGREES), HALF_WIDTHS.size)
    rms = np.sqrt((local**2).mean(axis=0))
    at_1_27 = [k for k, (lift, _) in enumerate(PLACES) if lift == 1.27]
    for k in at_1_27:
        cubic = rms[k, DEGREES.index(3)]
        best = int(np.nanargmin(cubic))
        assert 0 < best < HALF_WIDTHS.size - 1
        assert cubic[-1] > 1.5 * cubic[best]


def test_every_scenario_has_seeds_of_its_own() -> None:
    every = scenarios()
    assert len(every) == len(set(every)) == len(CPR) * len(STEPS) * 2 * 3 * len(lobes()) == 270
    assert len({chance(scenario, seed) for scenario in every for seed in range(20)}) == 270 * 20


def test_a_part_of_the_scenarios_meets_every_level_equally_often() -> None:
    chosen = spread_out(30)
    assert len(set(chosen)) == 30
    for name, levels in (("encoder_deg", 3), ("step_mm", 3), ("latch", 2), ("passes", 3), ("lobe", 5)):
        met = np.unique([str(getattr(s, name)) for s in chosen], return_counts=True)[1]
        assert met.size == levels
        assert np.ptp(met) <= 2
    assert set(spread_out(270)) == set(scenarios())


def test_the_command_prints_a_table_and_goes_on_where_it_was(tmp_path: object, capsys: pytest.CaptureFixture[str]) -> None:
    rows = f"{tmp_path}/rows.jsonl"
    asked = ["--part", "coverage", "--seeds", "2", "--jobs", "1", "--scenarios", "2", "--share", "2/2", "--rows", rows]
    main(asked)
    first = capsys.readouterr()
    assert "1 of 1" in first.err
    assert first.out.count("\n| 0.") == 2  # events, and the other numbers
    assert "2 seeds a scenario, 0 trials refused" in first.out
    main(asked)
    again = capsys.readouterr()
    assert again.err == ""
    assert again.out == first.out


def test_the_table_has_a_line_for_each_scenario() -> None:
    row = {
        "scenario": "one",
        "coverage": dict.fromkeys(NUMBERS, 0.95),
        "width": dict.fromkeys(NUMBERS, 1.0) | {"opens 0.5": 1.25},
    }
    assert table("others", [row]).splitlines()[-1] == f"| one |{' 95.0 (1.00) |' * len(OTHERS)}"
    assert table("coverage", [row]).splitlines()[-1] == (
        "| one | 95.0 to 95.0 | 95.0 to 95.0 | 95.0 to 95.0 | 1.00 to 1.25 | 1.00 to 1.00 | 1.00 to 1.00 |"
    )
