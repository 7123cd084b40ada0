"""Coherent quantization: what an indicator's step does to readings that hardly scatter. Their rounding errors repeat, and averaging
takes nothing out of them.

The rounding error of a lift y read in steps q is q/(pi k) sin(2 pi k y/q), summed over all harmonics k; noise damps each of them
(Widrow & Kollar, Quantization Noise, 2008; from memory).
"""

from __future__ import annotations

import math

HARMONICS = 20


def harmonic_variance(step_mm: float, noise_mm: float, k: int) -> float:
    """Variance (mm^2) of the k-th harmonic of the rounding error at a random phase, damped by noise. Without noise they add up to
    step^2/12.
    """
    damping = math.exp(-2 * (math.pi * k * noise_mm / step_mm) ** 2)
    return (step_mm / (math.pi * k) * damping) ** 2 / 2


def coherent_u(step_mm: float, noise_mm: float) -> float:
    """Standard uncertainty (mm) that is left of the step, however many readings with this noise are averaged at one lift."""
    return math.sqrt(sum(harmonic_variance(step_mm, noise_mm, k) for k in range(1, HARMONICS)))
