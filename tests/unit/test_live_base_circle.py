"""What the live screen takes for the base circle: a level long enough, read at both its ends, and never the nose."""

from __future__ import annotations

import numpy as np
import pytest

from acquire.simulator.cam import Lobe
from analysis.live.trace import BASE_CIRCLE_DEG, Profile, Trace
from tests.rigs import lobe_of

CPR = 2400
FLAT_NOSED = lobe_of("4-5-6-7", 11.0, 66.0)  # no curvature at the peak at all
ROUND = lobe_of("cycloidal", 11.0, 60.0)


def swept(lobe: Lobe, start_deg: float, over_deg: float, way: int = 1) -> Trace:
    """Every edge from crank degrees after the peak on, at a 0.01 mm indicator."""
    deg = start_deg + np.arange(0.0, over_deg, 360.0 / CPR)
    lift = way * np.rint(lobe.lift(deg / 2) / 0.01) * 0.01
    profile = Profile(CPR, 0.01)
    profile.add(np.rint((deg + 400.0) * CPR / 360.0).astype(np.int64), lift, np.ones(deg.size, np.bool_))
    return profile.trace()


@pytest.mark.parametrize("lobe", [FLAT_NOSED, ROUND], ids=["flat nose", "round nose"])
@pytest.mark.parametrize("start_deg", [-60.0, -30.0, -12.0, 0.0, 5.0])
def test_a_nose_is_no_base_circle_wherever_the_recording_begins(lobe: Lobe, start_deg: float) -> None:
    for over in range(5, 100, 5):
        assert swept(lobe, start_deg, float(over)).flat_deg < BASE_CIRCLE_DEG


@pytest.mark.parametrize("lobe", [FLAT_NOSED, ROUND], ids=["flat nose", "round nose"])
@pytest.mark.parametrize("way", [1, -1])
def test_the_base_circle_is_found_behind_the_nose(lobe: Lobe, way: int) -> None:
    found = swept(lobe, 0.0, 290.0, way)
    assert found.flat_deg >= BASE_CIRCLE_DEG
    assert found.zero_mm == pytest.approx(0.0, abs=0.03)
    assert found.swing_mm == pytest.approx(way * 11.0, abs=0.05)


def test_a_stretch_counts_once_it_was_read_at_both_its_ends() -> None:
    assert swept(ROUND, 200.0, 4.0).flat_deg == 0.0
    assert swept(ROUND, 200.0, 6.0).flat_deg == 0.0
    assert swept(ROUND, 200.0, 16.0).flat_deg >= 15.0
