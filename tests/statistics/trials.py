"""One trial of the study: a simulated sweep with everything wrong that the job's bounds allow, measured, beside its truth.

Arrays only: the board's lines are left out (other tests are about them), so that thousands of trials can be had. The piston
stop is a handful of turning points about the true contacts. Every error is drawn anew from its bound by the trial's seed.
"""

from __future__ import annotations

import math
import zlib
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from scipy.interpolate import UnivariateSpline

from acquire.simulator.board import BenchBoard
from acquire.simulator.cam import Cam, Flank, LawLobe, Lobe, TableLobe
from acquire.simulator.encoder import Encoder
from acquire.simulator.hand import Hand
from acquire.simulator.indicator import Indicator
from acquire.simulator.phases import Latching, latch_phase, start
from acquire.simulator.piston_stop import SliderCrank
from acquire.simulator.rig import Rig, Work
from acquire.simulator.train import Train
from acquire.simulator.truth import TrueLobe, truth
from analysis.base.quantity import Quantity
from analysis.base.samples import STILL, Capture, Header, IndexPulses, Samples
from analysis.diagnosis.examine import examine
from analysis.job import Job

LIFTS = (0.15, 0.5, 1.27, 2.54)
CPR = {0.25: 1440, 0.15: 2400, 0.036: 10000}
STEPS = (0.0127, 0.01, 0.001)
# Bounds as the job states them.
OFFCENTER_DEG = 0.1
TILT_DEG = 2.0
RUNOUT_MM = 0.005
LASH_MM = 0.10
RATIO = 1.5
# How far the rocker may be off its ratio, and the lash off what was set; readings a second of the gauges (0: a scale that is read at
# every sample).
RATIO_ERROR = 0.02 * RATIO
LASH_ERROR_MM = 0.03
PER_S = (0.0, 20.0, 50.0)
STOP_MM = (8.0, 12.0)  # as far below top as a stop may stand, so that its contacts fall anywhere within counts
LATENCY_S = 0.05
# How far (deg, standard deviation) touches of one contact scatter: no job states it, hands and stops differ, and every tenfold is as
# likely as the next. From memory: a solid stop and a slow hand at one end, a hasty one at the other.
SCATTER_DEG = (0.005, 0.2)
# TCC-III intake lobe, every fifth crank degree from 19 before exhaust TDC (University of Michigan, doi 10.7302/Z2MS3QP). Its rows
# scatter by 0.0006 mm about any smooth curve: they were measured. That scatter is no shape, and a smooth curve through it is taken.
_SCATTER_MM = 0.0006
_TCC3 = """0.001 0.017 0.061 0.153 0.311 0.558 0.896 1.328 1.831 2.389 2.978 3.579 4.177 4.757 5.312 5.835 6.322 6.769 7.177
7.541 7.865 8.143 8.378 8.568 8.716 8.817 8.876 8.888 8.858 8.782 8.663 8.497 8.29 8.036 7.741 7.401 7.02 6.595 6.133 5.631 5.096
4.53 3.944 3.345 2.748 2.173 1.637 1.168 0.779 0.489 0.289 0.17 0.102 0.06 0.026 0.005"""


def lobes() -> dict[str, Lobe]:
    """The five lobes of the study."""
    brief, plain = Flank("4-5-6-7", 66.0, 0.10, 12.0), Flank("cycloidal", 70.0)
    return {
        "4-5-6-7": LawLobe(7.6, Flank("4-5-6-7", 72.0), Flank("4-5-6-7", 72.0)),
        "cycloidal": LawLobe(7.6, plain, plain),
        "tcc-iii": tcc3(),
        "unsymmetrical": LawLobe(7.6, Flank("4-5-6-7", 62.0, 0.10, 12.0), Flank("3-4-5", 70.0, 0.15, 20.0)),
        "long ramp": LawLobe(7.6, replace(brief, ramp_mm=0.25, ramp_deg=26.0), replace(brief, ramp_mm=0.25, ramp_deg=26.0)),
    }


@cache
def tcc3() -> TableLobe:
    """The TCC-III intake lobe, a quintic spline through its table within the table's scatter, in rows of one crank degree."""
    lift = np.array(_TCC3.split(), dtype=np.float64)
    deg = -19.0 + 5.0 * np.arange(lift.size)
    smooth = UnivariateSpline(deg, lift, k=5, s=lift.size * _SCATTER_MM**2)
    rows = np.arange(deg[0], deg[-1] + 0.5)
    return TableLobe.from_crank(rows, np.maximum(smooth(rows), 0.0), 115.0)


@dataclass(frozen=True)
class Scenario:
    """One cell of the study: encoder and indicator step, how samples are latched, passes, lobe."""

    encoder_deg: float
    step_mm: float
    latch: str
    passes: int
    lobe: str

    def __str__(self) -> str:
        return f"{self.encoder_deg:g} deg, {self.step_mm:g} mm, {self.latch}, {self.passes} passes, {self.lobe}"


def scenarios() -> list[Scenario]:
    """All 270 of them."""
    return [
        Scenario(encoder, step, latch, passes, lobe)
        for encoder in CPR
        for step in STEPS
        for latch in ("edge", "time")
        for passes in (1, 3, 10)
        for lobe in lobes()
    ]


def chance(scenario: Scenario, seed: int) -> int:
    """A seed that no other scenario has, so that scenarios are independent."""
    return zlib.crc32(f"{scenario} {seed}".encode())


def rig_of(scenario: Scenario, seed: int) -> Rig:
    """A rig of this scenario, its errors drawn within the bounds."""
    own = chance(scenario, seed)
    rng = np.random.default_rng([own, 77])
    amplitude = rng.uniform(0.0, OFFCENTER_DEG)
    step = scenario.step_mm
    gauge = Indicator(
        where="valve",
        step=step,
        noise_mm=rng.uniform(0.1, 0.5) * step,
        latency_s=rng.uniform(0.0, LATENCY_S),
        preload_mm=1.0 + rng.uniform(0.0, 1.0) * step,
        drift_mm_s=rng.uniform(-1.0, 1.0) * 0.5e-4 * min(1.0, step / 0.01),
        tilt_deg=TILT_DEG * math.sqrt(rng.uniform()),  # evenly over the bound of the relative error
        tip=str(rng.choice(["flat", "fixed"])),
    )
    encoder = Encoder(
        cpr=CPR[scenario.encoder_deg],
        eccentric=math.radians(amplitude),
        eccentric_deg=rng.uniform(0, 360),
        index_deg=rng.uniform(0, 360),
        phase=rng.uniform(),
    )
    runout = rng.uniform(0.0, RUNOUT_MM)
    train = Train(ratio=RATIO, lash_mm=LASH_MM, slack_deg=rng.uniform(0, 2.0), runout_mm=runout, runout_deg=rng.uniform(0, 360))
    lobe = lobes()[scenario.lobe]
    return Rig(
        cam=Cam(lobe, lobe, 110.0, rng.uniform(-4.0, 4.0)),
        train=train,
        hand=Hand(speed=(8.0, 28.0)),
        encoder=encoder,
        indicators=(gauge,),
        crank=SliderCrank(43.0, 143.0),
        board=BenchBoard(latch=scenario.latch, per_s=200 if scenario.latch == "time" else 0, baud=4_000_000),
        work=Work(turns=2.0 * scenario.passes + 0.6),
        start_deg=-220.0 + rng.uniform(-1.0, 1.0),
        seed=own,
    )


def job() -> Job:
    """What the owner of such a rig states."""
    return Job.model_validate(
        {
            "format": 1,
            "engine": {"cylinders": 1, "firing_order": [1], "bore_mm": 86.0, "stroke_mm": 86.0, "rod_mm": 143.0},
            "rig": {
                "indicator_at": "valve",
                "rocker_ratio": RATIO,
                "lash_mm": LASH_MM,
                "encoder_offcenter_deg": OFFCENTER_DEG,
                "indicator_tilt_deg": TILT_DEG,
                "cam_runout_mm": RUNOUT_MM,
                **dict.fromkeys(("rocker_ratio_error", "lash_error_mm", "indicator_error_mm"), 0.0),
                "indicator_latency_ms": 1e3 * LATENCY_S,
                "direction": "up",
            },
            "measure": {"checking_lifts_mm": list(LIFTS), "checking_at": "lobe"},
        }
    )


def off_the_statement(rig: Rig, seed: int) -> Rig:
    """The rig with a rocker and a lash that are off by anything within their bounds, and with one gauge or another."""
    rng = np.random.default_rng([rig.seed, 80])
    ratio, lash = RATIO + RATIO_ERROR * rng.uniform(-1.0, 1.0), LASH_MM + LASH_ERROR_MM * rng.uniform(-1.0, 1.0)
    gauge = replace(rig.indicators[0], per_s=PER_S[seed % len(PER_S)])
    return replace(rig, train=replace(rig.train, ratio=ratio, lash_mm=lash), indicators=(gauge,))


def bounded_job() -> Job:
    """As `job`, of an owner who knows that ratio and lash are not exact."""
    given = job()
    bounds = {"rocker_ratio_error": RATIO_ERROR, "lash_error_mm": LASH_ERROR_MM}
    return given.model_copy(update={"rig": given.rig.model_copy(update=bounds)})


def stop_capture(rig: Rig, touches: int = 3) -> Capture:
    """A stop capture of nothing but its turning points."""
    rng = np.random.default_rng([rig.seed, 78])
    before, after = rig.crank.contacts(rng.uniform(*STOP_MM))
    scatter = math.exp(rng.uniform(*np.log(SCATTER_DEG)))
    places = np.tile([after, 360.0 + before], touches) + rng.normal(0.0, scatter, 2 * touches)
    count = np.floor(rig.encoder.reading(places)).astype(np.int64) + rig.count_offset
    swing = np.concatenate([[count[0] + 60], count, [count[-1] - 60]])
    return _capture(rig, "unknown", swing, np.arange(swing.size, dtype=np.float64), np.zeros((1, swing.size), dtype=np.int64))


def sweep_capture(rig: Rig) -> Capture:
    """A sweep of the intake valve as the board latched it."""
    return sweep_captures(rig, "intake")[0]


def sweep_captures(rig: Rig, *phases: str) -> list[Capture]:
    """Phases of turning, one after the other, with the indicator on the intake valve unless a phase is called by what else it
    stands on.
    """
    state, found = start(rig), []
    for phase in phases:
        latching: Latching = latch_phase(rig, phase, state)
        rows, state = latching.rows, latching.state
        age = np.rint(rows.age * 1e6).astype(np.int64)
        on = {"exhaust": "exhaust", "travel": "piston"}.get(phase, "intake")
        found.append(_capture(rig, on, rows.crank, rows.time, rows.lift, age, rows.beat))
    return found


def _capture(
    rig: Rig,
    on: str,
    crank: np.ndarray,
    time_s: np.ndarray,
    lift: np.ndarray,
    age: np.ndarray | None = None,
    beat: np.ndarray | None = None,
) -> Capture:
    n = crank.size
    none = np.zeros(0, dtype=np.int64)
    flags = np.where(beat, STILL, 0) if beat is not None else np.zeros(n, dtype=np.int64)
    samples = Samples(
        seq=np.arange(n),
        time_us=np.rint(time_s * 1e6).astype(np.int64),
        crank=crank.astype(np.int64),
        flags=flags.astype(np.int64),
        origin=np.zeros(n, dtype=np.int64),
        age_us=np.zeros((1, n), dtype=np.int64) if age is None else age,
        lift=lift.astype(np.int64),
    )
    step = {"unknown": "stop", "piston": "travel"}.get(on, "sweep")
    header = Header(rig.hello, step, 1, (on,), link="one")
    return Capture(header, samples, IndexPulses(none, none, none), (), (), (), True, (), "0" * 64, f"{step} {on}.csv")


@dataclass(frozen=True)
class Outcome:
    """Error and 95 % uncertainty of each number of a trial, by name; NaN where the sheet says that it cannot be told."""

    error: dict[str, float]
    u95: dict[str, float]


def trial(scenario: Scenario, seed: int) -> Outcome:
    """One trial."""
    rig = off_the_statement(rig_of(scenario, seed), seed)
    result = examine(bounded_job(), [stop_capture(rig), sweep_capture(rig)])
    lobe, true = result.lobes[0], truth(rig, [(mm, "lobe") for mm in LIFTS]).lobe("intake")
    tdc = float(rig.encoder.reading(0.0)) + rig.count_offset
    found: dict[str, tuple[Quantity | None, float, float]] = {
        "TDC": (result.tdc.count, tdc, rig.encoder.cpr),
        "peak lift": (lobe.peak_lift, true.peak_lift_mm, math.inf),
        "lag": (lobe.lag, 1e3 * rig.indicators[0].latency_s, math.inf),
    }
    for way, number in lobe.centerlines.items():
        found[way] = (number, true.centerline_by[way], 720.0)
    for event, known in zip(lobe.events, true.events, strict=True):
        found[f"opens {event.lift_mm:g}"] = (event.opens, known.opens_deg, 720.0)
        found[f"closes {event.lift_mm:g}"] = (event.closes, known.closes_deg, 720.0)
        found[f"duration {event.lift_mm:g}"] = (event.duration, known.duration_deg, math.inf)
    return Outcome(
        {name: math.nan if number is None else _off(number.value - value, turn) for name, (number, value, turn) in found.items()},
        {name: math.nan if number is None else number.u95 for name, (number, _, _) in found.items()},
    )


def _off(difference: float, turn: float) -> float:
    """A difference less whole turns."""
    return difference if math.isinf(turn) else (difference + turn / 2) % turn - turn / 2


@cache
def true_lobe(lobe: str) -> TrueLobe:
    """The truth of the intake lobe, of the camshaft as it is cut: any trial's stands so many degrees later."""
    return truth(_standing(lobe), [(mm, "lobe") for mm in LIFTS]).lobe("intake")


@cache
def _standing(lobe: str) -> Rig:
    rig = rig_of(Scenario(0.25, 0.01, "edge", 1, lobe), 0)
    return replace(rig, cam=replace(rig.cam, advance_deg=0.0))
