"""The zero of each pass where the base circle is not level, and passes saw different parts of it."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.curve.base_circle import find_base_circle
from analysis.curve.points import Points

LIFT_MM, RUNOUT_MM = 8.0, 0.008


def seen(*passes: tuple[float, float, float]) -> Points:
    """Passes over a lobe at 0, read every fifth of a degree from one angle to another, each with its zero (mm); the cam runs out."""
    each = [np.arange(low, high, 0.2) for low, high, _ in passes]
    deg, number = np.concatenate(each), np.repeat(np.arange(len(each)), [one.size for one in each])
    zero_mm = np.array([zero for *_, zero in passes])[number]
    lobe = LIFT_MM * np.cos(np.pi * np.clip(deg / 140.0, -0.5, 0.5)) ** 2
    lift = lobe + RUNOUT_MM * np.sin(np.radians(deg / 2)) + zero_mm
    one = np.ones(deg.size)
    bin_ = np.rint((deg + 360.0) / 0.2).astype(np.int64)
    return Points(deg, lift, 20.0 * one, one, 0.0 * one, one, number, bin_)


@pytest.mark.parametrize("low", [-350.0, -250.0, -100.0])
def test_zeros_differ_by_the_zero_only(low: float) -> None:
    """The first pass began late, the last was given up early; their zeros are 0.01 and 0.03 mm above that of the second."""
    base = find_base_circle(seen((low, 360.0, 0.01), (-360.0, 360.0, 0.0), (-360.0, 230.0, 0.03)), 0.0, 0.001)
    assert base.after - base.after[1] == pytest.approx([0.01, 0.0, 0.03], abs=1e-4)
    assert base.before[2] - base.before[1] == pytest.approx(0.03, abs=1e-4)
    assert np.isnan(base.before[0]) if low > -185.0 else base.before[0] - base.before[1] == pytest.approx(0.01, abs=1e-4)


def test_the_zero_of_all_is_where_the_readings_are() -> None:
    """Two whole passes: before the lobe the base circle lies lower than behind it, by what the cam runs out."""
    base = find_base_circle(seen((-360.0, 360.0, 0.0), (-360.0, 360.0, 0.02)), 0.0, 0.001)
    edge = np.array([base.before_deg, base.after_deg])
    side = np.arange(185.0, 360.0)
    level = RUNOUT_MM * float(np.mean(np.sin(np.radians(side / 2))))
    assert base.zero_of_all(edge) == pytest.approx([0.01 - level, 0.01 + level], abs=2e-4)
    assert base.apart == pytest.approx(2 * level, abs=2e-4)


def test_passes_that_share_no_part_keep_their_own_level() -> None:
    base = find_base_circle(seen((-360.0, -280.0, 0.0), (-260.0, 360.0, 0.0)), 0.0, 0.001)
    parts = (np.arange(-360.0, -280.0, 0.2), np.arange(-260.0, -185.0, 0.2))
    own = [RUNOUT_MM * float(np.mean(np.sin(np.radians(part / 2)))) for part in parts]
    assert base.before == pytest.approx(own, abs=2e-4)
