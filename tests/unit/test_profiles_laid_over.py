"""Profiles laid over each other: what they differ in is found and named, and chance is not taken for wear."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import numpy.typing as npt
import pytest
import statsmodels.api as sm

from acquire.simulator.cam import Cam
from acquire.simulator.rig import Rig
from analysis.base.errors import DataError
from analysis.base.samples import Floats
from analysis.compare.difference import Difference, difference
from analysis.compare.laid import Cells, lay, marks_of, weighted
from analysis.compare.lobes import compare_lobes
from analysis.compare.overlay import overlay
from analysis.decision.sweep_by_sweep import each_sweep
from analysis.diagnosis.examine import examine
from analysis.lobe.result import Lobe
from tests.left_out import thorough
from tests.lobes_laid import changed, measured_lobe, set_up_again, twice
from tests.recorded import captures
from tests.rigs import SHORT, job_for, lobe_of, measured, with_lobes
from tests.statistics.trials import Scenario, rig_of

LOBE = lobe_of("4-5-6-7", 8.0, 66.0)
BENCH = with_lobes(SHORT, LOBE)
SCENARIO = Scenario(0.15, 0.01, "edge", 3, "unsymmetrical")
Added = Callable[[Floats, Floats], Floats]


@cache
def intake(rig: Rig) -> Lobe:
    """The intake lobe of a rig as it is taken to be: the job says nothing of what is wrong with it."""
    return examine(job_for(BENCH), captures(rig, ("stop", "intake"))).intake


def laid_over(changed: Rig) -> Difference:
    """A second sweep of a changed rig, by another hand, against one of the rig as it was."""
    return overlay(intake(BENCH), intake(replace(changed, seed=7)))


def test_a_lobe_lies_on_itself() -> None:
    found = overlay(intake(BENCH), intake(BENCH))
    assert found.kind == "alike"
    assert found.later.value == pytest.approx(0.0, abs=1e-6)
    assert np.abs(found.higher_mm).max() < 1e-6
    assert found.deg.size > 50


def test_the_same_lobe_swept_again_is_alike() -> None:
    assert laid_over(BENCH).kind == "alike"


@pytest.mark.parametrize("advanced", [-6.0, 2.0])
def test_a_camshaft_that_was_moved_is_indexed_otherwise_and_has_no_other_profile(advanced: float) -> None:
    found = laid_over(replace(BENCH, cam=Cam(LOBE, LOBE, advance_deg=BENCH.cam.advance_deg + advanced)))
    assert [each.kind for each in found.named] == ["indexing"]
    assert abs(found.later.value + advanced) <= found.later.u95


def test_more_lash_lies_lower_by_the_same_all_over_the_lobe() -> None:
    found = laid_over(replace(BENCH, train=replace(BENCH.train, lash_mm=BENCH.train.lash_mm + 0.1)))
    assert [each.kind for each in found.named] == ["height"]
    assert found.named[0].size.value == pytest.approx(-0.1, abs=0.01)


def test_a_share_of_the_lift_of_one_lobe_is_an_indicator_that_leaned() -> None:
    found = laid_over(replace(BENCH, train=replace(BENCH.train, ratio=BENCH.train.ratio * 1.02)))
    assert found.kind == "tilt"
    assert found.named[0].size.value == pytest.approx(0.02, abs=0.002)


@pytest.mark.parametrize(
    ("kind", "added", "size", "at"),
    [
        ("nose", lambda deg, _: -0.03 * np.exp(-((deg / 24.0) ** 2)), -0.03, 0.0),
        ("nose", lambda deg, _: -0.075 * np.exp(-((deg / 12.0) ** 2)), -0.075, 0.0),
        ("opening flank", lambda deg, _: -0.03 * np.exp(-(((deg + 55.0) / 12.0) ** 2)), -0.03, -55.0),
        ("closing flank", lambda deg, _: 0.03 * np.exp(-(((deg - 60.0) / 15.0) ** 2)), 0.03, 60.0),
        ("height", lambda _, lift: 0.15 * np.clip(lift / 0.02, 0.0, 1.0), 0.15, None),
        ("runout", lambda deg, lift: 0.08 * np.sin(np.radians(deg) / 2) * (lift > 0.02), 0.08, None),
        ("scale", lambda _, lift: -0.0123 * lift, -0.0123, None),
    ],
    ids=["worn nose", "nose worn in a narrow place", "opening", "closing", "base circle", "runout", "scale"],
)
def test_what_was_planted_is_named_with_size_and_place(kind: str, added: Added, size: float, at: float | None) -> None:
    first, second = pair()
    found = overlay(first, changed(second, added))
    assert [each.kind for each in found.named] == [kind]
    (what,) = found.named
    assert abs(what.size.value - size) <= max(2 * what.size.u95, 0.05 * abs(size))
    assert at is None or what.at_deg == pytest.approx(first.causes.peak_deg + at, abs=8.0)


@cache
def pair() -> tuple[Lobe, Lobe]:
    return twice(SCENARIO, 3)


def test_worn_in_several_ways_is_another_shape() -> None:
    first, second = pair()
    found = overlay(first, changed(second, lambda deg, _: 0.06 * np.sin(deg / 6.0) * np.exp(-((deg / 70.0) ** 2))))
    assert found.kind == "other"
    assert found.named[0].at_deg is not None


def test_an_encoder_clipped_on_anew_moves_no_lobe() -> None:
    """Three degrees off between two jobs, each with its own TDC: the shift is nothing, and its uncertainty holds both TDCs."""
    first, second = pair()
    rig = set_up_again(rig_of(SCENARIO, 3), 3)
    turned = replace(rig, encoder=replace(rig.encoder, index_deg=rig.encoder.index_deg + 3.0), start_deg=rig.start_deg + 3.0)
    found = overlay(first, measured_lobe(turned, "clipped on anew"))
    assert abs(found.later.value) <= found.later.u95 < 0.3
    assert found.kind == "alike"
    for lobe in (first, second):
        told = lobe.swept.sweep.tdc.told_by
        assert any(told in source.name for source in overlay(first, second).later.parts)


def given_by_the_job(link: str, boot: int, name: str) -> list[Lobe]:
    """Two intake sweeps of a job that gives the count of TDC, of an encoder that may be off center."""
    count = float(BENCH.encoder.reading(0.0)) + BENCH.count_offset
    stated = job_for(BENCH, rig={"tdc_count": count, "encoder_offcenter_deg": 0.2})
    (sweep,) = captures(BENCH, ("intake",))
    header = replace(sweep.header, link=link, board=replace(sweep.header.board, boot=boot))
    files = [replace(sweep, header=header, path=f"{name}-{k}.csv", sha256=f"{name}{k}") for k in (1, 2)]
    return [each.lobe for each in each_sweep(stated, files, name)[0]]


@pytest.mark.parametrize(
    ("first", "second", "one"),
    [
        (("", 0), ("", 0), False),
        (("tty-1", 7), ("tty-2", 8), False),
        (("tty-1", 7), ("tty-2", 7), True),
        *thorough((("tty-1", 0), ("tty-2", 0), False), (("tty-1", 0), ("tty-1", 0), True)),
    ],
    ids=["nothing told", "two starts", "one start", "two connections", "one connection"],
)
def test_two_jobs_that_give_one_count_are_one_mounting_only_if_the_board_says_so(
    first: tuple[str, int], second: tuple[str, int], one: bool
) -> None:
    """Within a job all sweeps share the count that it gives; equal numbers in another job may be chance."""
    mine, theirs = given_by_the_job(*first, "one"), given_by_the_job(*second, "two")
    marks = [[marks_of(lobe)[kind] for kind in ("tdc", "encoder")] for lobe in (*mine, *theirs)]
    assert marks[0] == marks[1]
    assert marks[2] == marks[3]
    assert (marks[0] == marks[2]) is one
    within, between = (
        {source.name for source in overlay(mine[0], other).later.parts if source.name.startswith("encoder off center, across")}
        for other in (mine[1], theirs[0])
    )
    assert (len(within), len(between)) == (0, 0 if one else 2)
    assert len(compare_lobes([*mine, *theirs], "mean")) == (4 if one else 2)  # sweeps of one lobe are compared with each other


def test_two_valves_each_have_their_own_setting_of_the_indicator() -> None:
    """The same grind on both valves: what the indicator's leaning may do counts between them, not between two sweeps of one."""
    leaning = replace(BENCH, indicators=(replace(BENCH.indicators[0], tilt_deg=10.0),))
    both, _ = measured(leaning)
    one, other = both.intake, both.exhaust
    within, between = overlay(one, one), overlay(one, other)
    assert between.of("scale") is None
    peak = int(np.argmax(between.lift_mm))
    least = between.lift_mm[peak] * (1.0 - np.cos(np.radians(10.0))) * np.sqrt(2 / 3)
    assert between.u_mm[peak] > 0.9 * least > 4 * within.u_mm.max()
    assert marks_of(one)["indicator"] != marks_of(other)["indicator"]


def test_a_count_that_was_set_back_between_two_sweeps_moves_no_place_on_the_encoder() -> None:
    """A board that starts again counts from elsewhere; the encoder sits on the crank as it did, and so does the lobe."""
    off_center = replace(BENCH, encoder=replace(BENCH.encoder, eccentric=np.radians(0.1)))
    lobe = examine(job_for(off_center), captures(off_center, ("stop", "intake"))).intake
    elsewhere = replace(lobe, swept=replace(lobe.swept, overlap_tdc=lobe.swept.overlap_tdc + 0.3 * off_center.encoder.cpr))
    assert lobe.causes.of("encoder")[0].quantity.u > 0.03
    assert overlay(lobe, elsewhere).later.u == pytest.approx(overlay(lobe, lobe).later.u, rel=1e-9)


def test_generalized_least_squares_as_statsmodels_does_it() -> None:
    """Shift and height with the whole covariance, against statsmodels' GLS of the same numbers."""
    first, second = pair()
    second = changed(second, lambda _, lift: 0.15 * np.clip(lift / 0.02, 0.0, 1.0))
    cells = Cells.of(first.swept.curve.spline)
    between = weighted((1.0, lay(cells, second)), (-1.0, lay(cells, first)))
    found = difference(cells, between)
    height = found.named[0].size
    hidden = cells.lift_mm < 2 * abs(height.value) + 0.3
    use = found.seen & ~hidden
    act = np.array([mm[use] for mm in between.effects.values()])
    covariance = between.own[np.ix_(use, use)] + act.T @ act
    design = np.column_stack((-cells.slope[use], np.ones(int(use.sum()))))
    judge = sm.GLS(between.mm[use], design, sigma=covariance).fit()
    assert found.later.value - between.later == pytest.approx(judge.params[0], abs=1e-6)
    assert height.value == pytest.approx(judge.params[1], abs=1e-4)
    known = np.sqrt(np.diag(np.asarray(judge.cov_params()) / judge.scale))  # the covariance is known, not scaled to the residuals
    assert height.u == pytest.approx(known[1], rel=1e-3)


def lobes_of_an_engine() -> list[Lobe]:
    """Six cylinders, three sweeps each, from one job: the third cylinder's nose is worn, the fourth is indexed 1.5 degrees late,
    on the fifth one sweep was taken by somebody whose indicator leaned.
    """
    rig = rig_of(SCENARIO, 3)
    (first, *_) = (measured_lobe(replace(rig, seed=rig.seed ^ k), "engine") for k in range(1))
    sweeps = [measured_lobe(replace(rig, seed=rig.seed ^ (10 + k)), f"sweep {k}") for k in range(3)]
    found = []
    for cylinder in range(1, 7):
        for k, sweep in enumerate(sweeps):
            tdc, header = first.swept.sweep.tdc, replace(sweep.swept.sweep.header, link=f"{cylinder} {k}")
            capture = replace(sweep.swept.sweep.capture, header=header, sha256=f"{cylinder}{k}" * 32)
            lobe = replace(
                sweep,
                cylinder=cylinder,
                swept=replace(sweep.swept, sweep=replace(sweep.swept.sweep, tdc=tdc, capture=capture)),
            )
            if cylinder == 3:
                lobe = changed(lobe, lambda deg, _: -0.075 * np.exp(-((deg / 24.0) ** 2)))
            if cylinder == 4:
                lobe = changed(lobe, None, 1.5)
            if (cylinder, k) == (5, 1):
                lobe = changed(lobe, lambda _, lift: -0.0123 * lift)
            found.append(lobe)
    return found


def test_against_the_rest_only_the_odd_lobes_are_odd() -> None:
    """A mean of all would spread the worn nose and the late lobe over every cylinder."""
    found = compare_lobes(lobes_of_an_engine(), "rest")
    kinds: list[list[str]] = [[each.kind for each in line.whole.named] if line.whole else [] for line in found]
    assert kinds == [[], [], ["nose"], ["indexing"], [], []] or kinds[4] == ["tilt"]
    assert [each.kind for each in found[2].each if each] == ["nose", "nose", "nose"]
    assert found[3].whole is not None
    assert found[3].whole.later.value == pytest.approx(1.5, abs=0.1)
    assert [each.kind for each in found[4].each if each] == ["alike", "tilt", "alike"]


def test_the_first_sweep_is_the_reference_of_first() -> None:
    found = compare_lobes(lobes_of_an_engine()[:9], "first")
    assert found[0].each[0] is None
    assert [line.sweeps for line in found] == [(0, 1, 2), (3, 4, 5), (6, 7, 8)]
    assert found[2].whole is not None
    assert found[2].whole.kind == "nose"


def test_one_sweep_has_nothing_to_be_compared_with() -> None:
    with pytest.raises(DataError, match="only one sweep"):
        compare_lobes([pair()[0]], "first")


def test_places_of_the_lobe_have_their_names() -> None:
    from analysis.compare.difference import place_of

    cells = Cells.of(intake(BENCH).swept.curve.spline)
    peak = cells.peak_deg
    names: list[npt.ArrayLike] = [place_of(cells, peak + away) for away in (0.0, -55.0, 55.0, -110.0)]
    assert names == ["nose", "opening flank", "closing flank", "ramp"]
