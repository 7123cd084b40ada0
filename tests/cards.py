"""The maker's card of a simulated camshaft, as job tables: the truth, rounded as cards are."""

from __future__ import annotations

from typing import Any

from acquire.simulator.rig import Rig
from acquire.simulator.truth import TrueLobe
from tests.recorded import truth_of


def card_of(rig: Rig, lifts: tuple[float, ...] = (1.27,), step_deg: float = 0.5) -> dict[str, Any]:
    """The tables of [specification] for the camshaft of `rig`, angles rounded to `step_deg`."""
    true = truth_of(rig, tuple((mm, "lobe") for mm in lifts))

    def rounded(deg: float) -> float:
        return round(deg / step_deg) * step_deg

    def lobe(found: TrueLobe) -> dict[str, Any]:
        rows = []
        for event in found.events:
            if found.valve == "intake":
                before, after = rounded(-event.opens_deg), rounded(event.closes_deg - 180)
                keys = {"opens_btdc_deg": before, "closes_abdc_deg": after}
            else:
                before, after = rounded(-180 - event.opens_deg), rounded(event.closes_deg)
                keys = {"opens_bbdc_deg": before, "closes_atdc_deg": after}
            rows.append({"lift_mm": event.lift_mm, "deg": before + 180 + after, **keys})
        return {
            "lobe_lift_mm": round(found.peak_lobe_lift_mm, 2),
            "centerline_deg": rounded(abs(found.centerline_by["equal_lift"])),
            "duration": rows,
        }

    return {
        "intake": lobe(true.lobe("intake")),
        "exhaust": lobe(true.lobe("exhaust")),
        "cam": {"separation_deg": rounded(true.cam.separation_deg), "advance_deg": rounded(true.cam.advance_deg)},
    }
