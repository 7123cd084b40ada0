"""How long curve, events and budget take, how that grows with the samples, and the same readings through scipy's smoothing spline.

Prints figures and decides nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from time import process_time

import numpy as np
from scipy.interpolate import BSpline, make_smoothing_spline

from acquire.simulator.rig import Rig, Work
from acquire.simulator.truth import crossings
from analysis.crank.lag import stated_lag
from analysis.curve.lift_curve import Curve, make_curve
from analysis.curve.points import points_around
from analysis.curve.smoothing import fit_with_ramps
from analysis.curve.sweep import Swept
from analysis.diagnosis.examine import examine
from analysis.lobe.measured import foot_of, measure_lobe
from analysis.lobe.result import Lobe
from analysis.lobe.rocker import at_indicator
from tests.statistics.random_error import PLACES, knowing_job, steady_rig, swept_by, zero_of
from tests.statistics.trials import Scenario, job, rig_of, stop_capture, sweep_capture

# 10,000 counts a turn: a pass of two turns has 20,000 samples.
FINE = Scenario(0.036, 0.01, "edge", 5, "4-5-6-7")
RUNS = 9


def best_of(work: Callable[[], object], runs: int = RUNS) -> float:
    """The shortest of some runs, milliseconds of one processor: a busy machine does not count."""
    found = []
    for _ in range(runs):
        begun = process_time()
        work()
        found.append(1e3 * (process_time() - begun))
    return min(found)


def step_by_step(passes: int) -> tuple[int, float, float]:
    """Samples; milliseconds from placed readings to curve, events and budget; milliseconds of everything from the capture on."""
    scenario = replace(FINE, passes=passes)
    rig = replace(rig_of(scenario, 1), work=Work(turns=2.0 * passes + 0.2))
    captures, asked = [stop_capture(rig), sweep_capture(rig)], job()
    lobe = examine(asked, captures).intake
    swept, sweep = lobe.swept, lobe.swept.sweep

    def work() -> Lobe:
        keep, sign = swept.readings.usable & swept.good, -1 if swept.flipped else 1
        points = points_around(
            swept.readings, sweep.forward, sign, keep, sweep.cpr, peak_deg=swept.peak_deg, overlap_tdc=swept.overlap_tdc
        )
        curve = make_curve(points, swept.peak_deg, sweep.step_mm, stated_lag(asked.rig), foot_mm=foot_of(asked))
        return measure_lobe(asked, replace(swept, curve=curve), [])

    runs = RUNS if passes < 20 else 3
    whole = best_of(lambda: examine(asked, captures), runs)
    return captures[1].samples.crank.size, best_of(work, runs), whole


def against_scipy(trials: int = 10) -> tuple[float, float, float, float]:
    """rms errors (deg, all places) and milliseconds a curve: ours, and scipy's cubic smoothing spline with cross-validation."""
    ours, theirs, time_ours, time_theirs = [], [], [], []
    scenario = Scenario(0.15, 0.01, "edge", 3, "4-5-6-7")
    for seed in range(trials):
        rig = steady_rig(scenario, seed)
        swept = swept_by(rig)
        c = swept.curve
        x, keep = np.unique(c.pooled.deg, return_index=True)
        time_theirs.append(best_of(lambda x=x, c=c, keep=keep: make_smoothing_spline(x, c.pooled.lift_mm[keep]), 1))
        spline = make_smoothing_spline(x, c.pooled.lift_mm[keep])
        time_ours.append(best_of(lambda c=c: _refit(c), 1))
        errors = _errors(rig, swept, spline)
        ours.append(errors[0])
        theirs.append(errors[1])
    rms = [float(np.sqrt(np.mean(np.square(e)))) for e in (ours, theirs)]
    return rms[0], rms[1], float(np.median(time_ours)), float(np.median(time_theirs))


def _refit(c: Curve) -> None:
    fit_with_ramps(c.pooled.deg, c.pooled.lift_mm, c.pooled.weight, float(c.pooled.deg[0]), float(c.pooled.deg[-1]) + 1e-9)


def _errors(rig: Rig, swept: Swept, spline: BSpline) -> tuple[list[float], list[float]]:
    """Errors of both curves at every place, deg, the known zero taken out."""
    bench = knowing_job(rig).rig
    ours, theirs = [], []
    for lift, flank in PLACES:
        angle = crossings(rig, "intake", lift, "lobe")[flank == "closes"]
        slope = float(np.diff(rig.train.valve_lift(rig.cam.lift("intake", angle + np.array([-0.01, 0.01]))))[0]) / 0.02
        off = zero_of(swept, angle) - rig.indicators[0].preload_mm - at_indicator(bench, lift, "lobe")
        ours.append((float(swept.curve.spline.value(angle)) + off) / slope)
        theirs.append((float(spline(angle)) + off) / slope)
    return ours, theirs


def report() -> str:
    """The figures, in sentences."""
    few, many = step_by_step(5), step_by_step(50)
    error, their_error, time, their_time = against_scipy()
    return "\n".join(
        [
            f"5 passes, {few[0]} samples: curve, events and budget {few[1]:.0f} ms; everything from the capture on {few[2]:.0f} ms",
            f"50 passes, {many[0]} samples ({many[0] / few[0]:.1f} times): {many[1]:.0f} ms ({many[1] / few[1]:.1f} times); "
            f"everything {many[2]:.0f} ms ({many[2] / few[2]:.1f} times)",
            f"the same pooled readings: our curve {error:.4f} deg rms over all events in {time:.1f} ms; "
            f"scipy.interpolate.make_smoothing_spline {their_error:.4f} deg in {their_time:.0f} ms",
        ]
    )


if __name__ == "__main__":
    print(report())
