"""The motion laws against published and analytic characteristic values.

Names and normalisation: VDI 2143 Blatt 1 (1980). Factors: R. L. Norton, Design of Machinery, table of peak velocity and acceleration
(both from memory); the analytic values stand beside them. Modified sine's peak acceleration pi^2 / (1 + pi/4) and modified
trapezoid's 4.8881 are also given in the documentation of public cam-design software.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import cumulative_trapezoid

from acquire.simulator.laws import LAWS, law_named, power_polynomial, scca
from analysis.base.errors import UsageError

PI = np.pi
SMOOTH = ("cycloidal", "3-4-5", "4-5-6-7", "modified sine", "modified trapezoid")
GRID = np.linspace(0, 1, 200_001)


@pytest.mark.parametrize(
    ("name", "cv", "ca", "cj"),
    [
        ("simple harmonic", PI / 2, PI**2 / 2, PI**3 / 2),
        ("cycloidal", 2, 2 * PI, 4 * PI**2),
        ("3-4-5", 15 / 8, 10 / np.sqrt(3), 60),
        ("4-5-6-7", 35 / 16, 84 / 5 / np.sqrt(5), 52.5),
        ("modified sine", 4 * PI / (PI + 4), 4 * PI**2 / (PI + 4), 16 * PI**3 / (PI + 4)),
        ("modified trapezoid", 2, 8 * PI / (PI + 2), 32 * PI**2 / (PI + 2)),
        ("constant acceleration", 2, 4, None),
    ],
)
def test_peak_velocity_acceleration_and_jerk(name: str, cv: float, ca: float, cj: float | None) -> None:
    law = LAWS[name]
    for order, expected in enumerate((cv, ca, cj), start=1):
        if expected is not None:
            assert np.abs(law(GRID, order)).max() == pytest.approx(expected, rel=1e-8)


@pytest.mark.parametrize(
    ("name", "velocity", "acceleration"),
    [
        ("constant acceleration", 2.000, 4.000),
        ("modified trapezoid", 2.000, 4.888),
        ("modified sine", 1.760, 5.528),
        ("3-4-5", 1.875, 5.777),
        ("cycloidal", 2.000, 6.283),
        ("4-5-6-7", 2.188, 7.526),
        ("simple harmonic", 1.571, 4.945),
    ],
)
def test_the_printed_factors_of_the_textbook(name: str, velocity: float, acceleration: float) -> None:
    """Norton's printed factors, from memory; three of them differ from the exact value in the third digit."""
    assert np.abs(LAWS[name](GRID, 1)).max() == pytest.approx(velocity, rel=1e-3)
    assert np.abs(LAWS[name](GRID, 2)).max() == pytest.approx(acceleration, rel=3e-3)


@pytest.mark.parametrize(
    ("name", "tenth", "quarter", "crossings"),
    [
        ("simple harmonic", 0.024471741852, 0.146446609407, (0.0718961361, 0.1435662931, 0.2319718700)),
        ("cycloidal", 0.006451071621, 0.090845056908, (0.1258128197, 0.2019593252, 0.2827892393)),
        ("3-4-5", 0.008560000000, 0.103515625000, (0.1149809396, 0.1892553774, 0.2710927605)),
        ("4-5-6-7", 0.002728000000, 0.070556640625, (0.1520229091, 0.2253215840, 0.3007419450)),
        ("modified sine", 0.010697212791, 0.117178484615, (0.1062485414, 0.1765848588, 0.2587646612)),
        ("modified trapezoid", 0.009459064058, 0.104480193969, (0.1109978831, 0.1852835352, 0.2714004739)),
    ],
)
def test_displacements_and_level_crossings(name: str, tenth: float, quarter: float, crossings: tuple[float, ...]) -> None:
    """Values solved from the closed forms by other means than this module's."""
    assert LAWS[name]([0.1, 0.25]) == pytest.approx([tenth, quarter], abs=1e-12)
    assert LAWS[name](np.array(crossings)) == pytest.approx([0.0127, 0.05, 0.127], abs=2e-10)


@pytest.mark.parametrize(
    ("exponents", "half", "velocity", "acceleration", "nose"),
    [
        ((6, 8, 10, 12), 0.35595703125, 1.981484786, 6.550372242, -6.0),
        ((6, 10, 14, 18), 0.43323603272, 1.901965323, 6.924486057, -4.921875),
        ((10, 20, 30, 40), 0.60937191696, 1.834977130, 10.409352275, -3.132832080),
    ],
)
def test_power_polynomials(
    exponents: tuple[int, int, int, int], half: float, velocity: float, acceleration: float, nose: float
) -> None:
    """Closed-form coefficients (Dudley 1948, Stoddart 1953, from memory), evaluated outside the project."""
    law = power_polynomial(*exponents)
    assert law(0.5) == pytest.approx(half, abs=1e-10)
    assert law(GRID, 1).max() == pytest.approx(velocity, rel=1e-8)
    assert law(GRID, 2).max() == pytest.approx(acceleration, rel=1e-8)
    assert law(1.0, 2) == pytest.approx(nose, rel=1e-9)
    p, q, r, s = exponents
    second = -p * q * r * s / ((p - 2) * (q - 2) * (r - 2) * (s - 2))
    assert law(1.0, 2) == pytest.approx(2 * second, rel=1e-9)


@pytest.mark.parametrize("name", LAWS)
def test_each_derivative_integrates_to_the_one_before(name: str) -> None:
    """Holds wherever there are no jumps or jumps on a null set; the third order only for laws whose acceleration is continuous."""
    for order in (1, 2, 3) if name in SMOOTH or name.startswith("power") else (1, 2):
        grown = cumulative_trapezoid(LAWS[name](GRID, order), GRID, initial=0)
        rise = LAWS[name](GRID, order - 1) - LAWS[name](0.0, order - 1)
        assert np.abs(grown - rise).max() < 1e-3 * max(1.0, np.abs(rise).max())


@given(st.sampled_from(sorted(LAWS)), st.floats(-2, 3))
def test_a_law_climbs_from_nothing_to_one_and_rests_outside(name: str, x: float) -> None:
    s = float(LAWS[name](x))
    assert -1e-12 <= s <= 1 + 1e-12
    if x <= 0 or x >= 1:
        assert s == pytest.approx(0.0 if x <= 0 else 1.0, abs=1e-9)
        assert x in (0, 1) or LAWS[name](x, 1) == 0.0
    else:
        assert float(LAWS[name](x, 1)) >= -1e-9


@given(st.floats(0.05, 0.9), st.floats(0, 1))
def test_the_family_of_sines_meets_its_closed_form_peak_velocity(b: float, share: float) -> None:
    """Norton (2009) ch. 3, from memory: Cv = Ca ((b + d) / pi + c / 2)."""
    d = max(0.05, (1 - b) * share)
    c = 1 - b - d
    if c < 0:
        return
    law = scca(b, c, d)
    x = np.linspace(0, 1, 2001)
    acceleration = 4 * PI**2 / ((PI**2 - 8) * (b**2 - d**2) - 2 * PI * (PI - 2) * b + PI**2)
    assert law(0.5, 1) == pytest.approx(acceleration * ((b + d) / PI + c / 2), rel=1e-9)
    assert float(law(1.0)) == pytest.approx(1.0, abs=1e-12)
    assert law(x) + law(1 - x) == pytest.approx(np.ones(x.size), abs=1e-12)


def test_cycloidal_is_a_member_of_the_family() -> None:
    x = np.linspace(0, 1, 101)
    for order in range(4):
        assert scca(0.5, 0.0, 0.5)(x, order) == pytest.approx(LAWS["cycloidal"](x, order), abs=1e-9)


def test_what_is_no_law_is_refused() -> None:
    with pytest.raises(UsageError, match="no motion law 'linear'"):
        law_named("linear")
    with pytest.raises(UsageError, match="family"):
        scca(0.5, 0.5, 0.5)
    with pytest.raises(UsageError, match="exponents"):
        power_polynomial(6, 6, 8, 10)
