"""Whole decisions for tests: a rig, the camshaft that was ordered, and a job that says all there is to say."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from typing import Any

from acquire.simulator.rig import Rig
from analysis.decision.decide import Decision, decide
from tests.cards import card_of
from tests.recorded import captures
from tests.rigs import SHORT, job_for

_SPRING = {
    "installed_height_mm": 42.0,
    "coil_bind_mm": 26.0,
    "closed_height_mm": 42.0,
    "closed_load_n": 400.0,
    "open_height_mm": 31.0,
    "open_load_n": 900.0,
}
# Everything that a job can say beyond the card.
WHOLE: Mapping[str, Any] = {
    "engine": {"compression_ratio": 10.0},
    "timing_set": {"teeth": 42, "positions_deg": [-4.0, 0.0, 4.0]},
    "clearance": {
        "intake": {"valve_angle_deg": 15.0, "drop": [{"at_deg": 10.0, "drop_mm": 2.6}], "retainer_gap_mm": 14.0},
        "exhaust": {"valve_angle_deg": 15.0, "clay_mm": 3.1, "retainer_gap_mm": 14.0},
    },
    "spring": {"intake": _SPRING, "exhaust": _SPRING},
}


def late(deg: float) -> Rig:
    """The short rig with its camshaft so many crank degrees late."""
    return replace(SHORT, cam=replace(SHORT.cam, advance_deg=SHORT.cam.advance_deg - deg))


def decided(rig: Rig, ordered: Rig = SHORT, **tables: Any) -> Decision:
    """What the captures of `rig` come to, held against the card of the camshaft `ordered`."""
    return decide(job_for(ordered, specification=card_of(ordered), **tables), captures(rig))


@cache
def whole(deg: float = 0.0, units: str = "mm") -> Decision:
    """The short rig so many degrees late, with everything a job can say."""
    measure = {"checking_lifts_mm": [0.5, 1.27], "units": units}
    return decided(late(deg), **WHOLE, measure=measure)
