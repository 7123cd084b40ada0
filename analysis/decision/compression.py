"""Dynamic compression: what the intake's closing leaves of the geometric ratio.

The charge is closed in when the intake closes, with the piston x below its top: the ratio is (clearance volume + swept part) over
clearance volume, 1 + (geometric - 1) x / stroke. The published case of a research engine (TCC-III: geometric 10.0, intake closing
60.8 degrees after BDC, effective 8.0) is in the tests.
"""

from __future__ import annotations

import math

from analysis.base.quantity import Quantity
from analysis.job import Job
from analysis.lobe.events import CLOSING
from analysis.lobe.result import Lobe
from analysis.lobe.rocker import checking_lift
from analysis.tdc.slider_crank import SliderCrank, slider_crank

_STEP_DEG = 0.01


def dynamic_ratio(geometric: float, crank: SliderCrank, closes_deg: float) -> float:
    """The ratio from an intake closing at crank degrees after overlap TDC (220: 40 after BDC)."""
    return 1.0 + (geometric - 1.0) * float(crank.travel(closes_deg + crank.tdc_deg)) / crank.stroke


def dynamic_compression(job: Job, intake: Lobe, advance_deg: float = 0.0) -> Quantity | None:
    """With the camshaft advanced by so much against how it was measured; the closing is taken at the job's low lift at the valve.

    None without a geometric ratio. Raises DataError if the sweep does not reach down to that lift.
    """
    geometric, engine = job.engine.compression_ratio, job.engine
    if geometric is None:
        return None
    crank = slider_crank(engine.stroke_mm, engine.rod_mm, engine.pin_offset_mm)
    seen = checking_lift(job.rig, job.clearance.closing_lift_mm, "valve")
    closes = intake.crossing(seen, CLOSING) - advance_deg
    low, high = (dynamic_ratio(geometric, crank, closes.value + d) for d in (-_STEP_DEG, _STEP_DEG))
    slope = (high - low) / (2 * _STEP_DEG)
    value = dynamic_ratio(geometric, crank, closes.value)
    return (closes * slope).moved(value).labelled("") if math.isfinite(slope) else Quantity(value)
