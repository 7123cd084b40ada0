"""What to turn, what becomes of everything then, and whether a re-check agrees with the prediction."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from acquire.simulator.cam import Flank, LawLobe
from acquire.simulator.rig import Rig
from acquire.simulator.train import Train
from analysis.base.errors import DataError
from analysis.base.quantity import Quantity, Source, linear_combination
from analysis.decision.decide import Decision
from analysis.decision.recheck import recheck, rocker_ratio
from analysis.diagnosis.examine import examine
from analysis.report.sentences import story
from tests.cards import card_of
from tests.decided import WHOLE, decided, late, whole
from tests.left_out import thorough
from tests.recorded import captures, truth_of
from tests.rigs import SHORT, job_for


def positions(**timing_set: Any) -> dict[str, Any]:
    return {"timing_set": timing_set}


@pytest.mark.parametrize("late_deg", [4.0, -3.0, 17.0])
def test_how_late_the_camshaft_stands_covers_the_truth(late_deg: float) -> None:
    """Against the simulator's own truth of both rigs; the card is rounded to half a degree, so a little is left."""
    (move,) = correction(decided(late(late_deg))).moves
    true = truth_of(SHORT).cam.advance_deg - truth_of(late(late_deg)).cam.advance_deg
    assert move.late.value == pytest.approx(true, abs=0.25 + move.u95)
    assert move.verdict == "outside"
    assert move.advance_deg == pytest.approx(late_deg, abs=0.3)


def correction(decision: Decision) -> Any:
    assert decision.correction is not None
    return decision.correction


@pytest.mark.parametrize(
    ("timing_set", "late_deg", "advance", "position", "teeth"),
    [
        ({"positions_deg": [-8.0, -4.0, 0.0, 4.0, 8.0]}, 4.6, 4.0, 4.0, 0),
        (
            {"positions_deg": [-4.0, -2.0, 0.0, 2.0, 4.0], "positions_in": "cam"},
            4.6,
            4.0,
            2.0,
            0,
        ),  # 2 cam degrees are 4 of the crank
        ({"positions_deg": [-4.0, 0.0, 4.0], "position_deg": -4.0}, 3.6, 4.0, 0.0, 0),
        ({"positions_deg": [-4.0, 0.0, 4.0], "teeth": 42}, 720 / 42 - 4, 720 / 42 - 4, -4.0, 1),
        ({"positions_deg": [-4.0, 0.0, 4.0]}, 1.6, 0.0, 0.0, 0),  # no mark comes nearer than the one fitted
        *thorough(
            ({"positions_deg": [-4.0, 0.0, 4.0], "position_deg": 4.0}, -7.7, -8.0, -4.0, 0),
            ({"positions_deg": [-4.0, 0.0, 4.0], "teeth": 42}, 720 / 42, 720 / 42, 0.0, 1),
        ),
    ],
)
def test_the_nearest_position_is_chosen(
    timing_set: dict[str, Any], late_deg: float, advance: float, position: float, teeth: int
) -> None:
    (move,) = correction(decided(late(late_deg), **positions(**timing_set))).moves
    assert move.advance_deg == pytest.approx(advance, abs=1e-9)
    assert (move.position_deg, move.teeth) == (position, teeth)
    assert move.left_deg == pytest.approx(late_deg - advance, abs=0.4)


def test_a_camshaft_within_its_tolerance_is_left_alone() -> None:
    decision = whole()
    assert not correction(decision).wanted
    assert decision.after is None
    assert any("leave it" in sentence for sentence in story(decision))


def test_what_turning_changes_is_predicted_and_what_it_does_not_change_stays() -> None:
    decision = whole(4.0)
    for before, after in zip(decision.lines, correction(decision).after, strict=True):
        assert before.measured is not None
        moved = after.measured.value - before.measured.value
        expected = {"opens": -4.0, "closes": -4.0, "centerline": -4.0, "advance": 4.0}.get(before.asked.kind, 0.0)
        assert moved == pytest.approx(expected)
        assert after.verdict == "within"


def test_a_recheck_after_the_change_agrees_with_the_prediction() -> None:
    """The same engine once four degrees late and once put right, each measured with its own stop and sweeps."""
    before, after = whole(4.0), decided(replace(SHORT, seed=9), **WHOLE)
    found = recheck(before.measured, after.measured, correction(before).moves[0].advance_deg)
    assert {"intake opens 1.27", "exhaust closes 1.27", "intake duration 1.27", "advance", "separation"} <= {
        a.name for a in found
    }
    assert {a.verdict for a in found} == {"within"}
    assert before.after is not None
    predicted, again = before.after.clearances[0].least, after.clearances[0].gap
    lift = again.least()[1].value - again.closed.value
    assert lift == pytest.approx(predicted.value - before.clearances[0].gap.closed.value, abs=0.01)
    assert before.after.compression is not None
    assert after.compression is not None
    assert before.after.compression.value == pytest.approx(after.compression.value, abs=0.02)


def test_a_recheck_that_was_not_turned_as_asked_is_told() -> None:
    found = recheck(whole(4.0).measured, decided(late(2.0)).measured, 4.0)
    off = {a.name: a for a in found}
    assert off["intake centerline"].verdict == "outside"
    assert off["intake centerline"].difference == pytest.approx(2.0, abs=0.2)
    assert off["intake duration 1.27"].verdict == "within"


def test_a_recheck_of_another_valve_is_refused() -> None:
    job = job_for(SHORT)
    intake, exhaust = (examine(job, captures(SHORT, ("stop", valve))) for valve in ("intake", "exhaust"))
    with pytest.raises(DataError, match="no lobe in common"):
        recheck(intake, exhaust, 4.0)


def test_two_camshafts_are_corrected_each_by_itself() -> None:
    rig = replace(
        SHORT, cam=replace(SHORT.cam, separation_deg=SHORT.cam.separation_deg + 2.5, advance_deg=SHORT.cam.advance_deg - 2.5)
    )
    intake, exhaust = correction(decided(rig, timing_set={"camshafts": 2})).moves
    assert intake.late.value == pytest.approx(5.0, abs=0.4)
    assert exhaust.verdict == "within"
    assert exhaust.advance_deg == 0.0


def test_a_duration_that_is_off_points_to_the_parts() -> None:
    flank = Flank("4-5-6-7", 74.0, ramp_mm=0.06, ramp_deg=10.0)
    decision = decided(replace(SHORT, cam=replace(SHORT.cam, intake=LawLobe(7.6, flank, flank))))
    assert [line.asked.kind for line in correction(decision).unmoved] == ["duration"]
    text = " ".join(story(decision))
    assert "Advancing or retarding the cam will not correct: intake duration" in text
    assert "another than the cam card's" in text


def test_without_a_card_there_is_nothing_to_correct() -> None:
    from analysis.decision.decide import decide

    decision = decide(job_for(SHORT), captures(SHORT))
    assert decision.correction is None
    assert decision.verdict == "cannot tell"
    assert "specifies nothing" in next(story(decision))


@pytest.mark.parametrize("lash_mm", [0.0, 0.25])
def test_the_rocker_ratio_over_lift_from_a_lifter_and_a_valve_sweep(lash_mm: float) -> None:
    rig = replace(SHORT, train=Train(ratio=1.62, lash_mm=lash_mm))
    lobes = []
    for where in ("lobe", "valve"):
        there: Rig = replace(rig, indicators=(replace(rig.indicators[0], where=where),))
        lobes.append(examine(job_for(there), captures(there, ("stop", "intake"))).intake)
    found = rocker_ratio(*lobes, Quantity(lash_mm))
    assert found.lobe_mm.size > 20
    off = abs(found.ratio - 1.62)
    assert (off <= found.u95).mean() > 0.9
    assert off[found.lobe_mm > 2.0].max() < 0.01
    assert found.at_full_lift.value == pytest.approx(1.62, abs=0.005)


def test_an_error_of_the_indicator_weighs_ten_times_more_at_a_tenth_of_the_lift() -> None:
    """A bound of 0.02 mm for the indicator, far above all else, at both places: evenly spread errors of lobe and valve lift."""
    rig, bound_mm = replace(SHORT, train=Train(ratio=1.62, lash_mm=0.25)), 0.02
    lobes = []
    for where in ("lobe", "valve"):
        there: Rig = replace(rig, indicators=(replace(rig.indicators[0], where=where),))
        job = job_for(there, rig={"indicator_error_mm": bound_mm})
        lobes.append(examine(job, captures(there, ("stop", "intake"))).intake)
    found, loose = (rocker_ratio(*lobes, lash) for lash in (Quantity(0.25), Quantity(0.25, {Source("lash"): bound_mm})))
    of_lobe, of_valve = (
        Quantity(0.0, {Source(where, distribution="rectangular"): bound_mm / 3**0.5}) for where in ("lobe", "valve")
    )
    alone = linear_combination((1.62, of_lobe), (1.0, of_valve)).u95
    assert found.u95 * found.lobe_mm == pytest.approx(np.full(found.u95.shape, alone), rel=0.15)
    full = lobes[0].peak_lobe_lift.value
    assert found.at_full_lift.u95 * full == pytest.approx(alone, rel=0.15)
    # And so does a lash that is not known.
    assert np.sqrt(loose.u95**2 - found.u95**2) * found.lobe_mm == pytest.approx(
        np.full(found.u95.shape, 1.96 * bound_mm), rel=0.15
    )


def test_the_card_of_the_fixture_is_the_camshaft_ordered() -> None:
    assert card_of(SHORT)["cam"] == {"separation_deg": 108.5, "advance_deg": 1.5}
