"""The truth of a rig against cases that are solved, or published, elsewhere."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from acquire.simulator.cam import Cam, Flank, LawLobe, TableLobe
from acquire.simulator.encoder import Encoder
from acquire.simulator.indicator import Indicator
from acquire.simulator.piston_stop import SliderCrank, Stop
from acquire.simulator.rig import Rig
from acquire.simulator.scenarios import SCENARIOS, scenario_named
from acquire.simulator.train import Train
from acquire.simulator.truth import crossings, truth
from analysis.base.errors import UsageError
from tests.three_arcs import ThreeArcLobe

LOBE_127 = ((1.27, "lobe"),)


def cycloidal(opening: float = 70.0, closing: float = 70.0) -> LawLobe:
    return LawLobe(10.0, Flank("cycloidal", opening), Flank("cycloidal", closing))


def test_cycloidal_lobe() -> None:
    """10 mm, 70 cam degrees a side: 1.27 mm at 50.2047532 cam degrees either side, 200.8190130 crank degrees apart (analytic)."""
    found = truth(Rig(cam=Cam(cycloidal(), cycloidal(), 110, 5)), LOBE_127)
    event = found.lobe("intake").events[0]
    assert event.duration_deg == pytest.approx(200.8190130, abs=1e-6)
    assert event.opens_deg == pytest.approx(105 - 2 * 50.2047532, abs=1e-6)
    for middle in found.lobe("intake").centerline_by.values():
        assert middle == pytest.approx(105, abs=1e-8)
    assert found.cam.separation_deg == pytest.approx(110, abs=1e-9)
    assert found.cam.advance_deg == pytest.approx(5, abs=1e-9)
    assert found.cam.overlap_deg == pytest.approx(200.8190130 - 2 * 110, abs=1e-6)


def test_three_arc_lobe() -> None:
    """Duration at 1.27 and 1.0 mm of the three-arc cam 15/5/18/60, from its closed form."""
    lobe = ThreeArcLobe(15, 5, 18, 60)
    events = truth(Rig(cam=Cam(lobe, lobe)), ((1.27, "lobe"), (1.0, "lobe"))).lobe("exhaust").events
    assert [e.duration_deg for e in events] == pytest.approx([204.944853592, 209.320452143], abs=1e-7)


def test_the_four_centerlines_of_an_unsymmetrical_cycloidal_lobe() -> None:
    """All four in closed form.

    The cycloidal law's crossing is linear in the flank's angle, its area is half the rectangle and the
    area's moment about the nose is h a^2 (1/6 - 1/(4 pi^2)) a side."""
    a, b = 60.0, 76.0
    found = truth(Rig(cam=Cam(cycloidal(a, b), cycloidal(a, b), 110, 0)), LOBE_127).lobe("intake")
    x = 1 - 0.2827892393  # of the foot-to-nose angle, at 1.27 of 10 mm
    assert found.centerline_by["event_midpoint"] == pytest.approx(110 + x * (b - a), abs=1e-6)
    # 1.27 mm below the peak is 1.27 mm above the foot of the law turned over: it is symmetric about its middle
    assert found.centerline_by["equal_lift"] == pytest.approx(110 + (1 - x) * (b - a), abs=1e-6)
    moment = (b**2 - a**2) * (1 / 6 - 1 / (4 * np.pi**2))
    assert found.centerline_by["centroid"] == pytest.approx(110 + 2 * moment / ((a + b) / 2), abs=1e-7)
    assert found.centerline_by["peak"] == 110


def test_ratio_and_lash_enter_at_the_valve() -> None:
    rig = Rig(cam=Cam(cycloidal(), cycloidal()), train=Train(ratio=1.6, lash_mm=0.25))
    found = truth(rig, ((1.6 * 1.27 - 0.25, "valve"), (1.27, "lobe"))).lobe("intake")
    assert found.events[0].duration_deg == pytest.approx(found.events[1].duration_deg, abs=1e-9)
    assert found.peak_lift_mm == pytest.approx(15.75)
    assert found.peak_lobe_lift_mm == pytest.approx(10)


@pytest.mark.parametrize(("where", "lash"), [("valve", 0.3), ("lobe", 0.3), ("valve", 0.0)])
def test_the_centroid_is_of_what_the_indicator_sees(where: str, lash: float) -> None:
    """Against a plain sum over a fine grid."""
    rig = Rig(cam=Cam(cycloidal(60, 76), cycloidal(60, 76)), train=Train(1.5, lash), indicators=(Indicator(where=where),))
    crank = np.linspace(-360, 360, 720_001) + rig.cam.nose_deg("exhaust")
    lobe = rig.cam.lift("exhaust", crank)
    lift = rig.train.valve_lift(lobe) if where == "valve" else lobe
    expected = np.sum(crank * lift) / np.sum(lift)
    assert truth(rig).lobe("exhaust").centerline_by["centroid"] == pytest.approx(expected, abs=1e-5)


# Intake valve lift of the TCC-III optical engine (University of Michigan, doi 10.7302/Z2MS3QP; transcribed in OpenFOAM/ICengines),
# every tenth row only: crank degrees after exhaust TDC, mm.
TCC3 = {
    -20: 0.001, -10: 0.049, 0: 0.274, 10: 0.823, 20: 1.726, 30: 2.859, 40: 4.058, 50: 5.203, 60: 6.227, 70: 7.098, 80: 7.803,
    90: 8.334, 100: 8.689, 110: 8.867, 120: 8.867, 130: 8.689, 140: 8.334, 150: 7.803, 160: 7.099, 170: 6.228, 180: 5.205, 190: 4.062,
    200: 2.867, 210: 1.741, 220: 0.851, 230: 0.324, 240: 0.113, 250: 0.032, 260: 0.0,
}  # fmt: skip


@pytest.mark.parametrize(
    ("lift", "opens", "closes"),
    [
        (0.5, 5.0000, 225.7755),
        (1.0, 12.2840, 218.0375),
        (1.27, 15.3830, 214.8370),
        (2.54, 27.2991, 202.7778),
        (5.08, 48.8750, 181.1429),
    ],
)
def test_the_lift_table_of_a_research_engine(lift: float, opens: float, closes: float) -> None:
    """Crossings by straight lines between the table's own one-degree rows; ours stand on every tenth row of it."""
    lobe = TableLobe.from_crank(list(TCC3), list(TCC3.values()), 115.0)
    found = crossings(Rig(cam=Cam(lobe, lobe, 115, 0)), "intake", lift, "lobe")
    assert found == pytest.approx((opens, closes), abs=0.055)


def test_the_peak_of_that_table() -> None:
    lobe = TableLobe.from_crank(list(TCC3), list(TCC3.values()), 115.0)
    found = truth(Rig(cam=Cam(lobe, lobe, 115, 0)), LOBE_127).lobe("intake")
    assert found.peak_lobe_lift_mm == pytest.approx(8.890, abs=2e-3)
    assert found.centerline_by["peak"] == pytest.approx(115, abs=0.1)


@pytest.mark.parametrize("direction", [1, -1])
def test_tdc_count_and_its_edge(direction: int) -> None:
    """Counted by hand: the board starts at 0 and the crank is 360 counts (54 degrees) before TDC, which falls 0.37 into a count."""
    rig = Rig(encoder=Encoder(cpr=2400, direction=direction, phase=0.37), start_deg=-54.0)
    found = truth(rig)
    assert found.tdc_edge_count == pytest.approx(360.37 if direction > 0 else -360.63)
    assert found.tdc_count == pytest.approx(359.87 if direction > 0 else -360.13)


def test_what_stands_in_the_json() -> None:
    rig = Rig(
        train=Train(slack_deg=1.2),
        indicators=(Indicator(latency_s=0.04),),
        crank=SliderCrank(22.5, 84, 2),
        stop=Stop(depth_mm=5.0),
    )
    tree = truth(rig).tree()
    assert tree["lobes"][0]["slack_deg"] == 1.2
    assert tree["lobes"][0]["latency_ms"] == pytest.approx(40)
    assert abs(tree["stop_bias_deg"]) == pytest.approx(0.053003, abs=1e-6)  # solved outside the project
    assert set(tree["tdc"]) == {"count", "edge_count"}
    assert set(tree["lobes"][1]["centerline_by"]) == {"equal_lift", "event_midpoint", "centroid", "peak"}


def test_a_lift_that_is_never_reached_is_refused() -> None:
    with pytest.raises(UsageError, match="never lifts 12"):
        truth(Rig(), ((12.0, "valve"),))
    with pytest.raises(UsageError, match="never lifts 0"):
        truth(Rig(), ((0.0, "lobe"),))


@pytest.mark.parametrize("name", SCENARIOS)
def test_every_scenario_has_a_truth_that_its_lobes_confirm(name: str) -> None:
    rig = scenario_named(name, seed=3).rig
    assert rig.seed == 3
    for lobe in truth(rig).lobes:
        for event in lobe.events:
            for angle in (event.opens_deg, event.closes_deg):
                lift = rig.cam.lift(lobe.valve, angle)
                assert (lift if event.at == "lobe" else rig.train.valve_lift(lift)) == pytest.approx(event.lift_mm, abs=1e-9)
            assert 0 < event.duration_deg < 400


def test_a_scenario_that_is_not_there() -> None:
    with pytest.raises(UsageError, match="no scenario"):
        scenario_named("paradise")


def test_the_cam_moves_as_one_when_it_is_advanced() -> None:
    early = truth(replace(Rig(), cam=replace(Rig().cam, advance_deg=6.0)))
    usual = truth(replace(Rig(), cam=replace(Rig().cam, advance_deg=2.0)))
    for a, b in zip(early.lobes, usual.lobes, strict=True):
        assert b.centerline_by["equal_lift"] - a.centerline_by["equal_lift"] == pytest.approx(4, abs=1e-9)
    assert early.cam.advance_deg - usual.cam.advance_deg == pytest.approx(4, abs=1e-9)
    assert early.cam.overlap_deg == pytest.approx(usual.cam.overlap_deg, abs=1e-9)
