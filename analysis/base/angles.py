"""Crank angles: from counts, into one domain, and into the words people read them in.

Zero is gas-exchange top dead center of the cylinder measured, positive is after it in direction of rotation; the domain is
[-360, 360).
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import numpy.typing as npt

from analysis.base.errors import UsageError

CYCLE_DEG = 720.0

_TDC, _BDC = ("ATDC", "BTDC", "TDC"), ("ABDC", "BBDC", "BDC")
_NEXT: Final = {_TDC: _BDC, _BDC: _TDC}  # dead centers are half a turn apart
# From where a person reads each: the angle of the place, and the words after it, before it, and at it. Closing bottom dead center
# of the intake lies half a turn on, that of the exhaust half a turn back.
_PLACES: Final[dict[str, tuple[float, tuple[str, str, str]]]] = {
    "intake opens": (0.0, _TDC),
    "intake closes": (180.0, _BDC),
    "exhaust opens": (-180.0, _BDC),
    "exhaust closes": (0.0, _TDC),
    "intake centerline": (0.0, _TDC),
    "exhaust centerline": (0.0, _TDC),
    "overlap": (0.0, _TDC),
    "advance": (0.0, ("advanced", "retarded", "")),
    "late": (0.0, ("late", "early", "")),
}


def wrap(deg: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Angles of any shape into [-360, 360) crank degrees, float64. NaN stays NaN."""
    turned = np.mod(np.asarray(deg, dtype=np.float64) + 360.0, CYCLE_DEG)
    # np.mod of a tiny negative number rounds up to 720 itself, which is outside the half-open domain.
    return np.where(turned >= CYCLE_DEG, 0.0, turned) - 360.0


def degrees(counts: npt.ArrayLike, *, cpr: int, tdc_count: float = 0.0, direction: int = 1) -> npt.NDArray[np.float64]:
    """Counts of any shape to crank degrees after `tdc_count`, not wrapped, float64.

    `cpr` counts make a turn; `direction` is 1 if the count grows when the engine turns in direction of rotation, else -1.
    Raises UsageError for another direction or a `cpr` below 1.
    """
    if cpr < 1 or direction not in (1, -1):
        raise UsageError(
            f"cpr = {cpr} and direction = {direction} make no angle", do="Give cpr above 0 and a direction of 1 or -1"
        )
    return (np.asarray(counts, dtype=np.float64) - tdc_count) * (direction * 360.0 / cpr)


def label(deg: float, place: str, decimals: int = 1) -> str:
    """An angle as people say it: `label(-17.0, "intake opens")` is "17.0 BTDC", `label(222.0, "intake closes")` is "42.0 ABDC".

    `deg` is in crank degrees after gas-exchange TDC and is wrapped first. There is never a minus: before turns
    into after; and never half a turn or more: it is read from the next dead center. What rounds to zero reads "0.0 TDC". Raises
    UsageError for an unknown place.
    """
    if place not in _PLACES:
        raise UsageError(f"no reference is known for '{place}'", do=f"Use one of: {', '.join(_PLACES)}")
    reference, words = _PLACES[place]
    off = round(float(wrap(deg - reference)), decimals)
    if abs(off) >= 180.0 and words in _NEXT:
        off, words = off - math.copysign(180.0, off), _NEXT[words]
    after, before, at = words
    return f"{abs(off):.{decimals}f} {at if off == 0 else after if off > 0 else before}".rstrip()
