"""Whether the intervals of lift at TDC, of the overlap's area and of the least gap hold the truth as often as they say."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from acquire.simulator.rig import Rig
from analysis.base.quantity import Quantity
from analysis.base.samples import Floats
from analysis.decision.clearance import piston_clearance
from analysis.decision.valve_lift import overlap_of
from analysis.diagnosis.examine import examine
from analysis.job import Job
from analysis.tdc.slider_crank import slider_crank
from tests.left_out import thorough
from tests.statistics.short import holds, in_u, missed, seeds
from tests.statistics.trials import Scenario, job, rig_of, stop_capture, sweep_captures

# The drop is taken to be exact, on the flank, so that the lift is what is uncertain.
DROP_DEG, DROP_MM = 10.0, 5.0


def asked(lash_mm: float, lifts: tuple[float, ...]) -> Job:
    """The study's job with other lash and checking lifts, and a drop measured from the intake valve's lift."""
    clearance = {
        "valve_angle_deg": 15.0,
        "error_mm": 0.0,
        "drop": [{"at_deg": DROP_DEG, "drop_mm": DROP_MM, "measured_from": "lift"}],
    }
    tables = job().model_dump(exclude_unset=True)
    tables["rig"]["lash_mm"] = lash_mm
    tables["measure"]["checking_lifts_mm"] = list(lifts)
    return Job.model_validate(tables | {"clearance": {"intake": clearance}})


def truth_of(rig: Rig, axial: float) -> dict[str, float]:
    """What the simulator's law comes to."""
    deg = np.arange(-120.0, 120.0, 0.02)
    intake, exhaust = (rig.train.valve_lift(rig.cam.lift(valve, deg)) for valve in ("intake", "exhaust"))
    travel, near = slider_crank(rig.crank.stroke_mm, rig.crank.rod_mm).travel(deg), np.abs(deg) < 60.0
    closed = DROP_MM + float(np.interp(DROP_DEG, deg, intake - axial * travel))
    return {
        "intake at TDC": float(np.interp(0.0, deg, intake)),
        "exhaust at TDC": float(np.interp(0.0, deg, exhaust)),
        "area": float(np.minimum(intake, exhaust).sum() * 0.02),
        "least gap": float((closed + axial * travel - intake)[near].min()),
    }


NAMES = ("intake at TDC", "exhaust at TDC", "area", "least gap")
ASKED = (
    (Scenario(0.15, 0.01, "edge", 1, "unsymmetrical"), 0.1, (1.27,)),  # the curve begins above 0.5 mm
    (Scenario(0.25, 0.0127, "edge", 1, "unsymmetrical"), 0.3, (0.15, 0.5, 1.27)),  # TDC just where the intake opens
)
BY_RUNOUT = (
    Scenario(0.15, 0.001, "time", 1, "cycloidal"),
    0.1,
    (0.15, 0.5, 1.27),
)  # base-circle runout moves the area


@cache
def errors_in_u(scenario: Scenario, lash_mm: float, lifts: tuple[float, ...]) -> Floats:
    """Errors of what is named in `NAMES`, in units of their uncertainties. Shape (trials, 4)."""
    asking, found = asked(lash_mm, lifts), []
    for seed in seeds(10):
        rig = rig_of(scenario, seed)
        rig = replace(rig, train=replace(rig.train, lash_mm=lash_mm))
        both = examine(asking, [stop_capture(rig), *sweep_captures(rig, "intake", "exhaust")])
        overlap, clearance = overlap_of(both.intake, both.exhaust, asking.rig), piston_clearance(asking, both.intake)
        assert clearance is not None
        quantities: tuple[Quantity, ...] = (
            overlap.intake_at_tdc_mm,
            overlap.exhaust_at_tdc_mm,
            overlap.area_mm_deg,
            clearance.least,
        )
        true = truth_of(rig, clearance.gap.axial)
        found.append([in_u(q.value - true[name], q.u95) for name, q in zip(NAMES, quantities, strict=True)])
    return np.array(found, dtype=np.float64)


@pytest.mark.parametrize(
    ("scenario", "lash_mm", "lifts"),
    [*ASKED, *thorough(BY_RUNOUT)],
    ids=lambda each: str(each) if isinstance(each, Scenario) else None,
)
def test_lifts_and_overlap_hold_the_truth(scenario: Scenario, lash_mm: float, lifts: tuple[float, ...]) -> None:
    """From seed 0."""
    assert missed(errors_in_u(scenario, lash_mm, lifts), NAMES) == {}


def test_in_both_of_them_an_interval_that_is_too_narrow_would_be_seen() -> None:
    """The trials of the test before, together."""
    holds(np.concatenate([errors_in_u(*each) for each in ASKED]), NAMES)
