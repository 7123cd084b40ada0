"""Piston to valve, springs and compression, against geometry worked out by hand and published values."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from acquire.simulator.rig import Rig
from analysis.base.finding import DOUBT
from analysis.decision.clearance import PistonClearance
from analysis.decision.compression import dynamic_compression, dynamic_ratio
from analysis.decision.decide import Decision, decide
from analysis.decision.spring import loads, margins
from analysis.decision.valve_lift import lift_at, valve_lift
from analysis.diagnosis.examine import examine
from analysis.job.clearance_keys import TimingSet, ValveClearance, ValveSpring
from analysis.tdc.slider_crank import slider_crank
from tests.decided import WHOLE, decided, late, whole
from tests.left_out import thorough
from tests.recorded import captures
from tests.rigs import SHORT, job_for


def true_lift(rig: Rig, valve: str, deg: Any) -> Any:
    """Valve lift from the simulator's law."""
    return rig.train.valve_lift(rig.cam.lift(valve, deg))


def true_travel(rig: Rig, deg: Any) -> Any:
    """Piston travel below top (Heywood 1988, eq. 2.5; from memory), written out here once more."""
    r, rod, t = rig.crank.stroke_mm / 2, rig.crank.rod_mm, np.radians(deg)
    return r + rod - (r * np.cos(t) + np.sqrt(rod**2 - (r * np.sin(t)) ** 2))


def with_drops(valve: str, drops: list[dict[str, Any]], rig: Rig = SHORT, **keys: Any) -> PistonClearance:
    found = decided(rig, rig, clearance={valve: {"drop": drops, **keys}})
    return found.clearances[0]


@pytest.mark.parametrize("face", ["pocket", "flat"])
@pytest.mark.parametrize(("valve", "drop_deg"), [("intake", 20.0), *thorough(("intake", 0.0), ("exhaust", -15.0))])
@pytest.mark.parametrize("measured_from", ["seat", "lift"])
def test_the_least_gap_is_that_of_the_geometry(face: str, valve: str, drop_deg: float, measured_from: str) -> None:
    """A gap of 5 mm at TDC with the valve closed, a valve at 18 degrees: dropped at one angle, found everywhere."""
    angle, closed = 18.0, 5.0
    axial = math.cos(math.radians(angle)) if face == "pocket" else 1 / math.cos(math.radians(angle))
    deg = np.arange(-60, 60, 0.01)
    gap = closed + axial * true_travel(SHORT, deg) - true_lift(SHORT, valve, deg)
    drop = closed + axial * true_travel(SHORT, drop_deg)
    drop -= 0.0 if measured_from == "seat" else float(true_lift(SHORT, valve, drop_deg))
    drops = [{"at_deg": drop_deg, "drop_mm": float(drop), "measured_from": measured_from}]
    found = with_drops(valve, drops, valve_angle_deg=angle, piston_face=face, error_mm=0.0)
    assert found.least.value == pytest.approx(gap.min(), abs=max(3 * found.u95, 0.005))
    assert found.at_deg == pytest.approx(deg[gap.argmin()], abs=1.0)
    over = found.gap.over(np.array([-30.0, 0.0, 30.0]))
    assert over == pytest.approx(np.interp([-30.0, 0.0, 30.0], deg, gap), abs=0.02)


def test_clay_shows_the_least_gap_itself() -> None:
    found = decided(SHORT, clearance={"exhaust": {"clay_mm": 2.9, "valve_angle_deg": 15.0}}).clearances[0]
    assert found.least.value == pytest.approx(2.9, abs=1e-3)
    assert found.u95 == pytest.approx(0.095, abs=0.002)  # 95 % of a rectangle of half width 0.1


def test_the_least_gap_lies_where_common_practice_looks_for_it() -> None:
    """Common practice: near 10 degrees after TDC for the intake, 10 before for the exhaust, to be searched from 5 to 20."""
    flank = replace(SHORT.cam.intake.opening, angle_deg=76.0)  # type: ignore[attr-defined]
    lobe = replace(SHORT.cam.intake, opening=flank, closing=flank)  # type: ignore[type-var]
    rig = replace(SHORT, cam=replace(SHORT.cam, intake=lobe, exhaust=lobe))
    found = decided(rig, rig, clearance={v: {"clay_mm": 3.0, "valve_angle_deg": 15.0} for v in ("intake", "exhaust")})
    intake, exhaust = found.clearances
    assert 5 < intake.at_deg < 20
    assert -20 < exhaust.at_deg < -5


def test_advance_brings_the_intake_nearer_and_the_exhaust_further() -> None:
    """Against the simulator with its camshaft really turned, not shifted on paper."""
    found = {c.valve: c for c in whole().clearances}
    assert np.all(np.diff(found["intake"].least_mm[found["intake"].advance_deg > -6]) < 0)
    assert np.all(np.diff(found["exhaust"].least_mm) > 0)
    turned = {c.valve: c for c in decided(late(-4.0), **WHOLE).clearances}
    for valve, clearance in found.items():
        by_paper = float(np.interp(4.0, clearance.advance_deg, clearance.least_mm)) - clearance.gap.closed.value
        really = turned[valve].least.value - turned[valve].gap.closed.value
        assert by_paper == pytest.approx(really, abs=0.01)


def test_the_advance_over_which_a_limit_is_kept_ends_where_the_gap_meets_it() -> None:
    clearance = next(c for c in whole().clearances if c.valve == "intake")
    assert clearance.keeps_deg is not None
    low, high = clearance.keeps_deg
    assert low == -math.inf
    needed = clearance.limit_mm + clearance.u95
    assert float(np.interp(high, clearance.advance_deg, clearance.least_mm)) == pytest.approx(needed, abs=1e-6)


@pytest.mark.parametrize(
    ("clay", "verdict"), [(2.2, "within"), (2.05, "cannot tell"), (1.8, "outside"), *thorough((1.95, "cannot tell"))]
)
def test_a_clearance_is_judged_by_its_uncertainty(clay: float, verdict: str) -> None:
    decision = decided(SHORT, clearance={"intake": {"clay_mm": clay}})
    assert decision.clearances[0].verdict == verdict
    assert decision.verdict == verdict
    stretchy = decided(SHORT, clearance={"rods_add_mm": 0.6, "intake": {"clay_mm": clay}})
    assert stretchy.clearances[0].limit_mm == pytest.approx(2.6)
    assert stretchy.clearances[0].verdict == "outside"


def test_drops_that_disagree_are_doubted() -> None:
    agreeing = [{"at_deg": 0.0, "drop_mm": 5.0, "measured_from": "seat"}]
    other = {"at_deg": 15.0, "drop_mm": 5.0, "measured_from": "seat"}  # the piston has gone down and the drop has not grown
    assert with_drops("intake", agreeing).disagree is None
    doubt = with_drops("intake", [*agreeing, other]).disagree
    assert doubt is not None
    assert (doubt.code, doubt.weight, doubt.touches) == ("clearances-disagree", DOUBT, {"intake.clearance"})
    decision = decided(SHORT, clearance={"intake": {"drop": [*agreeing, other]}})
    assert decision.clearances[0].verdict == "inconclusive"
    assert decision.verdict == "cannot tell"


def test_common_practice_is_the_default_and_says_so() -> None:
    """Common practice: 0.080 in and 0.100 in to the piston, 0.060 in of spring, 0.050 in to the seal."""
    clearance = job_for(SHORT).clearance
    limits = (clearance.intake_limit_mm, clearance.exhaust_limit_mm, clearance.coil_bind_limit_mm, clearance.retainer_limit_mm)
    assert limits == pytest.approx((0.080 * 25.4, 0.100 * 25.4, 0.060 * 25.4, 0.050 * 25.4), abs=0.05)


def test_springs_and_retainers_at_full_lift() -> None:
    decision = whole()
    lobe = decision.measured.intake
    peak = 1.5 * 7.6
    found = {(m.kind, m.valve): m.measured.value for m in margins(decision.job, lobe)}
    assert found["coil bind", "intake"] == pytest.approx(42.0 - 26.0 - peak, abs=0.01)
    assert found["retainer to seal", "intake"] == pytest.approx(14.0 - peak, abs=0.01)
    load = loads(decision.job, lobe)
    assert load is not None
    assert load.seat_n == 400.0
    assert load.open_n.value == pytest.approx(400 + (900 - 400) / (42 - 31) * peak, abs=0.5)


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ({"installed_height_mm": 30.0, "coil_bind_mm": 31.0}, "coil_bind_mm = 31 is not below"),
        ({"closed_height_mm": 30.0, "open_height_mm": 31.0}, "open_height_mm = 31 is not below"),
        ({"closed_load_n": 500.0, "open_load_n": 400.0}, "open_load_n = 400 is not above"),
    ],
)
def test_an_impossible_spring_is_refused(keys: dict[str, float], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        ValveSpring.model_validate(keys)


def test_dynamic_compression_of_the_published_research_engine() -> None:
    """TCC-III (University of Michigan, motored data set README p. 11): bore 92, stroke 86, rod 231, geometric ratio 10.0,
    effective 8.0 at intake closing 240.8 degrees after exhaust TDC; computed 8.0146.
    """
    crank = slider_crank(86.0, 231.0)
    assert dynamic_ratio(10.0, crank, 240.8) == pytest.approx(8.0, abs=0.05)
    assert dynamic_ratio(10.0, crank, 240.8) == pytest.approx(8.0146, abs=0.003)


@pytest.mark.parametrize(
    ("abdc", "stroke_left", "ratio"),
    [(40, 3.202676, 9.23545), (50, 3.034765, 8.80368), (60, 2.830173, 8.27759), (70, 2.590903, 7.66232)],
)
def test_dynamic_compression_of_the_usual_example(abdc: float, stroke_left: float, ratio: float) -> None:
    """Stroke 3.5 in, rod 5.7 in, static 10: computed from x = r + l - (r cos t + sqrt(l^2 - r^2 sin^2 t))."""
    crank = slider_crank(3.5 * 25.4, 5.7 * 25.4)
    assert float(crank.travel(180.0 + abdc)) / 25.4 == pytest.approx(stroke_left, abs=1e-6)
    assert dynamic_ratio(10.0, crank, 180.0 + abdc) == pytest.approx(ratio, abs=1e-5)


def test_dynamic_compression_is_taken_from_the_measured_closing() -> None:
    decision = whole()
    assert decision.compression is not None
    from acquire.simulator.truth import crossings

    _, closes = crossings(SHORT, "intake", 0.15, "valve")
    crank = slider_crank(SHORT.crank.stroke_mm, SHORT.crank.rod_mm)
    assert decision.compression.value == pytest.approx(dynamic_ratio(10.0, crank, closes), abs=2 * decision.compression.u95)
    assert dynamic_compression(job_for(SHORT), decision.measured.intake) is None


def test_overlap_lifts_and_area_are_those_of_the_law() -> None:
    flank = replace(SHORT.cam.intake.opening, angle_deg=76.0)  # type: ignore[attr-defined]
    lobe = replace(SHORT.cam.intake, opening=flank, closing=flank)  # type: ignore[type-var]
    rig = replace(SHORT, cam=replace(SHORT.cam, intake=lobe, exhaust=lobe))
    overlap = decided(rig, rig).overlap
    assert overlap is not None
    deg = np.arange(-110, 110, 0.01)
    lower = np.minimum(true_lift(rig, "intake", deg), true_lift(rig, "exhaust", deg))
    assert overlap.area_mm_deg.value == pytest.approx(lower.sum() * 0.01, abs=max(2 * overlap.area_mm_deg.u95, 0.5))
    for valve, found in (("intake", overlap.intake_at_tdc_mm), ("exhaust", overlap.exhaust_at_tdc_mm)):
        assert found.value == pytest.approx(float(true_lift(rig, valve, 0.0)), abs=2 * found.u95)


def test_lift_at_an_angle_knows_its_uncertainty_and_a_closed_valve_has_none() -> None:
    decision: Decision = whole()
    lobe = decision.measured.intake
    there = lift_at(lobe, decision.job.rig, 40.0)
    assert there.value == pytest.approx(float(true_lift(SHORT, "intake", 40.0)), abs=2 * there.u95)
    slope = float(np.diff(valve_lift(lobe, decision.job.rig, np.array([39.5, 40.5])))[0])
    tdc = decision.measured.tdc.count.u95 * 360 / SHORT.encoder.cpr
    assert there.u95 >= 0.8 * slope * tdc
    assert lift_at(lobe, decision.job.rig, -170.0).parts == {}


def test_positions_in_cam_degrees_count_twice_at_the_crank() -> None:
    timing = TimingSet(positions_deg=(-2.0, 0.0, 2.0), positions_in="cam", position_deg=-2.0)
    assert timing.changes == (0.0, 4.0, 8.0)
    assert ValveClearance(valve_angle_deg=60.0).axial == pytest.approx(0.5)


def test_cylinder_against_cylinder_by_firing_order() -> None:
    """Two cylinders of one camshaft: the second sweeps' capture is cylinder 3, whose TDC comes half a turn later (1-3-4-2)."""
    first = captures(SHORT)
    third = replace(SHORT, cam=replace(SHORT.cam, advance_deg=SHORT.cam.advance_deg - 180.0 - 1.2), seed=2)
    swept = [
        replace(c, header=replace(c.header, cylinder=3), path=f"third-{c.path}")
        for c in captures(third)
        if c.header.step == "sweep"
    ]
    decision = decide(job_for(SHORT), [*first, *swept])
    assert [(s.cylinder, s.against, s.valve) for s in decision.spacings] == [(3, 1, "intake"), (3, 1, "exhaust")]
    for spacing in decision.spacings:
        assert spacing.late.value == pytest.approx(1.2, abs=0.1)
    assert examine(job_for(SHORT), first).lobes[0].cylinder == 1
