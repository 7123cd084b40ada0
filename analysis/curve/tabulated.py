"""A lift curve as columns: lift with its first three derivatives and their standard errors."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.base.errors import UsageError
from analysis.base.samples import Floats
from analysis.curve.lift_curve import Curve

DERIVATIVES = 3


@dataclass(frozen=True)
class CurveTable:
    """`deg`: crank degrees from overlap TDC, shape (n,). `value` and `error`: shape (4, n); row k is the k-th derivative of the lift
    at the indicator in mm/deg^k and its standard error from scatter (JCGM 100 Type A; the budget of events holds the rest).
    """

    deg: Floats
    value: Floats
    error: Floats


def curve_table(curve: Curve, step_deg: float = 1.0) -> CurveTable:
    """The curve at every multiple of `step_deg` that it covers. Raises UsageError for a step of 0 or less.

    Higher derivatives are known less and less: read them with their standard errors, and not at all near both ends.
    """
    if not step_deg > 0:
        raise UsageError(f"a step of {step_deg:g} degrees makes no table", do="Give a step above 0")
    s = curve.spline
    deg = step_deg * np.arange(np.ceil(s.low / step_deg), np.floor(s.high / step_deg) + 1)
    return CurveTable(
        deg=deg,
        value=np.vstack([s.value(deg, k) for k in range(DERIVATIVES + 1)]),
        error=np.vstack([s.error(deg, k) for k in range(DERIVATIVES + 1)]),
    )
