"""The curve with its derivatives, against a motion law that is known to all of them."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.base.errors import UsageError
from analysis.curve.lift_curve import Curve
from analysis.curve.tabulated import curve_table
from tests.rigs import FINE, lobe_of, measured, with_lobes

FLANK_CRANK = 140.0


@pytest.fixture(scope="module")
def curve() -> Curve:
    found, _ = measured(with_lobes(FINE, lobe_of("cycloidal"), separation_deg=108.0, advance_deg=0.0), ("stop", "intake"))
    return found.intake.swept.curve


def test_values_and_derivatives_of_a_cycloidal_lobe(curve: Curve) -> None:
    """s = h (x - sin(2 pi x) / 2 pi) over 140 crank degrees (Norton, Cam Design and Manufacturing Handbook, ch. 3, from memory)."""
    table = curve_table(curve, 0.5)
    x = 1 - np.abs(table.deg - 108.0) / FLANK_CRANK
    inside = (x > 0.15) & (x < 0.9)
    side = np.where(table.deg < 108.0, 1.0, -1.0)
    turn, h = 2 * math.pi, 10.0
    law = [
        h * (x - np.sin(turn * x) / turn),
        side * h / FLANK_CRANK * (1 - np.cos(turn * x)),
        h / FLANK_CRANK**2 * turn * np.sin(turn * x),
        side * h / FLANK_CRANK**3 * turn**2 * np.cos(turn * x),
    ]
    for k, tolerance in enumerate((1e-3, 1e-3, 5e-3, 5e-2)):
        top = np.abs(law[k][inside]).max()
        assert np.abs(table.value[k] - law[k])[inside].max() < tolerance * top, k


def test_columns_belong_together(curve: Curve) -> None:
    table = curve_table(curve, 0.25)
    assert table.value.shape == table.error.shape == (4, table.deg.size)
    assert np.all(np.diff(table.deg) == 0.25)
    assert np.all(table.error > 0)
    middle = slice(40, -40)
    for k in range(3):
        assert np.gradient(table.value[k], 0.25)[middle] == pytest.approx(
            table.value[k + 1][middle], abs=0.02 * np.abs(table.value[k + 1]).max()
        )
    for k in range(4):
        assert float(curve.spline.error(float(table.deg[100]), k)) == pytest.approx(table.error[k, 100])
    assert np.allclose(table.deg / 0.25, np.rint(table.deg / 0.25))


@pytest.mark.parametrize("step", [0.0, -1.0, math.nan])
def test_a_step_that_goes_nowhere(curve: Curve, step: float) -> None:
    with pytest.raises(UsageError, match="no table"):
        curve_table(curve, step)
