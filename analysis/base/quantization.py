"""What an indicator's step does to readings that do not scatter over it: rounding errors repeat instead of averaging out.

Widrow & Kollar, Quantization Noise, 2008 (from memory): the rounding error is q/(pi k) sin(2 pi k y/q) over all harmonics k of the
lift's phase within a step, and noise damps each.
"""

from __future__ import annotations

import math

HARMONICS = 20


def harmonic(step_mm: float, noise_mm: float, k: int) -> float:
    """Variance (mm^2) of the k-th harmonic of the rounding error where every reading rounds alike, damped by noise. The sum
    over k without noise is step^2/12.
    """
    damping = math.exp(-2 * (math.pi * k * noise_mm / step_mm) ** 2)
    return (step_mm / (math.pi * k) * damping) ** 2 / 2


def repeating_u(step_mm: float, noise_mm: float) -> float:
    """Standard uncertainty (mm) that no averaging takes out of readings at one lift which scatter by `noise_mm`."""
    return math.sqrt(sum(harmonic(step_mm, noise_mm, k) for k in range(1, HARMONICS)))
