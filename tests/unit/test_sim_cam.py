"""Lobes, trains and the slider-crank against textbook geometry."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.simulator.cam import Cam, Flank, LawLobe, TableLobe
from acquire.simulator.piston_stop import SliderCrank
from acquire.simulator.train import Lift, Train
from acquire.simulator.trajectory import Motion, Play
from analysis.base.errors import UsageError
from tests.handbook import PISTON_TRAVEL_MM
from tests.three_arcs import ThreeArcLobe


def test_three_arc_cam() -> None:
    """Classical convex-flank cam (from memory), r1 15, r2 5, OQ 18, 60 degrees: values of the closed form, computed outside."""
    lobe = ThreeArcLobe(15, 5, 18, 60)
    assert lobe.flank_mm == pytest.approx(127, rel=1e-12)
    assert lobe.flank_deg == pytest.approx(7.340993017, abs=1e-8)
    from_foot = np.array([2, 5, 10, 20, 30, 45, 60])
    expected = [0.068227374, 0.426193814, 1.570176974, 3.788799976, 5.588457268, 7.386664873, 8]
    assert lobe.lift(from_foot - 60) == pytest.approx(expected, abs=2e-9)
    assert lobe.lift(60 - from_foot) == pytest.approx(expected, abs=2e-9)
    assert lobe.lift(np.array([2.421368776, 5.415958419, 7.669886964, 8.763786602]) - 60) == pytest.approx(
        [0.1, 0.5, 1.0, 1.27], abs=1e-8
    )
    assert lobe.lift([-61, 61, 180, 359 - 60]) == pytest.approx(0)


def test_eccentric_disc_with_a_flat_follower_is_simple_harmonic() -> None:
    """Disc of eccentricity 5 mm: lift 5 (1 + cos)."""
    lobe = LawLobe(10.0, Flank("simple harmonic", 180.0), Flank("simple harmonic", 180.0))
    assert lobe.lift([0, 30, 60, 90, 120, 150, 180]) == pytest.approx([10, 9.330127019, 7.5, 5, 2.5, 0.669872981, 0], abs=1e-9)


def test_eccentric_disc_with_a_roller_is_a_slider_crank() -> None:
    """Eccentricity 5 mm, disc 20 mm, roller 10 mm: throw 5, rod 30."""
    crank = SliderCrank(5, 30)
    expected = [10, 9.225778877, 7.185855218, 4.580398915, 2.185855218, 0.565524839, 0]
    assert 10 - crank.below_top([0, 30, 60, 90, 120, 150, 180]) == pytest.approx(expected, abs=1e-9)


def test_ramps_reach_their_height_and_leave_no_step() -> None:
    lobe = LawLobe(8.0, Flank("3-4-5", 60, 0.2, 20), Flank("4-5-6-7", 70, 0.3, 30), dwell_deg=4)
    assert lobe.span_deg == (-82, 102)
    assert lobe.lift([-82, -62, 0, 72, 102]) == pytest.approx([0, 0.2, 8.0, 0.3, 0], abs=1e-12)
    cam = np.arange(-180, 180, 0.001)
    speed = np.diff(lobe.lift(cam)) / 0.001
    assert np.abs(np.diff(speed)).max() < 1e-4  # a jump of velocity would show as a step of 0.01 or more
    on_ramp = speed[(cam[:-1] > -76) & (cam[:-1] < -63)]
    assert np.ptp(on_ramp) < 1e-9
    assert np.all(np.diff(lobe.lift(np.arange(-82, -2.5, 0.01))) >= 0)


@given(st.floats(-3000, 3000), st.integers(-3, 3))
def test_a_lobe_repeats_every_two_turns_of_the_crank(crank: float, cycles: int) -> None:
    flank = Flank("4-5-6-7", 66.0)
    cam = Cam(LawLobe(7.6, flank, flank), ThreeArcLobe(15, 5, 18, 60))
    for valve in ("intake", "exhaust"):
        assert cam.lift(valve, crank + 720 * cycles) == pytest.approx(cam.lift(valve, crank), abs=1e-7)


def test_noses_stand_where_separation_and_advance_put_them() -> None:
    """Trade arithmetic: 110 degrees of separation, 5 advanced: intake 105 after, exhaust 115 before overlap TDC."""
    flank = Flank("cycloidal", 70.0)
    cam = Cam(LawLobe(10, flank, flank), LawLobe(9, flank, flank), 110, 5)
    assert (cam.nose_deg("intake"), cam.nose_deg("exhaust")) == (105, -115)
    assert cam.lift("intake", 105) == pytest.approx(10)
    assert cam.lift("exhaust", [-115, 605]) == pytest.approx([9, 9])
    with pytest.raises(UsageError, match="no valve"):
        cam.nose_deg("inlet")


def test_a_table_of_a_law_gives_the_law() -> None:
    law = LawLobe(8.89, Flank("4-5-6-7", 70), Flank("3-4-5", 75))
    crank = np.arange(-170.0, 171.0)
    table = TableLobe.from_crank(crank + 115, law.lift(crank / 2), 115)
    cam = np.arange(-180, 180, 0.013)
    assert table.lift(cam) == pytest.approx(law.lift(cam), abs=2e-4)
    assert table.lift(table.peak_deg) == pytest.approx(8.89, abs=1e-6)
    assert table.lift(360 + 10.0) == pytest.approx(table.lift(10.0))
    whole = TableLobe(tuple(np.linspace(-180, 180, 361)), tuple(law.lift(np.linspace(-180, 180, 361))))
    assert whole.lift(cam) == pytest.approx(law.lift(cam), abs=2e-3)
    with pytest.raises(UsageError, match="lift table"):
        TableLobe((0, 1, 1, 2), (0, 1, 1, 0)).lift(0)


def test_valve_lift_is_ratio_times_lobe_less_lash() -> None:
    assert Train(ratio=1.5, lash_mm=0.2).valve_lift([0, 0.1, 1.0]) == pytest.approx([0, 0, 1.3])


# --- slider-crank and piston stop ---------------------------------------------------------------------------------------


def test_piston_travel() -> None:
    """J. B. Heywood (1988) eq. 2.5, from memory; geometry of the TCC-III engine (stroke 86, rod 231), and r 45, l 135."""
    for (radius, rod), below in PISTON_TRAVEL_MM.items():
        assert SliderCrank(radius, rod).below_top([*below]) == pytest.approx([*below.values()], abs=1e-9)
    assert SliderCrank(170, 700).below_top(90) == pytest.approx(190.95655514540, abs=1e-9)  # OpenFOAM/ICengines test suite


@pytest.mark.parametrize(
    ("crank", "tdc", "stroke", "bias"),
    [
        (SliderCrank(43, 231, 0), 0.0, 86.0, (0, 0, 0, 0)),
        (SliderCrank(43, 231, 1), 0.209109, 86.000834770, (0.001538, 0.003887, 0.007921, 0.016465)),
        (SliderCrank(22.5, 84, 2), 1.076040, 45.013747929, (0.020593, 0.053003, 0.111498, 0.248769)),
    ],
)
def test_a_stop_on_an_offset_pin_is_biased(crank: SliderCrank, tdc: float, stroke: float, bias: tuple[float, ...]) -> None:
    """Mean of the two contact angles less true TDC, solved outside the project."""
    assert crank.tdc_deg == pytest.approx(tdc, abs=1e-6)
    assert crank.stroke_mm == pytest.approx(stroke, abs=1e-8)
    found = [sum(crank.contacts(depth)) / 2 for depth in (2, 5, 10, 20)]
    assert np.abs(found) == pytest.approx(np.abs(bias), abs=1e-6)


def test_contacts_without_offset() -> None:
    contacts = [SliderCrank(43, 231).contacts(depth) for depth in (2, 5, 10, 20)]
    assert [after for _, after in contacts] == pytest.approx([16.122472, 25.680094, 36.782324, 53.465108], abs=1e-6)
    assert [before for before, _ in contacts] == pytest.approx([-a for _, a in contacts])
    with pytest.raises(UsageError, match="never meets"):
        SliderCrank(43, 231).contacts(90)


# --- play and bleed-down ------------------------------------------------------------------------------------------------


def slow_play(angle: np.ndarray, slack: float, start: float) -> np.ndarray:
    """The play operator as its definition says it, one step after the other."""
    driven, out = start, []
    for a in angle:
        driven = min(max(driven, a), a + slack)
        out.append(driven)
    return np.array(out)


@given(
    st.lists(st.integers(-40, 40).map(lambda n: n / 8), min_size=1, max_size=30),
    st.floats(0, 5),
    st.floats(-3, 3),
)
def test_play_equals_its_slow_twin(steps: list[float], slack: float, start: float) -> None:
    angle = np.concatenate([[0.0], np.cumsum(steps)])
    motion = Motion(np.arange(angle.size, dtype=float), angle)
    fine = np.linspace(0, angle.size - 1, 16 * (angle.size - 1) + 1)
    expected = slow_play(motion.at(fine), slack, start)
    play = Play(motion, slack, start)
    assert play.at(fine) == pytest.approx(expected, abs=1e-9)
    assert play.end == pytest.approx(expected[-1], abs=1e-9)


def test_slack_comes_out_as_the_difference_of_the_two_directions() -> None:
    motion = Motion(np.array([0.0, 10.0, 20.0]), np.array([0.0, 100.0, 0.0]))
    play = Play(motion, 2.4)
    assert play.at([5.0, 15.0]) == pytest.approx([50.0, 52.4])


def test_a_lifter_sinks_while_it_stands_loaded_and_refills_on_the_base_circle() -> None:
    flank = Flank("cycloidal", 70.0)
    cam = Cam(LawLobe(10, flank, flank), LawLobe(10, flank, flank), 110, 0)
    # to the nose, rest 4 s, on to the base circle, back to the next nose
    motion = Motion(np.array([0.0, 1, 5, 6, 7]), np.array([-100.0, 110, 110, 400, 830]))
    lift = Lift(cam, Train(bleed_mm=0.4, bleed_s=2.0, slack_deg=0), "intake", "lobe", Play(motion, 0.0))
    assert lift([1.0, 3.0, 5.0]) == pytest.approx([10.0, 10 - 0.4 * (1 - np.exp(-1)), 10 - 0.4 * (1 - np.exp(-2))], abs=1e-3)
    assert lift([6.0, 7.0]) == pytest.approx([0.0, 10.0], abs=1e-9)
