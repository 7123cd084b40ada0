"""Coherent quantization: what an indicator's step does to readings that hardly scatter. Their rounding errors repeat, and averaging
takes nothing out of them.

The rounding error of a lift y read in steps q is q/(pi k) sin(2 pi k y/q), summed over all harmonics k; noise damps each of them
(Widrow & Kollar, Quantization Noise, 2008; from memory).
"""

from __future__ import annotations

import math

import numpy as np

from analysis.base.samples import Ints

HARMONICS = 20
# Of a long recording so many codes tell the step.
LOOKED_AT = 100_000
# A step is told from so many different codes at least.
LEAST_CODES = 8


def harmonic_variance(step_mm: float, noise_mm: float, k: int) -> float:
    """Variance (mm^2) of the k-th harmonic of the rounding error at a random phase, damped by noise. Without noise they add up to
    step^2/12.
    """
    damping = math.exp(-2 * (math.pi * k * noise_mm / step_mm) ** 2)
    return (step_mm / (math.pi * k) * damping) ** 2 / 2


def coherent_u(step_mm: float, noise_mm: float) -> float:
    """Standard uncertainty (mm) that is left of the step, however many readings with this noise are averaged at one lift."""
    return math.sqrt(sum(harmonic_variance(step_mm, noise_mm, k) for k in range(1, HARMONICS)))


def codes_apart(codes: Ints) -> int:
    """In steps of how many counts an indicator's codes come. Shape (n,). A gauge that resolves less than its digits, or than the
    board was told, sends multiples only. 1 where too few different codes tell; a code that came once may be a spike.
    """
    found, times = np.unique(codes[:: max(1, codes.size // LOOKED_AT)], return_counts=True)
    found = found[times > 1]
    return int(np.gcd.reduce(np.diff(found))) if found.size >= LEAST_CODES else 1
