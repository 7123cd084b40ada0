"""The demo's own job: a scenario of the simulator written down as a person would, in the commented job.toml."""

from __future__ import annotations

import math

from acquire.simulator.scenarios import TEETH, Scenario
from acquire.simulator.truth import Truth
from analysis.job.write import Values, filled


def job_text(scenario: Scenario, truth: Truth) -> str:
    """A job.toml for `scenario`: its geometry, its rig with bounds for its errors, and a camshaft card to half degrees."""
    rig = scenario.as_the_job_says
    gauge = rig.indicators[0]
    return filled(
        {
            "engine": {
                "name": scenario.engine,
                "stroke_mm": 2 * rig.crank.throw_mm,
                "rod_mm": rig.crank.rod_mm,
                "pin_offset_mm": rig.crank.offset_mm,
            },
            "rig": {
                "indicator_at": gauge.where,
                "indicator_sign": gauge.sign,
                "rocker_ratio": rig.train.ratio,
                "lash_mm": rig.train.lash_mm,
                # Bounds as a fitter would give them: to the next tenth of a degree, the next half degree.
                "encoder_offcenter_deg": math.ceil(10 * math.degrees(rig.encoder.eccentric)) / 10,
                "indicator_tilt_deg": math.ceil(2 * gauge.tilt_deg) / 2,
                "cam_runout_mm": math.ceil(200 * rig.train.runout_mm) / 200,
                # The ratio measured to 0.005 and the lash to 0.01 mm, as feeler gauges and two sweeps tell them.
                "rocker_ratio_error": 0.005 if rig.train.ratio != 1.0 else 0.0,
                "lash_error_mm": 0.01 if rig.train.lash_mm else 0.0,
                "indicator_error_mm": 0.002,
                "stop_depth_mm": rig.stop.depth_mm,
            },
            "timing_set": {"teeth": TEETH},
            **_card(truth),
        },
    )


def _card(truth: Truth) -> Values:
    """What the maker's card would say: the truth, rounded."""
    intake, exhaust = truth.lobe("intake"), truth.lobe("exhaust")
    opened, shut = (next(e for e in lobe.events if e.at == "lobe" and e.lift_mm == 1.27) for lobe in (intake, exhaust))

    def lobe(peak_mm: float, center_deg: float) -> dict[str, object]:
        return {"lobe_lift_mm": round(peak_mm, 2), "centerline_deg": _half(center_deg)}

    def duration(first: str, before: float, second: str, after: float) -> dict[str, object]:
        opens, closes = _half(before), _half(after)
        return {"lift_mm": 1.27, "at": "lobe", "deg": opens + 180 + closes, first: opens, second: closes}

    return {
        "specification.intake": lobe(intake.peak_lobe_lift_mm, intake.centerline_by["equal_lift"]),
        "specification.intake.duration": [
            duration("opens_btdc_deg", -opened.opens_deg, "closes_abdc_deg", opened.closes_deg - 180)
        ],
        "specification.exhaust": lobe(exhaust.peak_lobe_lift_mm, -exhaust.centerline_by["equal_lift"]),
        "specification.exhaust.duration": [duration("opens_bbdc_deg", -180 - shut.opens_deg, "closes_atdc_deg", shut.closes_deg)],
        "specification.cam": {"separation_deg": _half(truth.cam.separation_deg), "advance_deg": _half(truth.cam.advance_deg)},
    }


def _half(deg: float) -> float:
    return round(2 * deg) / 2
