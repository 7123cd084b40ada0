"""Numbers as people read them: to their uncertainty and not beyond, in the units of the job."""

from __future__ import annotations

import math
from typing import Literal

from analysis.base.angles import Happening, label
from analysis.base.quantity import Quantity

Units = Literal["mm", "in"]
MM_PER = {"mm": 1.0, "in": 25.4}


def decimals(u95: float) -> int:
    """Decimals that show `u95` to two significant digits (JCGM 100:2008, 7.2.6): 0.12 -> 2, 3.4 -> 1, 56 -> 0; at most 5.

    An uncertainty of 0 (a value that was given) or none at all shows three decimals.
    """
    if not math.isfinite(u95) or u95 <= 0:
        return 3
    places = 1 - math.floor(math.log10(u95))
    # What rounds up to the next power of ten has a digit to spare: 0.0996 reads 0.10.
    places -= round(u95, places) >= 10.0 ** (2 - places)
    return min(max(places, 0), 5)


def plus_minus(number: Quantity, scale: float = 1.0) -> str:
    """ "106.02 +/-0.12"; `scale` divides both."""
    value, u95 = number.value / scale, number.u95 / scale
    places = decimals(u95)
    return f"{value + 0.0:.{places}f} +/-{u95:.{places}f}"


def angle(number: Quantity, happening: Happening) -> str:
    """ "17.02 BTDC +/-0.12"."""
    places = decimals(number.u95)
    return f"{label(number.value, happening, places)} +/-{number.u95:.{places}f}"


def length(number: Quantity, units: Units) -> str:
    """ "10.52 +/-0.02 mm", or the same in inches."""
    return f"{plus_minus(number, MM_PER[units])} {units}"


def lift(mm: float, units: Units) -> str:
    """A checking lift, which is exact: at least two decimals of a millimetre, three of an inch, and no zero more."""
    value, least = mm / MM_PER[units], 2 if units == "mm" else 3
    whole, _, fraction = f"{value:.{least + 2}f}".partition(".")
    return f"{whole}.{fraction.rstrip('0'):0<{least}}"
