"""Sweeps that cannot answer: each is refused with a sentence that says what is wrong and one that says what to do."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from acquire.cli.every_cylinder import EveryCylinder
from acquire.simulator.indicator import Indicator
from acquire.simulator.rig import Work
from analysis.base.errors import DataError
from analysis.base.finding import REFUSAL
from analysis.base.samples import Capture, IndexPulses
from analysis.diagnosis.examine import examine
from analysis.report.sheet import sheet
from tests.recorded import captures
from tests.rigs import SHORT, job_for, lobe_of, measured, with_lobes


@pytest.fixture(scope="module")
def recorded() -> list[Capture]:
    return captures(SHORT, ("stop", "intake"))


@pytest.fixture(scope="module")
def stop(recorded: list[Capture]) -> Capture:
    return recorded[0]


def cut(capture: Capture, first: int, last: int) -> Capture:
    """Only the rows from `first` to `last`, and the index pulses between them."""
    s = capture.samples
    rows = {name: getattr(s, name)[..., first:last] for name in ("seq", "time_us", "crank", "flags", "origin", "age_us", "lift")}
    part = replace(s, **rows)
    keep = (capture.index.time_us >= part.time_us[0]) & (capture.index.time_us <= part.time_us[-1])
    index = IndexPulses(*(getattr(capture.index, name)[keep] for name in ("time_us", "crank", "origin")))
    return replace(capture, samples=part, index=index)


def refused(what: str, *given: Capture, **tables: dict[str, object]) -> DataError:
    with pytest.raises(DataError, match=what) as error:
        examine(job_for(SHORT, **tables), list(given))
    assert error.value.do, "a refusal says what to do"
    assert error.value.what[-1] not in ".!", "the sentence's end is put there by the error itself"
    return error.value


def rows_between(capture: Capture, low_deg: float, high_deg: float) -> tuple[int, int]:
    """Rows at which the crank has gone so far from the capture's start."""
    gone = (capture.samples.crank - capture.samples.crank[0]) * 360.0 / 1200
    return int(np.searchsorted(gone, low_deg)), int(np.searchsorted(gone, high_deg))


def test_no_sweep_at_all(stop: Capture) -> None:
    assert "--step sweep" in refused("no sweep of a valve", stop).do


def test_no_tdc(recorded: list[Capture]) -> None:
    assert "--step stop" in refused("TDC is not known", recorded[1]).do


def test_a_sweep_that_ends_on_the_flank(recorded: list[Capture]) -> None:
    """Base circle before the lobe, but the crank stopped while the valve was still open."""
    stop, sweep = recorded
    lifted = np.flatnonzero(sweep.samples.lift[0] > 300)  # 2 mm above the 1 mm of preload
    top = int(lifted[0] + np.argmax(sweep.samples.lift[0][lifted[0] : lifted[0] + 800]))
    before = max(0, int(lifted[0]) - 900)
    error = refused("does not cover the lobe", stop, cut(sweep, before, top - 50))
    assert "closed again" in error.do or "whole lobe" in error.do
    error = refused("closing at 0.15 mm is missing|does not cover", stop, cut(sweep, before, top + 150))
    assert "Sweep" in error.do


def test_a_sweep_without_the_base_circle(recorded: list[Capture]) -> None:
    stop, sweep = recorded
    lifted = sweep.samples.lift[0] > 115
    start = int(np.flatnonzero(lifted)[0])
    end = start + int(np.flatnonzero(~lifted[start:])[0])
    error = refused("no base circle", stop, cut(sweep, start, end))
    assert "closed" in error.do


def test_only_backward_motion() -> None:
    back = captures(replace(SHORT, work=Work(touches=3, backward_turns=4.2)), ("stop", "backward"))
    error = refused("turned backward only", *back, rig={"direction": "up"})
    assert "direction of rotation" in error.do
    assert "job.toml" in error.do


def test_a_crank_that_did_not_move(recorded: list[Capture]) -> None:
    stop, sweep = recorded
    s = sweep.samples
    still = replace(sweep, samples=replace(s, crank=np.full_like(s.crank, s.crank[0])))
    assert "two turns" in refused("the crank did not move", stop, still).do


def test_too_little_motion(recorded: list[Capture]) -> None:
    stop, sweep = recorded
    first, last = rows_between(sweep, 0.0, 9.0)
    assert "two whole turns" in refused("readings were taken in the direction of rotation", stop, cut(sweep, first, last)).do


def test_an_indicator_that_stands_on_no_valve() -> None:
    rig = with_lobes(SHORT, lobe_of("4-5-6-7", 0.3))
    error = refused("does not stand on a valve", *captures(rig, ("stop", "intake")))
    assert "preload" in error.do


def test_an_indicator_that_never_speaks(recorded: list[Capture]) -> None:
    stop, sweep = recorded
    mute = replace(sweep, samples=replace(sweep.samples, flags=sweep.samples.flags | 4))
    assert "cable" in refused("gave no reading", stop, mute).do


@pytest.mark.parametrize(
    ("gauge", "words"),
    [
        (Indicator(inch_from=0.6), "the indicator jumped"),  # someone presses the unit key while the valve is open
        (Indicator(flip_from=0.45), "the indicator jumped"),  # or the sign
        (Indicator(stuck=((0.2, 0.45), (0.55, 0.8))), "the reading stood still"),  # or the plunger sticks and lets go
    ],
    ids=["unit", "sign", "stuck"],
)
def test_readings_that_jump(gauge: Indicator, words: str) -> None:
    error = refused(words, *captures(replace(SHORT, indicators=(gauge,)), ("stop", "intake")))
    assert error.where == "intake-01.csv"
    assert "sweep again" in error.do


@pytest.mark.parametrize("seed", [1, 2])
def test_a_unit_switched_on_the_base_circle(seed: int) -> None:
    """There it moves the reading by 0.2 mm only, but from then on the lobe is smaller by a fifth."""
    rig = replace(SHORT, seed=seed, indicators=(Indicator(inch_from=0.45),))
    assert "Unit" in refused("passes over the lobe do not agree", *captures(rig, ("stop", "intake"))).do


def test_a_checking_lift_above_the_peak(recorded: list[Capture]) -> None:
    error = refused("below the checking lift of 19.50 mm", *recorded, measure={"checking_lifts_mm": [1.0, 13.0]})
    assert "lower" in error.do


def test_a_new_start_without_index_is_refused_by_the_whole_way() -> None:
    rig = replace(SHORT, encoder=replace(SHORT.encoder, index=False), board=replace(SHORT.board, boot=0))
    stop, sweep = captures(rig, ("stop", "intake"))
    again = replace(sweep, header=replace(sweep.header, link="another"))
    assert "find TDC and sweep in one connection" in refused("started again", stop, again).do


def test_a_sound_sweep_is_not_refused(recorded: list[Capture]) -> None:
    found = examine(job_for(SHORT), recorded)
    assert [lobe.valve for lobe in found.lobes] == ["intake"]
    assert found.cam is None
    again, _ = measured(SHORT, ("stop", "intake"))
    assert again.lobes == found.lobes, "the same captures give the same answer"


def test_a_lobe_that_is_refused_leaves_the_other_its_numbers() -> None:
    """The exhaust sweep ends before it has begun."""
    stop, intake, exhaust = captures(SHORT)
    short = cut(exhaust, *rows_between(exhaust, 0.0, 9.0))
    found = examine(job_for(SHORT), [stop, intake, short])
    alone = examine(job_for(SHORT), [stop, intake])
    assert found.lobes == alone.lobes
    assert found.cam is None
    (left,) = found.refused
    assert (left.valve, left.capture) == ("exhaust", exhaust.path)
    (finding,) = (f for f in found.findings if f.weight is REFUSAL)
    assert finding.code == "not-measured"
    assert finding.touches == {"exhaust"}
    assert "exhaust lobe was not measured" in finding.text
    assert left.error.do in finding.text
    assert f"[{finding.code}]" in sheet(found, job_for(SHORT))
    assert EveryCylinder(job_for(SHORT), {1: found}, {}).code == 2
    assert EveryCylinder(job_for(SHORT), {1: alone}, {}).code == 0


def test_a_sweep_taken_again_takes_the_place_of_one_that_was_refused_and_the_other_way_round() -> None:
    stop, intake, exhaust = captures(SHORT)
    short = cut(exhaust, *rows_between(exhaust, 0.0, 9.0))
    better = examine(job_for(SHORT), [stop, intake, short, exhaust])
    assert (better.refused, len(better.lobes)) == ((), 2)
    worse = examine(job_for(SHORT), [stop, intake, exhaust, short])
    assert [lobe.valve for lobe in worse.lobes] == ["intake"], "what was swept before was not meant to count any more"
    assert [each.valve for each in worse.refused] == ["exhaust"]
