"""Where a straight ramp ends and the flank begins with a corner in its third derivative, the curve is not to round it off; a curve
without a ramp is to stay as it was.
"""

from __future__ import annotations

import numpy as np
import pytest

from acquire.simulator.cam import Flank, LawLobe
from analysis.base.samples import Floats
from analysis.curve import smoothing

DEG = np.arange(-130.0, 160.0, 0.1)
# The closing flank stands on its ramp 140 crank degrees behind the nose.
CORNER = 140.0
LOBE = LawLobe(7.6, Flank("4-5-6-7", 62.0, 0.10, 12.0), Flank("3-4-5", 70.0, 0.15, 20.0))


def ramped(deg: Floats) -> Floats:
    """A lobe whose closing flank leaves its ramp with a jump of the third derivative."""
    return np.asarray(LOBE.lift(deg / 2))


def smooth(deg: Floats) -> Floats:
    return np.asarray(10.0 * np.exp(-((deg / 55.0) ** 2)))


def fitted(shape: Floats, seed: int, noise_mm: float) -> smoothing.Spline:
    lift = shape + noise_mm * np.random.default_rng(seed).standard_normal(DEG.size)
    return smoothing.fit_with_ramps(DEG, lift, np.ones_like(DEG), -130.0, 160.0)


@pytest.mark.parametrize(("noise_mm", "share"), [(0.0005, 0.75), (0.004, 0.9)])
def test_the_end_of_a_ramp_is_found(noise_mm: float, share: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """Over four degrees about the corner the rms error of seeds 0 to 11 falls to a share, against the same fit without easing."""
    about = DEG[np.abs(DEG - CORNER) < 2.0]

    def off() -> float:
        return float(np.sqrt(np.mean([(fitted(ramped(DEG), k, noise_mm).value(about) - ramped(about)) ** 2 for k in range(12)])))

    eased = off()
    monkeypatch.setattr(smoothing, "CLEARLY", np.inf)
    assert eased < share * off()


@pytest.mark.parametrize("seed", range(3))
def test_a_lobe_without_ramps_keeps_its_curve(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    eased = fitted(smooth(DEG), seed, 0.004)
    monkeypatch.setattr(smoothing, "CLEARLY", np.inf)
    even = fitted(smooth(DEG), seed, 0.004)
    assert eased.value(DEG) == pytest.approx(even.value(DEG), abs=1e-12)
