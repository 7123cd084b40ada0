"""The demo's job says what its scenario is; a measurement beside the truth is judged fairly."""

from __future__ import annotations

from dataclasses import replace

import pytest

from acquire.cli.demo_job import job_text
from acquire.cli.versus import table, versus
from acquire.simulator.scenarios import SCENARIOS
from acquire.simulator.truth import Truth
from analysis.base.quantity import Quantity
from analysis.job import parse_job
from analysis.job.template import template
from analysis.job.write import filled
from analysis.lobe.result import Cam, Centerlines, Event, Lobe, Measurement, Tdc
from tests.recorded import truth_of
from tests.rigs import MADE_UP, known


@pytest.mark.parametrize("name", SCENARIOS)
def test_every_scenario_makes_a_valid_job_with_its_own_rig(name: str) -> None:
    scenario = SCENARIOS[name]
    rig, known = scenario.as_the_job_says, truth_of(scenario.as_the_job_says)
    job = parse_job(job_text(scenario, known))
    assert job.engine.name == scenario.engine
    assert (job.engine.stroke_mm, job.engine.rod_mm) == (2 * rig.crank.throw_mm, rig.crank.rod_mm)
    assert (job.rig.rocker_ratio, job.rig.lash_mm) == (rig.train.ratio, rig.train.lash_mm)
    assert job.rig.indicator_tilt_deg >= rig.indicators[0].tilt_deg
    (card,) = job.specification.intake.duration
    (event,) = (e for e in known.lobe("intake").events if (e.lift_mm, e.at) == (1.27, "lobe"))
    assert card.opens == pytest.approx(event.opens_deg, abs=0.25)
    assert card.closes == pytest.approx(event.closes_deg, abs=0.25)
    assert card.deg == pytest.approx(event.duration_deg, abs=0.5)


def test_filling_in_keeps_every_explanation() -> None:
    text = filled({"specification.cam": {"separation_deg": 110.0}, "rig": {"lash_mm": 0.2}})
    comments = [line.rpartition("# ")[2] for line in template().splitlines()]
    assert [line.rpartition("# ")[2] for line in text.splitlines()] == comments
    job = parse_job(text)
    assert (job.specification.cam.separation_deg, job.rig.lash_mm) == (110.0, 0.2)
    assert job.specification.intake.lobe_lift_mm is None


def measured(true: Truth, off: float, u95: float) -> Measurement:
    """A result that is the truth and `off`."""

    def near(value: float) -> Quantity:
        return known(value + off, u95)

    def lobe(valve: str) -> Lobe:
        own = true.lobe(valve)
        events = tuple(Event(e.lift_mm, e.at, near(e.opens_deg), near(e.closes_deg), near(e.duration_deg)) for e in own.events)
        by = Centerlines(**{name: near(value) for name, value in own.centerline_by.items()})
        peaks = near(own.peak_lift_mm), near(own.peak_lobe_lift_mm)
        return Lobe(1, valve, 3, events, by, *peaks, near(own.slack_deg), near(own.latency_ms), **MADE_UP)

    cam = Cam(1, near(true.cam.separation_deg), near(true.cam.advance_deg), near(true.cam.overlap_deg), 1.27)
    return Measurement(Tdc(near(true.tdc_count + 0.5), "stop", 8), (lobe("intake"), lobe("exhaust")), cam)


@pytest.mark.parametrize(
    ("off", "u95", "inside"), [(0.0, 0.01, True), (0.1, 0.11, True), (0.1, 0.09, False), (-0.1, 0.09, False)]
)
def test_each_difference_is_held_against_its_uncertainty(off: float, u95: float, inside: bool) -> None:
    true = truth_of(SCENARIOS["clean"].rig)
    rows = versus(measured(true, off, u95), true)
    assert len(rows) == 1 + 2 * (3 * len(true.lobes[0].events) + 4 + 2 + 2) + 3
    assert all(row.off == pytest.approx(off, abs=1e-9) for row in rows)
    assert {row.inside for row in rows} == {inside}
    text = table(rows)
    assert max(map(len, text.splitlines())) <= 80
    assert (f"{len(rows)} of {len(rows)}" in text) is inside


def test_top_dead_center_is_the_same_at_any_turn_and_angles_at_any_cycle() -> None:
    true = truth_of(SCENARIOS["clean"].rig)
    result = measured(true, 0.0, 0.1)
    # A crank at rest at a count stands half a count above that count's edge.
    result = replace(result, tdc=Tdc(known(true.tdc_count + 0.5 + 7 * true.cpr, 0.1), "stop"))
    assert versus(result, true)[0].off == pytest.approx(0.0, abs=1e-9)
