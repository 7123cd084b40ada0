"""What tests of the analysis share: a job for a simulated rig, the whole measurement, and every number beside its truth."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from scipy.special import ndtri

from acquire.simulator.cam import Cam, Flank, LawLobe, Lobe
from acquire.simulator.encoder import Encoder
from acquire.simulator.hand import Hand
from acquire.simulator.indicator import Indicator
from acquire.simulator.rig import Rig, Work
from acquire.simulator.truth import Truth
from analysis.base.finding import Finding
from analysis.base.quantity import Quantity, Source
from analysis.diagnosis.examine import examine
from analysis.job import Job
from analysis.lobe.result import Measurement
from tests.recorded import captures, truth_of

# Nearly exact instruments, for what is to be seen of the arithmetic alone.
FINE = Rig(
    hand=Hand(rollback_share=0.0, bump_share=0.0),
    encoder=Encoder(cpr=3600),
    indicators=(Indicator(where="lobe", step=0.0001, noise_mm=0.0),),
    work=Work(turns=5.0),
)
# The usual clean rig, with a coarse encoder and few turns: quick, and still without any caution.
SHORT = Rig(encoder=Encoder(cpr=1200), work=Work(touches=3, turns=4.2))


# What is remarked of any rig: how far the crank was turned back elsewhere, a direction of rotation that one lobe alone cannot
# prove, and whether TDC was found again at the end.
REMARKS = ("turned-back-elsewhere", "direction-unproven", "tdc-not-rechecked", "tdc-held")


def job_for(rig: Rig, /, **tables: Mapping[str, Any]) -> Job:
    """A job that describes the rig as its owner knows it. `tables` adds to or replaces keys of the job's tables."""
    gauge = rig.indicators[0]
    job: dict[str, dict[str, Any]] = {
        "engine": {
            "name": "Tidewater 4",
            "cylinders": 4,
            "firing_order": [1, 3, 4, 2],
            "bore_mm": 84.0,
            "stroke_mm": rig.crank.stroke_mm,
            "rod_mm": rig.crank.rod_mm,
            "pin_offset_mm": rig.crank.offset_mm,
        },
        "rig": {
            "indicator_at": gauge.where,
            "rocker_ratio": rig.train.ratio,
            "lash_mm": rig.train.lash_mm,
            # Bounds as a fitter would give them: to the next tenth of a degree, half degree, five micrometres.
            "encoder_offcenter_deg": math.ceil(10 * math.degrees(rig.encoder.eccentric)) / 10,
            "indicator_tilt_deg": math.ceil(2 * gauge.tilt_deg) / 2,
            "cam_runout_mm": math.ceil(200 * rig.train.runout_mm) / 200,
            # Ratio, lash and gauge of a simulated rig are what it says.
            **dict.fromkeys(("rocker_ratio_error", "lash_error_mm", "indicator_error_mm"), 0.0),
        },
        "measure": {"checking_lifts_mm": [0.15, 0.5, 1.0, 1.27, 2.54], "checking_at": "lobe"},
    }
    for name, keys in tables.items():
        job[name] = {**job.get(name, {}), **keys}
    return Job.model_validate({"format": 1, **job})


def measured(
    rig: Rig, phases: Sequence[str] = ("stop", "intake", "exhaust"), **tables: Mapping[str, Any]
) -> tuple[Measurement, Truth]:
    """The whole way, and what is true of it at the job's checking lifts."""
    job = job_for(rig, **tables)
    checking = tuple((lift, job.measure.checking_at) for lift in job.measure.checking_lifts_mm)
    return examine(job, captures(rig, phases)), truth_of(rig, checking)


def known(value: float, u95: float, unit: str = "", place: str = "") -> Quantity:
    """A quantity with a 95 % expanded uncertainty, of one normal cause."""
    return Quantity(value, {Source("all"): u95 / ndtri(0.975)}, unit, place)


# A lobe of made-up numbers was made of nothing.
MADE_UP: Mapping[str, Any] = dict.fromkeys(("job", "swept", "causes"))


def with_lobes(rig: Rig, intake: Lobe, exhaust: Lobe | None = None, **cam: float) -> Rig:
    """The rig with other lobes."""
    return replace(rig, cam=Cam(intake, intake if exhaust is None else exhaust, **cam))


def lobe_of(law: Any, lift_mm: float = 10.0, flank_deg: float = 70.0) -> LawLobe:
    """A symmetric lobe of one law."""
    flank = Flank(law, flank_deg)
    return LawLobe(lift_mm, flank, flank)


def against_truth(found: Measurement, true: Truth) -> dict[str, tuple[Quantity, float]]:
    """Every number of a result that has a truth, by a name: (number, truth)."""
    both = {}
    # Positions of the count lie half a count above the axis on which the simulator states a resting count.
    turn = true.cpr
    off = (found.tdc.count.value - (true.tdc_count + 0.5) + turn / 2) % turn - turn / 2
    both["tdc"] = found.tdc.count, found.tdc.count.value - off
    for lobe in found.lobes:
        own = true.lobe(lobe.valve)
        both[f"{lobe.valve} peak lift"] = lobe.peak_lift, own.peak_lift_mm
        both[f"{lobe.valve} peak lobe lift"] = lobe.peak_lobe_lift, own.peak_lobe_lift_mm
        for name, number in lobe.centerlines.items():
            both[f"{lobe.valve} {name}"] = number, own.centerline_by[name]
        if lobe.slack is not None:
            both[f"{lobe.valve} slack"] = lobe.slack, own.slack_deg
        if lobe.lag is not None:
            both[f"{lobe.valve} latency"] = lobe.lag, own.latency_ms
        for event in lobe.events:
            (same,) = (e for e in own.events if (e.lift_mm, e.at) == (event.lift_mm, event.at))
            for what in ("opens", "closes", "duration"):
                both[f"{lobe.valve} {what} {event.lift_mm:g}"] = getattr(event, what), getattr(same, f"{what}_deg")
    if found.cam is not None:
        both["separation"] = found.cam.separation, true.cam.separation_deg
        both["advance"] = found.cam.advance, true.cam.advance_deg
        if found.cam.overlap is not None and found.cam.overlap_lift_mm == true.cam.overlap_lift_mm:
            both["overlap"] = found.cam.overlap, true.cam.overlap_deg
    return both


def told(found: Measurement) -> list[Finding]:
    """The findings but for what is remarked of any rig: none of a sound one."""
    return [finding for finding in found.findings if finding.code not in REMARKS]
