"""What steps of indicator and encoder do to an angle: formulas, and the curve's own errors against what it says of them.

The figures for simpler estimators (slope, encoder step, indicator step -> rms and worst error) were computed outside the project,
for noise-free readings in steps of 0.01 mm on a straight flank.
"""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from acquire.simulator.encoder import Encoder
from acquire.simulator.hand import Hand
from acquire.simulator.rig import Work
from analysis.base.quantization import harmonic_variance
from analysis.curve.smoothing import fit_spline
from analysis.lobe.events import coherent_variance
from tests.left_out import thorough
from tests.rigs import SHORT, measured

STEP_MM = 0.01


@pytest.mark.parametrize(("step", "u"), [(0.01, 0.002886751), (0.001, 0.000288675), (0.0127, 0.003666174)])
def test_all_harmonics_of_rounding_make_a_twelfth_of_the_step_squared(step: float, u: float) -> None:
    """JCGM 100:2008, F.2.2.1: the standard uncertainty of a digital step is step / sqrt 12."""
    total = sum(harmonic_variance(step, 0.0, k) for k in range(1, 20_000))
    assert math.sqrt(total) == pytest.approx(u, rel=1e-4)


def test_noise_blurs_the_steps() -> None:
    """Widrow & Kollar, Quantization Noise (2008), from memory: from half a step of noise on, rounding errors are independent of
    the lift and hardly anything of their pattern is left.
    """
    for k, noise in ((1, 0.3), (1, 0.5), (2, 0.2)):
        kept = harmonic_variance(STEP_MM, noise * STEP_MM, k) / harmonic_variance(STEP_MM, 0.0, k)
        assert kept == pytest.approx(math.exp(-4 * (math.pi * k * noise) ** 2))
    assert harmonic_variance(STEP_MM, 0.5 * STEP_MM, 1) < 1e-4 * STEP_MM**2 / 12


def flank_errors(slope: float, encoder_deg: float, seed: int, noise_mm: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """A straight flank read on every encoder edge with random phase: errors (deg) of the fitted curve in the middle of its lift,
    and the standard uncertainty (deg) that it says its steps leave. Shape (100,) each.
    """
    rng = np.random.default_rng(seed)
    errors, said = [], []
    for _ in range(100):
        edges = np.arange(-40.0, 40.0, encoder_deg) + encoder_deg * rng.random()
        true = slope * edges + STEP_MM * rng.random()
        read = STEP_MM * np.rint((true + noise_mm * rng.standard_normal(edges.size)) / STEP_MM)
        spline = fit_spline(edges, read, np.ones(edges.size), float(edges[0]), float(edges[-1]))
        offset = float(true[0] - slope * edges[0])
        errors.append((float(spline.value(0.0)) - offset) / slope)
        pooled = SimpleNamespace(deg=edges, weight=np.ones(edges.size))
        curve = SimpleNamespace(spline=spline, noise_mm=noise_mm, pooled=pooled, fitted=spline.value(edges))
        coherent = coherent_variance(curve, np.zeros(1), SimpleNamespace(step_mm=STEP_MM))  # type: ignore[arg-type]
        said.append(math.hypot(float(spline.error(0.0)), math.sqrt(coherent[0])) / slope)
    return np.array(errors), np.array(said)


@pytest.mark.parametrize(
    ("slope", "encoder_deg", "interpolated", "line"),
    [(0.02, 0.1, 0.118, 0.029), (0.05, 0.5, 0.041, 0.030), *thorough((0.05, 0.1, 0.041, 0.029), (0.2, 0.1, 0.014, 0.014))],
)
def test_the_curve_beats_what_two_samples_or_a_short_line_make_of_steps(
    slope: float, encoder_deg: float, interpolated: float, line: float
) -> None:
    """Rms errors of a two-sample interpolation and of a line over a degree to either side, from outside; ours is no worse."""
    errors, _ = flank_errors(slope, encoder_deg, seed=5)
    rms = float(np.sqrt(np.mean(errors**2)))
    assert rms < 1.15 * min(interpolated, line)


def test_errors_that_lock_are_said() -> None:
    """Slope x encoder step = one indicator step: every reading rounds alike, and no number of samples averages it. The floor is the
    encoder step / sqrt 12 = 0.029 degrees rms, 0.05 at worst; the curve's own scatter alone would say next to nothing.
    """
    errors, said = flank_errors(0.1, 0.1, seed=6)
    rms = float(np.sqrt(np.mean(errors**2)))
    assert rms == pytest.approx(0.1 / math.sqrt(12), rel=0.1)
    assert np.abs(errors).max() == pytest.approx(0.05, abs=0.003)
    assert 0.8 * rms < np.median(said) < 1.6 * rms


@pytest.mark.parametrize("slope", [0.0737, 0.1237, 0.1618])
def test_errors_that_do_not_lock_average_out(slope: float) -> None:
    errors, said = flank_errors(slope, 0.1, seed=7)
    rms = float(np.sqrt(np.mean(errors**2)))
    assert rms < 0.01
    assert rms < 1.5 * float(np.median(said))
    assert np.median(said) < 0.02


def test_noise_unlocks() -> None:
    """A third of a step of noise: what was coherent at 0.029 degrees averages again."""
    errors, said = flank_errors(0.1, 0.1, seed=8, noise_mm=STEP_MM / 3)
    rms = float(np.sqrt(np.mean(errors**2)))
    assert rms < 0.015
    assert rms < 1.5 * float(np.median(said))


# --- encoder off center ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("off_um", "radius_mm", "arcsec"),
    [(10, 50, 41), (25, 50, 103), (100, 50, 412), (10, 25, 83), (25, 25, 206), (10, 12.5, 165), (5, 12.5, 83)],
)
def test_published_errors_of_an_encoder_off_center(off_um: float, radius_mm: float, arcsec: float) -> None:
    """A published engineering note's table: once a turn, peak e / R."""
    encoder = Encoder(cpr=3600, eccentric=off_um / 1000 / radius_mm)
    crank = np.arange(0.0, 360.0, 0.25)
    error = (encoder.reading(crank) - encoder.phase) * 360.0 / 3600 - crank
    assert np.abs(error).max() * 3600 == pytest.approx(arcsec, abs=1.0)


def test_the_piston_s_travel_finds_how_far_off_center_the_encoder_sits() -> None:
    """100 um at 50 mm radius: 412 arc seconds, 0.1146 degrees."""
    rig = replace(SHORT, encoder=Encoder(eccentric=0.002), hand=Hand(bump_share=0.0), work=Work(touches=3, turns=4.2))
    found, _ = measured(rig, ("stop", "travel", "intake"))
    tdc = found.intake.swept.sweep.tdc
    size = math.hypot(tdc.sine.value, tdc.cosine.value)
    assert abs(size - 412.53 / 3600) < 2.5 * max(tdc.sine.u, tdc.cosine.u) + 0.002
    assert tdc.sine.u < 0.03
