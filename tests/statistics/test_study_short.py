"""The study in short: a handful of scenarios, few seeds each, with limits that chance alone breaks once in a hundred thousand runs.

What it can see is a fault of half the size of an interval or of a quarter of the error; the long form sees the rest.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from tests.statistics.random_error import DEGREES, HALF_WIDTHS, PLACES, errors, shifted
from tests.statistics.study import EVENTS, NUMBERS, OTHERS, coverage, covered, efficiency, main, random_error, spread_out, table
from tests.statistics.trials import CPR, STEPS, Scenario, chance, lobes, scenarios

CHANCE = 1e-5
COVERED = (
    Scenario(0.25, 0.0127, "time", 1, "tcc-iii"),
    Scenario(0.15, 0.01, "edge", 3, "unsymmetrical"),
    Scenario(0.036, 0.001, "edge", 1, "4-5-6-7"),
)
SEEDS = 40


@pytest.mark.parametrize("scenario", COVERED, ids=str)
def test_intervals_hold_the_truth_as_often_as_they_claim(scenario: Scenario) -> None:
    """Seeds 0 to 39. Errors of one trial hang together, so each number is held against its own binomial law, at a share of 0.93 that
    the long form demands; the widths against the ideal ones with what forty trials scatter.
    """
    row = coverage([covered(scenario, seed) for seed in range(SEEDS)])
    least = stats.binom.ppf(CHANCE / len(NUMBERS), SEEDS, 0.93) / SEEDS
    assert least > 0.65
    for name, share in row["coverage"].items():
        assert share >= least, name
    # A mean square of forty errors is within a factor of 2.2 of its own mean (chi-squared of 40 degrees, one in a hundred thousand),
    # its root within 1.5.
    for name in EVENTS:
        assert 0.6 < row["width"][name] < 1.3 * 1.5, name


def test_random_error_against_the_best_that_knows_the_truth() -> None:
    """0.15 deg, 0.01 mm, three passes, seeds 0 to 24: at most 1.15 times the best local polynomial's, with what 25 trials scatter;
    five times less than between two readings; a shift within 1.2 of the Cramer-Rao bound.
    """
    row = efficiency([random_error(Scenario(0.15, 0.01, "edge", 3, "4-5-6-7"), seed) for seed in range(25)])
    assert np.mean(list(row["ratio"].values())) < 1.15
    assert max(row["ratio"].values()) < 1.15 * 1.5
    assert min(row["gain"][f"{flank} 1.27"] for flank in ("opens", "closes")) > 5.0
    # The root of a mean square of 25 normal errors exceeds 1.75 times its own once in a hundred thousand (chi-squared).
    assert 0.3 < row["shift"] < 1.2 * np.sqrt(stats.chi2.isf(CHANCE, 25) / 25)


def test_where_a_ramp_ends_the_curve_is_not_rounded_off() -> None:
    """The unsymmetrical lobe closes at 0.15 mm on the very top of its ramp. Seeds 0 to 7; with one strength of smoothing for all it
    comes to 2.4 times the best local polynomial.
    """
    scenario = Scenario(0.036, 0.001, "edge", 1, "unsymmetrical")
    trials = [errors(scenario, seed) for seed in range(8)]
    place = PLACES.index((0.15, "closes"))
    best = np.nanmin(np.sqrt(np.mean([t.local[place] ** 2 for t in trials], axis=0)))
    assert np.sqrt(np.mean([t.engine[place] ** 2 for t in trials])) < 1.5 * best


def test_a_coarse_clock_under_a_fine_indicator() -> None:
    """Seeds 0 to 19. A shift between two sweeps against the Cramer-Rao bound: 1.6 times if readings in a rest or slow and fast ones
    count alike. Its uncertainty is the size of its error, within what 20 trials scatter.
    """
    trials = [shifted(Scenario(0.25, 0.001, "time", 1, "4-5-6-7"), seed) for seed in range(20)]
    error, u, bound = (np.sqrt(np.mean([getattr(t, name) ** 2 for t in trials])) for name in ("error", "u", "bound"))
    assert error < 1.4 * bound
    assert 0.6 < u / error < 1.6


def test_a_rival_that_is_too_wide_or_too_narrow_loses() -> None:
    """The contest is one: neither the widest nor the narrowest local polynomial is best anywhere on a curved flank."""
    trials = [random_error(Scenario(0.15, 0.01, "edge", 1, "cycloidal"), seed) for seed in range(6)]
    local = np.array([t[1] for t in trials])
    assert local.shape == (6, len(PLACES), len(DEGREES), HALF_WIDTHS.size)
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
