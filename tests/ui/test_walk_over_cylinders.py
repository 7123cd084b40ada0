"""The procedure over several cylinders, and the re-check after the timing set was moved, walked by a simulated hand."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from acquire.cli import run
from acquire.dashboard.keys import offered
from acquire.dashboard.panels import do, head, panel
from acquire.dashboard.picture import snapshot_of
from acquire.dashboard.verdict_view import verdict
from acquire.procedure.answers import moved_by, to_measure
from acquire.procedure.session import Place, Plan
from acquire.procedure.steps import CAUTIONS, DONE, RESULT, STOP, SWEEP, ZERO
from acquire.simulator.scenarios import SCENARIOS
from acquire.simulator.truth import truth
from analysis.capture import header_of
from analysis.job import parse_job
from tests.recorded import demo_job
from tests.walked import Walk

Walks = Callable[..., Walk]
CLEAN = SCENARIOS["clean"]


def choose(walk: Walk, text: str) -> None:
    job = walk.job
    walk.station.choose(to_measure(text, job.engine.firing_order, job.measure.cylinder, walk.station.session.plan.valves))


def text_of(walk: Walk) -> str:
    return "\n".join("".join(part for part, _ in line) for line in verdict(snapshot_of(walk.station), 80))


def test_two_cylinders_are_swept_one_after_the_other_from_one_tdc(walks: Walks) -> None:
    walk = walks()
    choose(walk, "1,3")
    walk.jump(Place(STOP))
    picture = snapshot_of(walk.station)
    assert picture.place.do[0].startswith("Fit the stop in cylinder 1 and confirm.")
    walk.jump(Place(ZERO, "exhaust", 1), swept=True)
    walk.to(Place(ZERO, "intake", 3))
    picture = snapshot_of(walk.station)
    assert "Set the indicator on the intake valve of cylinder 3" in picture.place.do[0]
    assert "cylinder 3" in head(picture, 100)[0][0][0]
    walk.to(Place(RESULT, "exhaust", 3))
    walk.workers.settle()
    assert {lobe.cylinder for lobe in snapshot_of(walk.station).result.lobes} == {3}  # type: ignore[union-attr]
    walk.to(Place(DONE))
    walk.workers.settle()
    decision = walk.station.decision
    assert decision is not None
    assert [each.number for each in decision.cylinders] == [1, 3]
    assert decision.verdict == "within"
    known = truth(CLEAN.rig)
    for each in decision.cylinders:
        assert each.measured is not None
        for lobe in each.measured.lobes:
            true = known.lobe(lobe.valve).centerline_by["equal_lift"]
            assert lobe.centerline.value == pytest.approx(true, abs=1.5 * lobe.centerline.u95)
    headers = [header_of(path) for path in sorted((walk.folder / "captures").glob("*.csv"))]
    assert [(h.step, h.cylinder) for h in headers] == [("stop", 1), ("sweep", 1), ("sweep", 1), ("sweep", 3), ("sweep", 3)]
    said = text_of(walk)
    assert "ALL LOBES" in said
    assert "+/-" not in said, "the screen has one sign for it"
    assert sum("within tolerance" in line for line in said.split("ALL LOBES")[1].splitlines()) == 4
    assert max(len(line.rstrip()) for line in said.splitlines()) <= 80


def test_an_instruction_too_long_for_one_line_is_not_cut(walks: Walks) -> None:
    """At 80 columns "of cylinder 3" no longer fits beside the rest."""
    walk = walks()
    choose(walk, "1,3")
    walk.jump(Place(ZERO, "exhaust", 3))
    lines = do(snapshot_of(walk.station), 80)
    assert " ".join(line[0][0].strip() for line in lines) == " ".join(Place(ZERO, "exhaust", 3).do)


def test_quit_at_the_second_cylinder_and_come_back_it_goes_on_there(walks: Walks) -> None:
    walk = walks()
    choose(walk, "1,3 intake")
    place = Place(SWEEP, "intake", 3)
    walk.jump(place, swept=True)
    walk.station.close()
    walk.begin()
    walk.speak()
    assert walk.station.session.at == place
    walk.to(Place(DONE))


def test_more_cylinders_may_be_chosen_once_a_result_is_there(walks: Walks) -> None:
    walk = walks()
    walk.jump(Place(RESULT, "exhaust"), swept=True)
    assert offered(walk.station, curve=False)["cylinders"]
    choose(walk, "1,3")
    assert walk.station.session.at == Place(RESULT, "exhaust", 1)
    walk.to(Place(ZERO, "intake", 3))
    assert not offered(walk.station, curve=False)["cylinders"]
    assert not list((walk.folder / "captures").glob("unfinished/*")), "what was finished before stays"


def test_the_cautions_say_what_will_be_measured(walks: Walks) -> None:
    walk = walks()
    choose(walk, "all exhaust")

    picture = snapshot_of(walk.station)
    assert picture.place == Place(CAUTIONS)
    said = " ".join("".join(part for part, _ in line).strip() for line in panel(picture, 80))
    assert "To be measured: cylinders 1, 3, 4 and 2, exhaust. Press c to choose others." in said


@pytest.fixture
def late(tmp_path: Path) -> Walk:
    """The clean rig with its camshaft 4 crank degrees late, in the job of the camshaft as it was ordered."""
    cam = CLEAN.rig.cam
    rig = replace(CLEAN.rig, cam=replace(cam, advance_deg=cam.advance_deg - 4.0))
    walk = Walk(tmp_path / "job", replace(CLEAN, rig=rig), Plan(), parse_job(demo_job(CLEAN)))
    (walk.folder / "job.toml").write_text(demo_job(CLEAN), encoding="utf-8")
    return walk


def test_after_the_timing_set_was_moved_the_result_stands_beside_what_was_predicted(late: Walk) -> None:
    walk = late
    walk.jump(Place(DONE), swept=True)
    walk.workers.settle()
    assert offered(walk.station, curve=False)["timing"]
    assert walk.station.decision is not None
    correction = walk.station.decision.correction
    assert correction is not None
    by = correction.moves[0].advance_deg
    assert by == pytest.approx(4.0, abs=0.3)
    walk.station.timing_moved(moved_by(correction, f"{by}"))
    cam = walk.engine.rig.cam
    walk.engine.rig = replace(walk.engine.rig, cam=replace(cam, advance_deg=cam.advance_deg + by))
    assert walk.station.session.at == Place(ZERO, "intake")
    stops = list((walk.folder / "captures").glob("*stop*.csv"))
    walk.to(Place(DONE))
    walk.workers.settle()
    assert list((walk.folder / "captures").glob("*stop*.csv")) == stops, "the crank and its encoder were left alone"
    assert sorted(path.name for path in (walk.folder / "captures" / "before-1").iterdir()) == [
        "02-sweep-intake.csv",
        "03-sweep-exhaust.csv",
    ]
    again = walk.station.again
    assert len(again) > 10
    assert sum(each.verdict == "within" for each in again) >= 0.9 * len(again)
    assert walk.station.decision.verdict == "within"
    assert not offered(walk.station, curve=False)["timing"]
    said = text_of(walk)
    assert "numbers are as predicted" in said
    assert "predicted" in said
    assert "intake centerline" in said
    assert max(len(line.rstrip()) for line in said.splitlines()) <= 80
    assert run(["check", str(walk.folder)]) == 0
    walk.station.close()


def test_a_timing_set_that_was_not_moved_as_said_does_not_agree(late: Walk) -> None:
    walk = late
    choose(walk, "1 intake")
    walk.jump(Place(RESULT, "intake", 1), swept=True)
    walk.workers.settle()
    assert walk.station.decision is not None
    assert walk.station.decision.correction is not None
    walk.station.timing_moved(moved_by(walk.station.decision.correction, "4"))
    walk.to(Place(RESULT, "intake", 1))
    walk.station.close()
    walk.begin()  # what was moved is in the job's folder too
    walk.to(Place(RESULT, "intake", 1))
    walk.workers.settle()
    centerline = next(each for each in walk.station.again if each.name == "intake centerline")
    assert centerline.verdict == "outside"
    assert centerline.difference == pytest.approx(4.0, abs=0.2)
    walk.station.close()
