"""Known cam motion laws, seen through encoder, indicator and the whole analysis, give back their published numbers.

Laws and their Cv, Ca: VDI 2143 Blatt 1 and R. L. Norton, Cam Design and Manufacturing Handbook, 2nd ed. (2009), ch. 3, both from
memory; the digits were computed from the closed forms outside the project.
"""

from __future__ import annotations

import numpy as np
import pytest

from acquire.simulator.cam import Lobe
from analysis.curve.smoothing import Spline, fit_spline
from analysis.lobe.result import Lobe as MeasuredLobe
from tests.left_out import typical
from tests.rigs import FINE, lobe_of, measured, with_lobes
from tests.three_arcs import ThreeArcLobe

LIFT_MM, FLANK_CAM_DEG = 10.0, 70.0
# Share of the rise at which s/h is 0.0127, 0.05 and 0.127; peak velocity and acceleration, normalised.
LAWS = {
    "simple harmonic": ((0.0718961361, 0.1435662931, 0.2319718700), 1.570796327, 4.934802201),
    "cycloidal": ((0.1258128197, 0.2019593252, 0.2827892393), 2.0, 6.283185307),
    "3-4-5": ((0.1149809396, 0.1892553774, 0.2710927605), 1.875, 5.773502692),
    "4-5-6-7": ((0.1520229091, 0.2253215840, 0.3007419450), 2.1875, 7.513188404),
    "modified sine": ((0.1062485414, 0.1765848588, 0.2587646612), 1.7596033860, 5.5279570705),
    "modified trapezoid": ((0.1109978831, 0.1852835352, 0.2714004739), 2.0, 4.8881237628),
}
# Power polynomials, x from the nose: s(0.5), peak velocity, peak positive acceleration, acceleration at the nose.
# D. A. Stoddart, Machine Design, Jan-Mar 1953 (from memory), coefficients solved as a linear system outside the project.
POWERS = {
    "power 6-8-10-12": (0.35595703125, 1.981484786, 6.550372242, -6.0),
    "power 6-10-14-18": (0.43323603272, 1.901965323, 6.924486057, -4.921875),
    "power 10-20-30-40": (0.60937191696, 1.834977130, 10.409352275, -3.132832080),
}


def intake_of(lobe: Lobe, lifts: list[float]) -> MeasuredLobe:
    found, _ = measured(with_lobes(FINE, lobe), ("stop", "intake"), measure={"checking_lifts_mm": lifts})
    return found.lobes[0]


def fitted(lobe: Lobe) -> Spline:
    """The curve through noise-free readings every quarter of a crank degree."""
    crank = np.arange(-165.0, 165.01, 0.25)
    return fit_spline(crank, lobe.lift(crank / 2), np.ones(crank.size), -165.0, 165.0)


@pytest.mark.parametrize("law", typical(("4-5-6-7", "modified sine"), LAWS))
def test_crossings_of_a_law_through_the_whole_way(law: str) -> None:
    shares = LAWS[law][0]
    lobe = intake_of(lobe_of(law, LIFT_MM, FLANK_CAM_DEG), [0.127, 0.5, 1.27])
    for event, share in zip(lobe.events, shares, strict=True):
        # From share to nose in cam degrees, twice that in crank degrees, on both sides of the nose.
        duration = 4 * (1 - share) * FLANK_CAM_DEG
        assert event.duration.value == pytest.approx(duration, abs=0.003), event.lift_mm
        assert abs(event.duration.value - duration) <= 1.5 * event.duration.u95
        assert (event.opens.value + event.closes.value) / 2 == pytest.approx(lobe.centerline.value, abs=0.002)
        assert event.at == "lobe"
    assert lobe.peak_lobe_lift.value == pytest.approx(LIFT_MM, abs=0.0005)


def test_the_worked_example_of_the_cycloidal_lobe() -> None:
    """10 mm, 70 cam degrees a flank: 1.27 mm at 50.2047532 cam degrees from the nose, 200.8190130 crank degrees of duration."""
    (event,) = intake_of(lobe_of("cycloidal", LIFT_MM, FLANK_CAM_DEG), [1.27]).events
    assert event.duration.value == pytest.approx(200.8190130, abs=0.001)


@pytest.mark.parametrize("law", LAWS)
def test_peak_velocity_and_acceleration_of_a_law(law: str) -> None:
    _, velocity, acceleration = LAWS[law]
    curve = fitted(lobe_of(law, LIFT_MM, FLANK_CAM_DEG))
    flank = 2 * FLANK_CAM_DEG  # crank degrees
    inside = np.arange(-160.0, 160.0, 0.02)
    assert np.abs(curve.value(inside, 1)).max() == pytest.approx(velocity * LIFT_MM / flank, rel=1e-4)
    if law == "simple harmonic":  # its acceleration jumps at the foot; at the nose it is as great, downward, and smooth
        assert curve.value(0.0, 2) == pytest.approx(-acceleration * LIFT_MM / flank**2, rel=1e-3)
    else:
        assert np.abs(curve.value(inside, 2)).max() == pytest.approx(acceleration * LIFT_MM / flank**2, rel=1e-3)


def test_cam_degrees_and_crank_degrees_differ_by_2_and_4() -> None:
    """Per crank degree the follower of a camshaft at half speed has half the velocity and a quarter of the acceleration."""
    crank = fitted(lobe_of("4-5-6-7", LIFT_MM, FLANK_CAM_DEG))
    cam = np.arange(-82.5, 82.51, 0.125)
    of_cam = fit_spline(cam, lobe_of("4-5-6-7", LIFT_MM, FLANK_CAM_DEG).lift(cam), np.ones(cam.size), -82.5, 82.5)
    at = np.linspace(-60.0, 60.0, 2401)
    assert of_cam.value(at, 1) == pytest.approx(2 * crank.value(2 * at, 1), abs=2e-4)
    assert of_cam.value(at, 2) == pytest.approx(4 * crank.value(2 * at, 2), abs=2e-4)
    assert np.abs(of_cam.value(at, 1)).max() == pytest.approx(2.1875 * LIFT_MM / FLANK_CAM_DEG, rel=1e-3)


@pytest.mark.parametrize("law", POWERS)
def test_power_polynomials(law: str) -> None:
    half, velocity, acceleration, nose = POWERS[law]
    curve = fitted(lobe_of(law, LIFT_MM, FLANK_CAM_DEG))
    flank, inside = 2 * FLANK_CAM_DEG, np.arange(-160.0, 160.0, 0.02)
    assert curve.value([-flank / 2, flank / 2]) == pytest.approx([half * LIFT_MM] * 2, abs=1e-4)
    assert np.abs(curve.value(inside, 1)).max() == pytest.approx(velocity * LIFT_MM / flank, rel=1e-3)
    assert curve.value(inside, 2).max() == pytest.approx(acceleration * LIFT_MM / flank**2, rel=2e-3)
    assert curve.value(0.0, 2) == pytest.approx(nose * LIFT_MM / flank**2, rel=5e-3)


def test_three_arc_cam_with_a_flat_follower() -> None:
    """r1 15, r2 5, OQ 18 mm, 60 cam degrees: classical convex-flank geometry (from memory), its closed form computed outside."""
    lobe = intake_of(ThreeArcLobe(15, 5, 18, 60), [0.5, 1.0, 1.27])
    for event, duration in zip(lobe.events, (4 * (60 - 5.415958419), 209.320452143, 204.944853592), strict=True):
        # Its acceleration jumps where flank meets nose, 0.9 mm up: a smooth curve rounds that by hundredths of a degree.
        assert event.duration.value == pytest.approx(duration, abs=0.02), event.lift_mm
    assert lobe.peak_lobe_lift.value == pytest.approx(8.0, abs=0.002)
    assert lobe.centerline.value == pytest.approx(107.0, abs=0.06)
