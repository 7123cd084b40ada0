"""Measured lobes changed in the domain of their readings: wear, height, size and place can be planted without simulating again."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from acquire.simulator.rig import Rig
from analysis.base.samples import Capture, Floats
from analysis.base.selection import only
from analysis.curve.smoothing import fit_spline
from analysis.diagnosis.examine import examine
from analysis.job import Job
from analysis.lobe.result import Lobe
from tests.statistics.trials import OFFCENTER_DEG, Scenario, job, rig_of, stop_capture, sweep_capture

TILT_DEG = 4.0


def bench_job() -> Job:
    """The trials' job with an indicator that may lean by up to four degrees."""
    given = job()
    return given.model_copy(update={"rig": given.rig.model_copy(update={"indicator_tilt_deg": TILT_DEG})})


def set_up_again(rig: Rig, seed: int) -> Rig:
    """The same engine by another hand: indicator and encoder set up anew, each with its own errors within the bounds."""
    rng = np.random.default_rng([seed, 991])
    gauge = replace(
        rig.indicators[0],
        tilt_deg=TILT_DEG * math.sqrt(rng.uniform()),
        tip=str(rng.choice(["flat", "fixed"])),
        preload_mm=1.0 + 0.01 * rng.uniform(),
    )
    encoder = replace(
        rig.encoder,
        eccentric=math.radians(rng.uniform(0.0, OFFCENTER_DEG)),
        eccentric_deg=rng.uniform(0.0, 360.0),
        index_deg=rng.uniform(0.0, 360.0),
        phase=rng.uniform(),
    )
    return replace(rig, indicators=(gauge,), encoder=encoder, seed=rig.seed ^ (seed + 5))


def named(capture: Capture, name: str, link: str) -> Capture:
    """A capture of its own digest, recorded over a connection."""
    return replace(
        capture, header=replace(capture.header, link=link), sha256=hashlib.sha256(name.encode()).hexdigest(), path=name
    )


def measured_lobe(rig: Rig, name: str) -> Lobe:
    """The intake lobe of a rig, with TDC found for itself: a job of its own."""
    stop, sweep = named(stop_capture(rig), f"{name}-stop", name), named(sweep_capture(rig), f"{name}-intake", name)
    lobe = examine(bench_job(), [stop, sweep]).intake
    swept, none = lobe.swept, slice(0, 1)  # what a comparison does not ask for is let go: a study holds hundreds
    capture = replace(sweep, samples=only(sweep.samples, none))
    return replace(
        lobe,
        swept=replace(
            swept, sweep=replace(swept.sweep, capture=capture), readings=only(swept.readings, none), good=swept.good[none]
        ),
    )


def twice(scenario: Scenario, seed: int) -> tuple[Lobe, Lobe]:
    """One lobe measured in two jobs, everything set up anew in between."""
    rig = rig_of(scenario, seed)
    return measured_lobe(rig, f"{seed} first"), measured_lobe(set_up_again(rig, seed), f"{seed} second")


def changed(lobe: Lobe, added: Callable[[Floats, Floats], Floats] | None = None, later_deg: float = 0.0) -> Lobe:
    """The lobe with something added to its lift (mm at the indicator), a function of degrees from its peak and lift, and standing so
    many degrees later.
    """
    curve, peak = lobe.swept.curve, lobe.causes.peak_deg

    def lift(deg: Floats, was: Floats) -> Floats:
        return was if added is None else was + added(deg - peak, was)

    pooled = replace(curve.pooled, deg=curve.pooled.deg + later_deg, lift_mm=lift(curve.pooled.deg, curve.pooled.lift_mm))
    points = replace(curve.points, deg=curve.points.deg + later_deg, lift_mm=lift(curve.points.deg, curve.points.lift_mm))
    low, high = float(pooled.deg[0]), float(pooled.deg[-1]) + 1e-9
    spline = fit_spline(pooled.deg, pooled.lift_mm, pooled.weight, low, high, curve.spline.log_smoothing)
    swept = replace(lobe.swept, curve=replace(curve, pooled=pooled, points=points, spline=spline))
    return replace(lobe, swept=swept)
