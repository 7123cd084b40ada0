"""The random error alone, against what the data allow: everything systematic is switched off or known, so that only the indicator's
steps and noise, the encoder's steps and the hand's motion are left.

Beside the engine stand its rivals on the same pooled readings: local polynomials of every width, of which the study then
takes the best KNOWING the truth, and straight lines between two readings. A sweep and the same sweep with the camshaft moved stand
against the Cramer-Rao bound.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from acquire.simulator.phases import latch_phase, start
from acquire.simulator.rig import Rig
from acquire.simulator.truth import crossings
from analysis.base.quantity import Quantity
from analysis.base.samples import Floats
from analysis.compare.difference import difference
from analysis.compare.laid import Cells, lay_curve, weighted
from analysis.curve.lift_curve import Curve
from analysis.curve.sweep import Swept
from analysis.diagnosis.examine import examine
from analysis.job import Job
from analysis.lobe.rocker import at_indicator
from tests.statistics.shift_bound import shift_bound
from tests.statistics.trials import LIFTS, Scenario, job, rig_of, sweep_capture

DEGREES = (1, 2, 3)
HALF_WIDTHS = 1.0 * 1.25 ** np.arange(17)  # 1 to 36 crank degrees
PLACES = tuple((lift, flank) for lift in LIFTS for flank in ("opens", "closes"))
SHIFT_DEG = 0.5


def steady_rig(scenario: Scenario, seed: int, noise_steps: float | None = None) -> Rig:
    """The trial's rig without what is systematic. `noise_steps`: the indicator's noise in its own steps, else as drawn."""
    rig = rig_of(scenario, seed)
    gauge = replace(rig.indicators[0], latency_s=0.0, drift_mm_s=0.0, tilt_deg=0.0)
    if noise_steps is not None:
        gauge = replace(gauge, noise_mm=noise_steps * scenario.step_mm)
    train, encoder = replace(rig.train, runout_mm=0.0), replace(rig.encoder, eccentric=0.0)
    return replace(rig, indicators=(gauge,), train=train, encoder=encoder)


def knowing_job(rig: Rig) -> Job:
    """A job that knows where TDC is, and that nothing systematic is wrong."""
    known = job()
    bench = known.rig.model_copy(
        update={
            "encoder_offcenter_deg": 0.0,
            "indicator_tilt_deg": 0.0,
            "cam_runout_mm": 0.0,
            "indicator_latency_ms": 0.0,
            "tdc_count": float(rig.encoder.reading(0.0)) + rig.count_offset,
        }
    )
    return known.model_copy(update={"rig": bench})


def swept_by(rig: Rig) -> Swept:
    """The sweep of such a rig, up to its curve."""
    return examine(knowing_job(rig), [sweep_capture(rig)]).intake.swept


@dataclass(frozen=True)
class Errors:
    """Errors in crank degrees at `PLACES`. `engine`, `between_two`: shape (8,); `local`: shape (8, degrees, half-widths), NaN where
    too few readings lie.
    """

    engine: Floats
    local: Floats
    between_two: Floats


def errors(scenario: Scenario, seed: int) -> Errors:
    """One trial: fitted lifts at the true angles, the known zero taken out, as angles by the true slope."""
    rig = steady_rig(scenario, seed)
    swept = swept_by(rig)
    curve, at = swept.curve, knowing_job(rig).rig
    engine, local, two = [], [], []
    for lift, flank in PLACES:
        angle = crossings(rig, "intake", lift, "lobe")[flank == "closes"]
        true = at_indicator(at, lift, "lobe")
        slope = float(np.diff(rig.train.valve_lift(rig.cam.lift("intake", angle + np.array([-0.01, 0.01]))))[0]) / 0.02
        off = zero_of(swept, angle) - rig.indicators[0].preload_mm - true
        engine.append((float(curve.spline.value(angle)) + off) / slope)
        local.append((local_polynomials(curve, angle) + off) / slope)
        two.append(_between_two(rig, swept, true, flank, angle))
    return Errors(np.array(engine), np.array(local), np.array(two))


def zero_of(swept: Swept, angle: float) -> float:
    """The zero that was taken off the readings around an angle."""
    points = swept.curve.points
    passes = np.unique(points.pass_[np.abs(points.deg - angle) < 3.0])
    return float(np.mean(swept.curve.base.zero(passes, np.array([angle]))))


def local_polynomials(curve: Curve, angle: float) -> Floats:
    """Value at an angle of local polynomials through the pooled readings, Epanechnikov weights. Shape (degrees, half-widths)."""
    x, y, w = curve.pooled.deg, curve.pooled.lift_mm, curve.pooled.weight
    found = np.full((len(DEGREES), HALF_WIDTHS.size), np.nan)
    for k, half in enumerate(HALF_WIDTHS):
        i, j = np.searchsorted(x, (angle - half, angle + half))
        z = (x[i:j] - angle) / half
        for row, degree in enumerate(DEGREES):
            if j - i >= degree + 2:
                found[row, k] = local_weights(z, (1 - z * z) * w[i:j], degree)[0] @ y[i:j]
    return found


def local_weights(z: Floats, weight: Floats, degree: int) -> Floats:
    """What each reading at `z` adds to the coefficients of a polynomial fitted about 0. Shape (degree + 1, z.size); row k times k!
    makes the k-th derivative.
    """
    root = np.sqrt(weight)
    return np.linalg.pinv(np.vander(z, degree + 1, increasing=True) * root[:, None]) * root


def _between_two(rig: Rig, swept: Swept, true_mm: float, flank: str, angle: float) -> float:
    """Error of the straight line between the two readings of the first pass that the lift lies between."""
    r = swept.readings
    count = float(rig.encoder.reading(0.0)) + rig.count_offset
    deg = (r.position - count) * 360.0 / rig.encoder.cpr
    near = r.usable & (np.abs(deg - angle) < 10.0)
    order = np.argsort(deg[near], kind="stable")
    lift = r.lift_mm[near][order] - rig.indicators[0].preload_mm - true_mm
    return line_between_two(deg[near][order], lift if flank == "opens" else -lift) - angle


def line_between_two(x: Floats, y: Floats) -> float:
    """Where `y` first comes up to 0, by the straight line from the reading before; NaN if it is there from the start."""
    k = int(np.argmax(y >= 0))
    if k == 0:
        return math.nan
    return float(x[k - 1] - y[k - 1] / (y[k] - y[k - 1]) * (x[k] - x[k - 1]))


@dataclass(frozen=True)
class Shifted:
    """A found shift less the true one (deg), its 95 % uncertainty's standard part, and the Cramer-Rao bound: as the rig is
    (`tests.statistics.shift_bound`), and for one who knows the lobe beforehand.
    """

    error: float
    u: float
    bound: float
    bound_lobe_known: float


def shift_between(first: Curve, second: Curve, step_mm: float) -> Quantity:
    """By how many degrees the second curve comes later, with its scatter alone."""
    cells = Cells.of(first.spline)
    return difference(cells, weighted((1.0, lay_curve(cells, second, step_mm)), (-1.0, lay_curve(cells, first, step_mm)))).later


def shifted(scenario: Scenario, seed: int) -> Shifted:
    """Two sweeps, the camshaft half a degree later in the second; noise of half a step, so that the steps act as noise."""
    first = steady_rig(scenario, seed, noise_steps=0.5)
    later = replace(first.cam, advance_deg=first.cam.advance_deg - SHIFT_DEG)
    rigs = first, replace(first, cam=later, seed=first.seed ^ 1)
    found = shift_between(*(swept_by(rig).curve for rig in rigs), scenario.step_mm)
    latched = [latch_phase(rig, "intake", start(rig)) for rig in rigs]
    return Shifted(found.value - SHIFT_DEG, found.u, *shift_bound(rigs, latched))
